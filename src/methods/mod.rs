//! The methods that come with the program, as documents; `dto` reads them. They are generic: every value is common
//! practice or a generic range, none a product's, and each document's notes say which is which. A company copies one
//! and puts its labels' values in, or overrides them in a job.

/// Each a `MethodDto`.
pub const DOCUMENTS: [&str; 5] = [
    include_str!("two-part-waterborne.json"),
    include_str!("natural-waterborne.json"),
    include_str!("stain-oil-modified.json"),
    include_str!("penetrating-oil.json"),
    include_str!("screen-and-recoat.json"),
];
