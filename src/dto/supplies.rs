//! What a step uses up and what a label says about its last coat, as a method or a job writes it. Planning heeds none of
//! it; load lists, cautions and customers' dates are made from it. What is usual when nothing is written is in
//! `trade::supplies`.

use super::fault::{At, Faults};
use super::gate::FilmDto;
use super::house::HouseDto;
use super::step::StepDto;
use crate::domain::chain::StepKind;
use crate::domain::fault::Fault;
use crate::trade::cautions::{Caution, Facts, cautions};
use crate::trade::customer_dates::{CARE_HOURS, CURE_DAYS, Care, full_cure_days};
use crate::trade::load_list::{Catalyst, ItemNeed, ProductNeed, ROLL_SQFT_PER_MINUTE, StepNeed};
use crate::trade::quantities::{
    COATS, CONTAINER_MILLIGALLONS, CONTAINER_SIZES_MAX, CONTAINERS_DEFAULT, COVER_SQFT_PER_GAL, MIX_PARTS, Mix,
    POT_LIFE_MINUTES, WASTE_DEFAULT_PERCENT, WASTE_PERCENT,
};
use crate::trade::supplies::{Each, FOR_RAGS, ItemUse, ProductBase, protection, usual_items, usual_product};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use utoipa::ToSchema;

/// Products of one step: two parts, a tint and a few more.
pub const PRODUCTS_MAX: usize = 10;
/// Things of one step: what fits on a printed sheet.
pub const ITEMS_MAX: usize = 40;
/// Of one thing.
const ITEM_COUNT: std::ops::RangeInclusive<i64> = 1..=1_000;
/// Floor that one thing is good for, square feet.
const ITEM_SQFT: std::ops::RangeInclusive<i64> = 1..=200_000;
/// Abrasive grits (coarse 12 to polishing 3000).
const GRIT: std::ops::RangeInclusive<i64> = 12..=3_000;

/// What a product is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ProductBaseDto {
    /// Plain water.
    Water,
    /// A treatment that soaks in, in parts.
    Treatment,
    /// A waterborne film or stain.
    Waterborne,
    /// An oil-modified film or an oil stain.
    OilModified,
    /// Oil that soaks in.
    PenetratingOil,
    /// Any other finish in solvent, moisture-cured ones among them.
    Solvent,
}

/// What is mixed into a product before use, by volume.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MixDto {
    /// Name of what is mixed in.
    #[schema(example = "hardener", min_length = 1, max_length = 120)]
    pub catalyst: String,
    /// Parts of the product.
    #[schema(minimum = 1, maximum = 100, example = 10)]
    pub product_parts: i64,
    /// Parts of what is mixed in.
    #[schema(minimum = 1, maximum = 100, example = 1)]
    pub catalyst_parts: i64,
    /// How long the mixture can be used.
    #[schema(minimum = 5, maximum = 2880, example = 240)]
    pub pot_life_minutes: i64,
}

/// A product that a step uses. Parts that are rolled one after the other are products of steps of their own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ProductDto {
    /// For people; the same name in two steps is the same product.
    #[schema(example = "waterborne finish", min_length = 1, max_length = 120)]
    pub name: String,
    /// What it is: decides cautions and full cure. Left out: as the film of the wait after the step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub base: Option<ProductBaseDto>,
    /// As the label says, square feet per US gallon and coat; left out: the low end of what is usual for the kind of step.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 10, maximum = 5000, example = 450)]
    pub cover_sqft_per_gal: Option<i64>,
    /// Times over the floor within the step.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    #[schema(minimum = 1, maximum = 20, default = 1)]
    pub coats: i64,
    /// On top of what the floor takes.
    #[serde(default = "waste", skip_serializing_if = "is_usual_waste")]
    #[schema(minimum = 0, maximum = 100, default = 10)]
    pub waste_percent: i64,
    /// Sizes of containers, US gallons; left out: 1 and 5.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!([0.25, 1, 5]))]
    pub containers_gal: Option<Vec<f64>>,
    /// What is mixed into it before use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mix: Option<MixDto>,
}

/// What a thing is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ItemUseDto {
    /// Rollers, trays, pads, pails.
    Apply,
    /// Sheets, belts, discs, screens.
    Abrasive,
    /// Tack cloths, bags, containers for rags.
    Clean,
    /// Film, paper, tape.
    Mask,
    /// Gloves, eyes, lungs.
    Protect,
}

