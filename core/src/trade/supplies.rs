//! What each kind of step uses up and needs at hand when its method does not say: one table, common practice throughout,
//! no source. A label, a safety data sheet and a method come before all of it. How much of it is `quantities`' matter.

use crate::domain::chain::StepKind;
use crate::domain::climate::Film;

/// What a product is, as far as cautions and full cure go by it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ProductBase {
    /// Plain water.
    Water,
    /// A treatment that soaks in, in parts.
    Treatment,
    /// A waterborne film.
    Waterborne,
    /// An oil-modified film or an oil stain: solvent, and oil that heats itself in rags.
    OilModified,
    /// Oil that soaks in: heats itself in rags.
    PenetratingOil,
    /// Any other finish in solvent, moisture-cured ones among them.
    Solvent,
}

impl ProductBase {
    /// What dries when the wait after a step says so.
    pub const fn of_film(film: Film) -> ProductBase {
        match film {
            Film::Treatment => ProductBase::Treatment,
            Film::Waterborne => ProductBase::Waterborne,
            Film::OilModified => ProductBase::OilModified,
            Film::MoistureCure => ProductBase::Solvent,
        }
    }
}

impl ProductBase {
    /// How it dries when no wait says so; `None`: not to be stretched.
    pub const fn film(self) -> Option<Film> {
        match self {
            ProductBase::Water | ProductBase::Treatment => Some(Film::Treatment),
            ProductBase::Waterborne => Some(Film::Waterborne),
            ProductBase::OilModified | ProductBase::PenetratingOil => Some(Film::OilModified),
            ProductBase::Solvent => None,
        }
    }
}

/// A range of cover, square feet per US gallon.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cover {
    /// What is bought by, so that nobody runs dry.
    pub low: i64,
    /// The other end.
    pub high: i64,
}

/// A product nobody has named, and its cover.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UsualProduct {
    /// Generic.
    pub name: &'static str,
    /// Practice.
    pub cover: Cover,
}

/// The product of a step whose method names none.
pub const fn usual_product(kind: StepKind) -> Option<UsualProduct> {
    let (name, low, high) = match kind {
        StepKind::WaterPop => ("Water, clean", 300, 500),
        StepKind::TreatA => ("Treatment, part A", 350, 400),
        StepKind::TreatB => ("Treatment, part B", 350, 400),
        StepKind::Stain => ("Stain", 400, 600),
        StepKind::Seal => ("Sealer", 400, 600),
        StepKind::Coat => ("Finish", 400, 600),
        StepKind::SetUp
        | StepKind::Sand
        | StepKind::Edge
        | StepKind::Vacuum
        | StepKind::Check
        | StepKind::Abrade
        | StepKind::WalkThrough
        | StepKind::Other => return None,
    };
    Some(UsualProduct { name, cover: Cover { low, high } })
}

/// What a thing is for; the order of a list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ItemUse {
    /// Rollers, trays, pads, pails: one set for each product.
    Apply,
    /// Sheets, belts, discs, screens.
    Abrasive,
    /// Tack cloths, bags.
    Clean,
    /// Film, paper, tape.
    Mask,
    /// Gloves, eyes, lungs.
    Protect,
}

/// How many are needed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Each {
    /// So many for the step, used up.
    Step(i64),
    /// One for so many square feet, used up.
    Sqft(i64),
    /// So many for the crew, used again in every house.
    Crew(i64),
    /// One for everybody, used again in every house.
    Person,
}

/// One thing to have at hand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct UsualItem {
    /// Generic.
    pub name: &'static str,
    /// For what.
    pub used_for: ItemUse,
    /// How many.
    pub each: Each,
}

const fn item(name: &'static str, used_for: ItemUse, each: Each) -> UsualItem {
    UsualItem { name, used_for, each }
}

