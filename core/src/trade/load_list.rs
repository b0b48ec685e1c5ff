//! What steps need in houses, added up to what a crew loads for a day. Products of one name are one product; rollers of
//! two houses are two rollers, but gloves go from house to house. How it is written down is decided elsewhere.

use super::quantities::{Containers, Mix, Mixed, Volume, containers};
use super::supplies::ItemUse;

/// Sizes of what is mixed into a product, thousandths of a US gallon: a pint, a quart, a gallon. Practice, no source.
pub const CATALYST_CONTAINERS: [i64; 3] = [125, 250, 1_000];
/// Square feet a minute with a roller: practice, no source.
pub const ROLL_SQFT_PER_MINUTE: i64 = 15;

/// What is mixed into a product.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Catalyst {
    /// For people.
    pub name: String,
    /// How.
    pub mix: Mix,
}

/// A product for one step in one house.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProductNeed {
    /// For people.
    pub name: String,
    /// Floor.
    pub sqft: i64,
    /// Times over it.
    pub coats: i64,
    /// Square feet per US gallon and coat.
    pub cover_sqft_per_gal: i64,
    /// Whether the cover was given; otherwise it is the low end of what is usual.
    pub is_given: bool,
    /// On top.
    pub waste_percent: i64,
    /// Sizes of containers, thousandths of a US gallon.
    pub sizes: Vec<i64>,
    /// What is mixed into it.
    pub catalyst: Option<Catalyst>,
    /// How fast it is rolled.
    pub sqft_per_minute: i64,
}

impl ProductNeed {
    /// All coats and waste; nothing when a number is outside its bounds, which whoever made it has refused.
    pub fn volume(&self) -> Volume {
        Volume::needed(self.sqft, self.cover_sqft_per_gal, self.coats, self.waste_percent).unwrap_or_default()
    }

    /// In two liquids and in batches, where something is mixed into it.
    pub fn mixed(&self) -> Option<Mixed> {
        let catalyst = self.catalyst.as_ref()?;
        catalyst.mix.divide(self.volume(), self.sqft * self.coats, self.sqft_per_minute)
    }
}

/// A thing for one step in one house.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ItemNeed {
    /// For people.
    pub name: String,
    /// For what.
    pub used_for: ItemUse,
    /// How many.
    pub count: i64,
    /// Whether it is used again in the next house.
    pub is_kept: bool,
}

/// What one step needs.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct StepNeed {
    /// Liquids.
    pub products: Vec<ProductNeed>,
    /// Everything else.
    pub items: Vec<ItemNeed>,
}

/// A product for the day.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProductTotal {
    /// For people.
    pub name: String,
    /// All steps together.
    pub volume: Volume,
    /// Whole ones.
    pub containers: Containers,
}

/// What a crew loads.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Load {
    /// By first use.
    pub products: Vec<ProductTotal>,
    /// By use, then by first use.
    pub items: Vec<ItemNeed>,
}

/// Adds up the steps of a day.
pub fn load<'a>(needs: impl IntoIterator<Item = &'a StepNeed>) -> Load {
    let mut liquids: Vec<(&str, Volume, Vec<i64>)> = Vec::new();
    let mut items: Vec<ItemNeed> = Vec::new();
    for need in needs {
        for product in &need.products {
            match (product.mixed(), &product.catalyst) {
                (Some(mixed), Some(catalyst)) => {
                    pour(&mut liquids, &product.name, mixed.product, &product.sizes);
                    pour(&mut liquids, &catalyst.name, mixed.catalyst, &CATALYST_CONTAINERS);
                }
                _ => pour(&mut liquids, &product.name, product.volume(), &product.sizes),
            }
        }
        need.items.iter().for_each(|item| put(&mut items, item));
    }
    items.sort_by_key(|item| item.used_for);
    let total = |(name, volume, sizes): (&str, Volume, Vec<i64>)| ProductTotal {
        name: name.to_owned(),
        volume,
        containers: containers(volume, &sizes).unwrap_or_default(),
    };
    Load { products: liquids.into_iter().map(total).collect(), items }
}