/// A thing to bring that is no booked gear: a roller, abrasive, a tack cloth. `sqft_each`, or else `count`, says how many.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ItemDto {
    /// For people.
    #[schema(example = "edger disc", min_length = 1, max_length = 120)]
    pub name: String,
    /// What it is for.
    pub used_for: ItemUseDto,
    /// Of an abrasive.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 12, maximum = 3000, example = 60)]
    pub grit: Option<i64>,
    /// How many for the step; left out without `sqft_each`: one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 1000)]
    pub count: Option<i64>,
    /// One for so many square feet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 200_000, example = 50)]
    pub sqft_each: Option<i64>,
    /// Used again in the next house.
    #[serde(default, skip_serializing_if = "super::calendar::is_false")]
    pub kept: bool,
}

/// What the label of the last coat says for the customer; what is left out is as in practice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CareDto {
    /// Until it may be walked on in socks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 2160, example = 12)]
    pub socks_hours: Option<i64>,
    /// Until furniture may stand on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 2160, example = 48)]
    pub furniture_hours: Option<i64>,
    /// Until it is cured, and rugs may lie on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 120, example = 7)]
    pub full_cure_days: Option<i64>,
}

fn one() -> i64 {
    1
}

fn is_one(value: &i64) -> bool {
    *value == 1
}

fn waste() -> i64 {
    WASTE_DEFAULT_PERCENT
}

fn is_usual_waste(value: &i64) -> bool {
    *value == WASTE_DEFAULT_PERCENT
}

macro_rules! same {
    ($dto:ident, $own:ident: $($kind:ident),*) => {
        impl From<$dto> for $own {
            fn from(kind: $dto) -> $own {
                match kind { $($dto::$kind => $own::$kind),* }
            }
        }

        impl From<$own> for $dto {
            fn from(kind: $own) -> $dto {
                match kind { $($own::$kind => $dto::$kind),* }
            }
        }
    };
}

same!(ProductBaseDto, ProductBase: Water, Treatment, Waterborne, OilModified, PenetratingOil, Solvent);
same!(ItemUseDto, ItemUse: Apply, Abrasive, Clean, Mask, Protect);

impl From<CareDto> for Care {
    fn from(care: CareDto) -> Care {
        let CareDto { socks_hours, furniture_hours, full_cure_days } = care;
        Care { socks_hours, furniture_hours, full_cure_days }
    }
}

/// Thousandths, to the nearest.
pub(crate) fn milligallons(gallons: f64) -> i64 {
    (gallons * 1_000.0).round() as i64
}

impl ProductDto {
    /// Names every number outside its bounds.
    pub(crate) fn judge(&self, at: &At, kind: Option<StepKind>, faults: &mut Faults) {
        faults.name(&at.field("name"), &self.name);
        if let Some(cover) = self.cover_sqft_per_gal {
            faults.whole(&at.field("cover_sqft_per_gal"), cover, COVER_SQFT_PER_GAL, "square feet per gallon");
        } else if kind.and_then(usual_product).is_none() {
            let what = "nothing is usual for the cover of this product";
            let cure = "give `cover_sqft_per_gal` as the label says";
            faults.push(at, Fault::new("cover-needed", what, cure));
        }
        faults.whole(&at.field("coats"), self.coats, COATS, "coats");
        faults.whole(&at.field("waste_percent"), self.waste_percent, WASTE_PERCENT, "percent");
        if let Some(sizes) = &self.containers_gal {
            self.judge_sizes(&at.field("containers_gal"), sizes, faults);
        }
        if let Some(mix) = &self.mix {
            let at = at.field("mix");
            faults.name(&at.field("catalyst"), &mix.catalyst);
            faults.whole(&at.field("product_parts"), mix.product_parts, MIX_PARTS, "parts");
            faults.whole(&at.field("catalyst_parts"), mix.catalyst_parts, MIX_PARTS, "parts");
            faults.whole(&at.field("pot_life_minutes"), mix.pot_life_minutes, POT_LIFE_MINUTES, "minutes");
        }
    }

    fn judge_sizes(&self, at: &At, sizes: &[f64], faults: &mut Faults) {
        if sizes.is_empty() {
            let cure = "give at least one size, or leave `containers_gal` out for 1 and 5 gallons";
            faults.push(at, Fault::new("no-containers", "the product comes in no container", cure));
        }
        if faults.count(at, sizes.len(), CONTAINER_SIZES_MAX, "sizes of containers") {
            for (index, size) in sizes.iter().enumerate() {
                let at = at.item(index);
                if !CONTAINER_MILLIGALLONS.contains(&milligallons(*size)) {
                    let what = format!("{size} gallons is out of range");
                    faults.push(&at, Fault::new("out-of-range", what, "give 0.01 to 60 gallons"));
                }
            }
        }
    }