/// Square feet for one unit of each: rough, and on the safe side.
const SET_UP: &[UsualItem] = &[
    item("Masking tape, roll", ItemUse::Mask, Each::Sqft(300)),
    item("Plastic film for doorways and vents, sheet", ItemUse::Mask, Each::Sqft(200)),
    item("Floor paper for ways in, roll", ItemUse::Mask, Each::Step(1)),
];
const SAND: &[UsualItem] = &[
    item("Abrasive for the big machine, sheet or belt", ItemUse::Abrasive, Each::Sqft(150)),
    item("Edger disc", ItemUse::Abrasive, Each::Sqft(50)),
    item("Dust bag", ItemUse::Clean, Each::Sqft(400)),
];
const EDGE: &[UsualItem] =
    &[item("Edger disc", ItemUse::Abrasive, Each::Sqft(50)), item("Scraper blade", ItemUse::Abrasive, Each::Step(2))];
const VACUUM: &[UsualItem] = &[
    item("Vacuum with fine filter", ItemUse::Clean, Each::Crew(1)),
    item("Tack cloth", ItemUse::Clean, Each::Sqft(150)),
];
const ABRADE: &[UsualItem] = &[
    item("Screen or abrasive pad for the buffer", ItemUse::Abrasive, Each::Sqft(250)),
    item("Hand pad for edges", ItemUse::Abrasive, Each::Step(2)),
    item("Tack cloth", ItemUse::Clean, Each::Sqft(150)),
];
const WATER_POP: &[UsualItem] =
    &[item("Pad for water", ItemUse::Apply, Each::Step(1)), item("Pail", ItemUse::Apply, Each::Crew(2))];
const TREAT_A: &[UsualItem] = &[
    item("Roller cover for part A only", ItemUse::Apply, Each::Step(1)),
    item("Tray for part A only, marked A", ItemUse::Apply, Each::Crew(1)),
    item("Pad for edges, part A only", ItemUse::Apply, Each::Step(1)),
    item("Mixing stick for part A", ItemUse::Apply, Each::Step(1)),
];
const TREAT_B: &[UsualItem] = &[
    item("Roller cover for part B only", ItemUse::Apply, Each::Step(1)),
    item("Tray for part B only, marked B", ItemUse::Apply, Each::Crew(1)),
    item("Pad for edges, part B only", ItemUse::Apply, Each::Step(1)),
];
const CHECK: &[UsualItem] = &[item("Sheet for readings, area by area", ItemUse::Clean, Each::Step(1))];
const STAIN: &[UsualItem] = &[
    item("Stain applicator pad", ItemUse::Apply, Each::Step(1)),
    item("Buffing pad, white", ItemUse::Apply, Each::Sqft(250)),
    item("Wiping cloth", ItemUse::Apply, Each::Sqft(40)),
];
const SEAL: &[UsualItem] = &[
    item("Roller cover for sealer", ItemUse::Apply, Each::Step(1)),
    item("Tray or liner for sealer", ItemUse::Apply, Each::Step(1)),
    item("Cut-in pad for sealer", ItemUse::Apply, Each::Step(1)),
    item("Cone strainer", ItemUse::Apply, Each::Step(1)),
];
const COAT: &[UsualItem] = &[
    item("Roller cover for finish", ItemUse::Apply, Each::Step(1)),
    item("Tray or liner for finish", ItemUse::Apply, Each::Step(1)),
    item("Cut-in pad for finish", ItemUse::Apply, Each::Step(1)),
    item("Cone strainer", ItemUse::Apply, Each::Step(1)),
];

/// What a step needs at hand when its method does not say.
pub const fn usual_items(kind: StepKind) -> &'static [UsualItem] {
    match kind {
        StepKind::SetUp => SET_UP,
        StepKind::Sand => SAND,
        StepKind::Edge => EDGE,
        StepKind::Vacuum => VACUUM,
        StepKind::WaterPop => WATER_POP,
        StepKind::TreatA => TREAT_A,
        StepKind::TreatB => TREAT_B,
        StepKind::Check => CHECK,
        StepKind::Stain => STAIN,
        StepKind::Seal => SEAL,
        StepKind::Abrade => ABRADE,
        StepKind::Coat => COAT,
        StepKind::WalkThrough | StepKind::Other => &[],
    }
}