fn pour<'a>(liquids: &mut Vec<(&'a str, Volume, Vec<i64>)>, name: &'a str, volume: Volume, sizes: &[i64]) {
    match liquids.iter_mut().find(|(known, ..)| *known == name) {
        Some((_, all, known)) => {
            *all = all.plus(volume);
            known.extend(sizes);
        }
        None => liquids.push((name, volume, sizes.to_vec())),
    }
}

fn put(items: &mut Vec<ItemNeed>, item: &ItemNeed) {
    match items.iter_mut().find(|known| known.name == item.name && known.used_for == item.used_for) {
        Some(known) if known.is_kept && item.is_kept => known.count = known.count.max(item.count),
        Some(known) => known.count += item.count,
        None => items.push(item.clone()),
    }
}

/// What several crews load together: each loads its own.
pub fn together<'a>(loads: impl IntoIterator<Item = &'a Load>) -> Load {
    let mut sum = Load::default();
    for load in loads {
        for product in &load.products {
            match sum.products.iter_mut().find(|known| known.name == product.name) {
                Some(known) => {
                    known.volume = known.volume.plus(product.volume);
                    known.containers = both(&known.containers, &product.containers);
                }
                None => sum.products.push(product.clone()),
            }
        }
        for item in &load.items {
            match sum.items.iter_mut().find(|known| known.name == item.name && known.used_for == item.used_for) {
                Some(known) => known.count += item.count,
                None => sum.items.push(item.clone()),
            }
        }
    }
    sum.items.sort_by_key(|item| item.used_for);
    sum
}

fn both(one: &Containers, other: &Containers) -> Containers {
    let mut counts = one.counts.clone();
    for (size, count) in &other.counts {
        match counts.iter_mut().find(|(known, _)| known == size) {
            Some((_, known)) => *known += count,
            None => counts.push((*size, *count)),
        }
    }
    counts.sort_unstable_by(|a, b| b.cmp(a));
    Containers { counts }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn product(name: &str, sqft: i64) -> ProductNeed {
        ProductNeed {
            name: name.into(),
            sqft,
            coats: 1,
            cover_sqft_per_gal: 500,
            is_given: true,
            waste_percent: 0,
            sizes: vec![1_000, 5_000],
            catalyst: None,
            sqft_per_minute: 15,
        }
    }

    fn item(name: &str, count: i64, is_kept: bool) -> ItemNeed {
        ItemNeed {
            name: name.into(),
            used_for: if is_kept { ItemUse::Protect } else { ItemUse::Apply },
            count,
            is_kept,
        }
    }

    /// By hand: 700 + 300 sq ft at 500 are two gallons, bought together and not as two and one.
    #[test]
    fn houses_share_cans_and_gloves_and_no_rollers() {
        let need = |sqft| StepNeed {
            products: vec![product("Finish", sqft)],
            items: vec![item("Gloves", 2, true), item("Roller", 1, false)],
        };
        let day = load([&need(700), &need(300)]);
        assert_eq!((day.products.len(), day.products[0].containers.counts.as_slice()), (1, &[(1_000, 2)][..]));
        assert_eq!(day.items, [item("Roller", 2, false), item("Gloves", 2, true)]);
        let office = together([&day, &day]);
        assert_eq!(office.products[0].containers.counts, [(1_000, 4)]);
        assert_eq!(office.items, [item("Roller", 4, false), item("Gloves", 4, true)]);
    }

    #[test]
    fn a_mixed_finish_is_loaded_as_its_two_liquids() {
        let mix = Mix { product_parts: 10, catalyst_parts: 1, pot_life_minutes: 60 };
        let catalyst = Some(Catalyst { name: "Hardener".into(), mix });
        let need = StepNeed { products: vec![ProductNeed { catalyst, ..product("Finish", 550) }], items: vec![] };
        let day = load([&need]);
        let told: Vec<_> = day.products.iter().map(|p| (p.name.as_str(), p.volume.centigallons())).collect();
        assert_eq!(told, [("Finish", 100), ("Hardener", 10)]);
        assert_eq!(day.products[1].containers.counts, [(125, 1)]);
    }
}