    /// What a floor takes of it. `usual_low`: cover when the label's is not given.
    pub fn need(&self, sqft: i64, usual_low: i64, sqft_per_minute: i64) -> ProductNeed {
        let sizes = self.containers_gal.as_ref();
        ProductNeed {
            name: self.name.trim().to_owned(),
            sqft,
            coats: self.coats,
            cover_sqft_per_gal: self.cover_sqft_per_gal.unwrap_or(usual_low),
            is_given: self.cover_sqft_per_gal.is_some(),
            waste_percent: self.waste_percent,
            sizes: sizes.map_or_else(
                || CONTAINERS_DEFAULT.to_vec(),
                |sizes| sizes.iter().map(|size| milligallons(*size)).collect(),
            ),
            catalyst: self.mix.as_ref().map(|mix| Catalyst {
                name: mix.catalyst.trim().to_owned(),
                mix: Mix {
                    product_parts: mix.product_parts,
                    catalyst_parts: mix.catalyst_parts,
                    pot_life_minutes: mix.pot_life_minutes,
                },
            }),
            sqft_per_minute,
        }
    }
}

impl ItemDto {
    fn judge(&self, at: &At, faults: &mut Faults) {
        faults.name(&at.field("name"), &self.name);
        for (field, value, bounds, unit) in [
            ("grit", self.grit, GRIT, "as grit"),
            ("count", self.count, ITEM_COUNT, "pieces"),
            ("sqft_each", self.sqft_each, ITEM_SQFT, "square feet"),
        ] {
            if let Some(value) = value {
                faults.whole(&at.field(field), value, bounds, unit);
            }
        }
        if self.count.is_some() && self.sqft_each.is_some() {
            let cure = "give `count` or `sqft_each`";
            faults.push(at, Fault::new("count-given-once", "it is counted in two ways", cure));
        }
    }

    fn need(&self, sqft: i64) -> ItemNeed {
        let name = self.name.trim();
        let each = self.sqft_each.map_or(Each::Step(self.count.unwrap_or(1)), Each::Sqft);
        ItemNeed {
            name: self.grit.map_or_else(|| name.to_owned(), |grit| format!("{name}, grit {grit}")),
            used_for: self.used_for.into(),
            count: each.count(sqft, 1),
            is_kept: self.kept,
        }
    }
}

impl CareDto {
    /// Names every number outside its bounds.
    pub(crate) fn judge(self, at: &At, faults: &mut Faults) {
        for (field, value, bounds, unit) in [
            ("socks_hours", self.socks_hours, CARE_HOURS, "hours"),
            ("furniture_hours", self.furniture_hours, CARE_HOURS, "hours"),
            ("full_cure_days", self.full_cure_days, CURE_DAYS, "days"),
        ] {
            if let Some(value) = value {
                faults.whole(&at.field(field), value, bounds, unit);
            }
        }
    }
}

impl StepDto {
    /// Names what is wrong with products, items and care.
    pub(super) fn judge_supplies(&self, at: &At, faults: &mut Faults) {
        if let Some(products) = &self.products {
            let at = at.field("products");
            if faults.count(&at, products.len(), PRODUCTS_MAX, "products") {
                let kind = Some(self.kind.into());
                products.iter().enumerate().for_each(|(i, product)| product.judge(&at.item(i), kind, faults));
            }
        }
        if let Some(items) = &self.items {
            let at = at.field("items");
            if faults.count(&at, items.len(), ITEMS_MAX, "items") {
                items.iter().enumerate().for_each(|(i, item)| item.judge(&at.item(i), faults));
            }
        }
        if let Some(care) = self.care {
            care.judge(&at.field("care"), faults);
        }
    }

    /// Floor of the step in `house`, square feet.
    pub fn sqft_in(&self, house: &HouseDto) -> i64 {
        let named = |name: &str| match &self.areas {
            Some(areas) => areas.iter().any(|area| area.trim() == name.trim()),
            None => true,
        };
        house.areas.iter().filter(|area| named(&area.name)).map(|area| area.area_sqft).sum()
    }