/// Wherever there may be oil in rags.
pub const FOR_RAGS: UsualItem = item("Metal container with lid and water for rags", ItemUse::Clean, Each::Crew(1));
const GLOVES: UsualItem = item("Gloves, pair (kind: safety data sheet)", ItemUse::Protect, Each::Person);
const EYES: UsualItem = item("Eye protection", ItemUse::Protect, Each::Person);
const EARS: UsualItem = item("Hearing protection", ItemUse::Protect, Each::Person);
const DUST_MASK: UsualItem = item("Respirator for dust, fitted", ItemUse::Protect, Each::Person);
const VAPOUR_MASK: UsualItem = item("Respirator as the safety data sheet says", ItemUse::Protect, Each::Person);
const KNEES: UsualItem = item("Knee pads", ItemUse::Protect, Each::Person);

/// What people wear, whatever the method says: never less.
pub const fn protection(kind: StepKind) -> &'static [UsualItem] {
    match kind {
        StepKind::Sand | StepKind::Edge | StepKind::Abrade => &[DUST_MASK, EYES, EARS],
        StepKind::Vacuum => &[DUST_MASK, EYES],
        StepKind::TreatA | StepKind::TreatB => &[GLOVES, EYES],
        StepKind::Stain | StepKind::Seal | StepKind::Coat => &[GLOVES, EYES, VAPOUR_MASK, KNEES],
        StepKind::SetUp | StepKind::WaterPop | StepKind::Check | StepKind::WalkThrough | StepKind::Other => &[],
    }
}

impl Each {
    /// How many for this floor and these people.
    pub const fn count(self, sqft: i64, people: i64) -> i64 {
        match self {
            Each::Step(count) | Each::Crew(count) => count,
            Each::Sqft(each) => {
                if each > 0 {
                    (sqft + each - 1) / each
                } else {
                    0
                }
            }
            Each::Person => people,
        }
    }

    /// Whether it is used again in the next house.
    pub const fn is_kept(self) -> bool {
        match self {
            Each::Step(_) | Each::Sqft(_) => false,
            Each::Crew(_) | Each::Person => true,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Practice, no source; what one is bought by is the low end.
    #[test]
    fn covers_are_those_of_practice() {
        let cover = |kind| usual_product(kind).map(|product| (product.cover.low, product.cover.high));
        assert_eq!(cover(StepKind::Coat), Some((400, 600)));
        assert_eq!(cover(StepKind::Seal), Some((400, 600)));
        assert_eq!(cover(StepKind::Stain), Some((400, 600)));
        assert_eq!(cover(StepKind::TreatA), Some((350, 400)));
        assert_eq!(cover(StepKind::WaterPop), Some((300, 500)));
        assert_eq!(cover(StepKind::Sand), None);
    }

    #[test]
    fn the_two_parts_share_no_roller_tray_or_pad() {
        let names = |kind| usual_items(kind).iter().map(|item| item.name).collect::<Vec<_>>();
        for name in names(StepKind::TreatA) {
            assert!(!names(StepKind::TreatB).contains(&name), "{name}");
        }
        for kind in [StepKind::TreatA, StepKind::TreatB] {
            assert!(protection(kind).contains(&GLOVES) && protection(kind).contains(&EYES));
        }
    }

    #[test]
    fn things_are_counted_by_floor_people_or_step() {
        assert_eq!([1, 150, 151].map(|sqft| Each::Sqft(150).count(sqft, 2)), [1, 1, 2]);
        assert_eq!((Each::Person.count(400, 3), Each::Step(2).count(400, 3), Each::Sqft(0).count(400, 3)), (3, 2, 0));
        assert!(Each::Person.is_kept() && !Each::Sqft(9).is_kept());
    }
}