    /// What is applied, product by product, each from itself, or else from the film of the wait after it, or else from
    /// the kind of step; `None` for one that nobody described. Without products the step stands for one.
    fn bases(&self, film: Option<FilmDto>) -> Vec<Option<ProductBase>> {
        let of_film = || film.map(|film| ProductBase::of_film(film.into()));
        let of_kind = || match StepKind::from(self.kind) {
            StepKind::WaterPop => Some(ProductBase::Water),
            StepKind::TreatA | StepKind::TreatB => Some(ProductBase::Treatment),
            StepKind::SetUp
            | StepKind::Sand
            | StepKind::Edge
            | StepKind::Vacuum
            | StepKind::Check
            | StepKind::Stain
            | StepKind::Seal
            | StepKind::Abrade
            | StepKind::Coat
            | StepKind::WalkThrough
            | StepKind::Other => None,
        };
        let products = self.products.as_deref().unwrap_or(&[]);
        let given: Vec<Option<ProductBase>> = products.iter().map(|product| product.base.map(Into::into)).collect();
        let given = if given.is_empty() { vec![None] } else { given };
        given.into_iter().map(|base| base.or_else(of_film).or_else(of_kind)).collect()
    }

    /// What decides when the floor is cured: of several products the slowest; `None` when nobody described one of them.
    pub fn base(&self, film: Option<FilmDto>) -> Option<ProductBase> {
        let bases: Option<Vec<ProductBase>> = self.bases(film).into_iter().collect();
        bases?.into_iter().max_by_key(|base| (full_cure_days(*base), *base))
    }

    /// What to beware of at the step in `house`, all its products together, the gravest first.
    pub fn cautions(&self, film: Option<FilmDto>, house: &HouseDto) -> Vec<Caution> {
        let of = |base| {
            cautions(Facts {
                kind: self.kind.into(),
                base,
                built_year: house.built_year.and_then(|year| i32::try_from(year).ok()),
                resilient_flooring: house.resilient_flooring,
            })
        };
        let all: BTreeSet<Caution> = self.bases(film).into_iter().flat_map(of).collect();
        all.into_iter().collect()
    }

    /// What the step uses and needs at hand in `house` with `people`. `is_first`: material is loaded for a step once, for
    /// its first piece; what is kept comes every time.
    pub fn need(&self, house: &HouseDto, film: Option<FilmDto>, people: i64, is_first: bool) -> StepNeed {
        let (kind, sqft) = (StepKind::from(self.kind), self.sqft_in(house));
        let usual = usual_product(kind);
        let rolling = people.min(self.people_max.unwrap_or(people)).max(1);
        let rate = self.sqft_per_person_hour.map_or(ROLL_SQFT_PER_MINUTE, |rate| (rate * rolling / 60).max(1));
        let low = usual.map_or(*COVER_SQFT_PER_GAL.start(), |usual| usual.cover.low);
        let of_usual = usual.map(|usual| ProductDto::named(usual.name));
        let products = self.products.clone().unwrap_or_else(|| of_usual.into_iter().collect());
        let mut items: Vec<ItemNeed> = match &self.items {
            Some(items) => items.iter().map(|item| item.need(sqft)).collect(),
            None => usual_items(kind).iter().map(|item| of_table(item, sqft, people)).collect(),
        };
        let oily = self.cautions(film, house).contains(&Caution::OilyRags);
        for item in protection(kind).iter().chain(oily.then_some(&FOR_RAGS)) {
            if !items.iter().any(|known| known.name == item.name) {
                items.push(of_table(item, sqft, people));
            }
        }
        let products = products.iter().filter(|_| is_first).map(|product| product.need(sqft, low, rate)).collect();
        items.retain(|item| is_first || item.is_kept);
        StepNeed { products, items }
    }
}

fn of_table(item: &crate::trade::supplies::UsualItem, sqft: i64, people: i64) -> ItemNeed {
    ItemNeed {
        name: item.name.to_owned(),
        used_for: item.used_for,
        count: item.each.count(sqft, people),
        is_kept: item.each.is_kept(),
    }
}

impl ProductDto {
    /// A product of which only the name is known.
    pub fn named(name: &str) -> ProductDto {
        ProductDto {
            name: name.to_owned(),
            base: None,
            cover_sqft_per_gal: None,
            coats: 1,
            waste_percent: WASTE_DEFAULT_PERCENT,
            containers_gal: None,
            mix: None,
        }
    }
}
