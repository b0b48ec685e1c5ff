//! Load lists on the wire: what each crew takes along on a day, house by house and added up. How a printed one reads is
//! in `load_list_text`; how much of what is `trade::load_list`'s matter.

use super::gate::FilmDto;
use super::house::HouseDto;
use super::placement::GearDto;
use super::scalar::local;
use super::step::{StepDto, StepKindDto};
use super::supplies::ItemUseDto;
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::trade::cautions::Caution;
use crate::trade::load_list::{ItemNeed, Load, ProductNeed, ProductTotal, StepNeed, load, together};
use crate::trade::quantities::wet_film_centi_mils;
use chrono::NaiveDate;
use serde::Serialize;
use utoipa::ToSchema;

/// Something to beware of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct CautionDto {
    /// Stable, for programs.
    #[schema(example = "wood-dust")]
    pub code: String,
    /// A few words.
    pub short: String,
    /// The whole of it, and whose word counts.
    pub text: String,
}

/// A product for one step.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ProductNeedDto {
    /// For people.
    #[schema(example = "waterborne finish")]
    pub name: String,
    /// Square feet per US gallon and coat that were counted with.
    pub cover_sqft_per_gal: i64,
    /// Whether the method or the job gave that; otherwise it is the low end of what is usual, so that nobody runs dry.
    pub cover_given: bool,
    /// Times over the floor.
    pub coats: i64,
    /// Counted on top.
    pub waste_percent: i64,
    /// US gallons, waste included.
    #[schema(example = 1.71)]
    pub gallons: f64,
    /// The same in litres.
    #[schema(example = 6.45)]
    pub litres: f64,
    /// Thickness of one wet coat, thousandths of an inch.
    #[schema(example = 4.01)]
    pub wet_mils: f64,
    /// What is mixed into it, and in how many batches.
    pub mix: Option<MixedDto>,
}

/// A mixed product in its two liquids.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct MixedDto {
    /// Name of what is mixed in.
    pub catalyst: String,
    /// Of the product itself, US gallons.
    pub product_gallons: f64,
    /// Of what is mixed in, US gallons.
    pub catalyst_gallons: f64,
    /// How long a mixture can be used.
    pub pot_life_minutes: i64,
    /// Equal ones, each rolled within the pot life.
    pub batches: i64,
}

/// A thing to bring that is no booked gear.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct ItemNeedDto {
    /// For people.
    #[schema(example = "Roller cover for part A only")]
    pub name: String,
    /// What it is for.
    pub used_for: ItemUseDto,
    /// How many.
    pub count: i64,
    /// Whether it is used again in the next house.
    pub kept: bool,
}

/// Whole containers of one size.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ContainersDto {
    /// Size, US gallons.
    pub size_gal: f64,
    /// How many.
    pub count: i64,
}

/// A product for the whole day.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct ProductTotalDto {
    /// For people.
    pub name: String,
    /// US gallons needed.
    pub gallons: f64,
    /// The same in litres.
    pub litres: f64,
    /// Whole ones: the purchase that leaves the least over, and then the one of the fewest containers.
    pub containers: Vec<ContainersDto>,
    /// What they hold beyond the need, US gallons.
    pub left_over_gallons: f64,
}

/// Everything to load.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct LoadTotalsDto {
    /// Liquids, by first use.
    pub products: Vec<ProductTotalDto>,
    /// Everything else, by use.
    pub items: Vec<ItemNeedDto>,
    /// Units that the plan has booked.
    pub gear: Vec<GearDto>,
}

/// A piece of work of the day and what it needs.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct WorkLoadDto {
    /// Key of the job.
    pub job: String,
    /// Key of the step.
    pub step: String,
    /// For people.
    pub step_name: String,
    /// Kind of work.
    pub kind: StepKindDto,
    /// Floor of the step.
    pub area_sqft: i64,
    /// First minute, local to the house.
    pub start: String,
    /// First minute after.
    pub finish: String,
    /// Which piece of the step, from 1.
    pub piece: i32,
    /// Whether it was begun on an earlier day: its material was loaded then, only what is kept is needed again.
    pub goes_on: bool,
    /// Liquids.
    pub products: Vec<ProductNeedDto>,
    /// Everything else.
    pub items: Vec<ItemNeedDto>,
    /// Units that the plan has booked.
    pub gear: Vec<GearDto>,
}

/// What a house needs on the day.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct HouseLoadDto {
    /// Key of the house.
    pub house: String,
    /// For people.
    pub house_name: String,
    /// Street and town.
    pub address: Option<String>,
    /// By start.
    pub works: Vec<WorkLoadDto>,
    /// What to beware of there, the gravest first.
    pub cautions: Vec<CautionDto>,
}

/// What a crew loads.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct CrewLoadDto {
    /// Key of the crew.
    pub crew: String,
    /// For people.
    pub crew_name: String,
    /// Its people.
    pub head_count: i64,
    /// By first start.
    pub houses: Vec<HouseLoadDto>,
    /// All houses together.
    pub totals: LoadTotalsDto,
}

/// A load list.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct LoadListDto {
    /// The day.
    pub date: NaiveDate,
    /// Whose day: of the crew or the office.
    #[schema(example = "America/New_York")]
    pub time_zone: String,
    /// Those with work, by name.
    pub crews: Vec<CrewLoadDto>,
    /// All crews together; each loads its own containers.
    pub totals: LoadTotalsDto,
}

/// A planned piece of work and what is known around it.
#[derive(Debug, Clone, Copy)]
pub struct LoadWork<'a> {
    /// Key, name and people of the crew.
    pub crew: (&'a str, &'a str, i64),
    /// Where.
    pub house: &'a HouseDto,
    /// The house's wall clock.
    pub house_zone: Zone,
    /// Key of the job.
    pub job: &'a str,
    /// What.
    pub step: &'a StepDto,
    /// What dries after it.
    pub film: Option<FilmDto>,
    /// First minute.
    pub start: Minute,
    /// First minute after.
    pub finish: Minute,
    /// Which piece of the step, from 1.
    pub piece: i32,
    /// Units that the plan has booked.
    pub gear: &'a [GearDto],
}

impl From<Caution> for CautionDto {
    fn from(caution: Caution) -> CautionDto {
        let own = |text: &str| text.to_owned();
        CautionDto { code: own(caution.code()), short: own(caution.short()), text: own(caution.text()) }
    }
}

/// The load list of `date` in `zone`: the works that touch that day, in any order.
pub fn load_list(date: NaiveDate, zone: Zone, works: &[LoadWork<'_>]) -> LoadListDto {
    let mut of_day: Vec<&LoadWork<'_>> = works.iter().filter(|work| work.touches(date, zone)).collect();
    of_day.sort_by_key(|work| (work.crew.1, work.crew.0, work.start, work.finish, work.job, &work.step.key));
    let mut crews = Vec::new();
    let mut loads = Vec::new();
    for own in of_day.chunk_by(|a, b| a.crew.0 == b.crew.0) {
        let needs: Vec<StepNeed> = own.iter().map(|work| work.need(date, zone)).collect();
        let sum = load(&needs);
        let gear = distinct(own.iter().flat_map(|work| work.gear));
        crews.push(CrewLoadDto {
            crew: own[0].crew.0.to_owned(),
            crew_name: own[0].crew.1.to_owned(),
            head_count: own[0].crew.2,
            houses: houses(own, &needs, (date, zone)),
            totals: totals(&sum, gear),
        });
        loads.push(sum);
    }
    let gear = distinct(of_day.iter().flat_map(|work| work.gear));
    let totals = totals(&together(&loads), gear);
    LoadListDto { date, time_zone: zone.name().to_owned(), crews, totals }
}

impl LoadWork<'_> {
    fn touches(&self, date: NaiveDate, zone: Zone) -> bool {
        zone.date(self.start) <= date && date <= zone.date(self.finish.plus(-1))
    }

    fn goes_on(&self, date: NaiveDate, zone: Zone) -> bool {
        self.piece > 1 || zone.date(self.start) < date
    }

    fn need(&self, date: NaiveDate, zone: Zone) -> StepNeed {
        self.step.need(self.house, self.film, self.crew.2, !self.goes_on(date, zone))
    }

    fn dto(&self, need: &StepNeed, goes_on: bool) -> WorkLoadDto {
        WorkLoadDto {
            job: self.job.to_owned(),
            step: self.step.key.clone(),
            step_name: self.step.name.clone(),
            kind: self.step.kind,
            area_sqft: self.step.sqft_in(self.house),
            start: local(self.house_zone, self.start),
            finish: local(self.house_zone, self.finish),
            piece: self.piece,
            goes_on,
            products: need.products.iter().map(ProductNeedDto::from).collect(),
            items: need.items.iter().map(ItemNeedDto::from).collect(),
            gear: self.gear.to_vec(),
        }
    }
}

fn houses(works: &[&LoadWork<'_>], needs: &[StepNeed], (date, zone): (NaiveDate, Zone)) -> Vec<HouseLoadDto> {
    let mut houses: Vec<(HouseLoadDto, Vec<Caution>)> = Vec::new();
    for (work, need) in works.iter().zip(needs) {
        let found = houses.iter().position(|(house, _)| house.house == work.house.key);
        let place = found.unwrap_or_else(|| {
            let house = HouseLoadDto {
                house: work.house.key.clone(),
                house_name: work.house.name.clone(),
                address: work.house.address.clone(),
                works: Vec::new(),
                cautions: Vec::new(),
            };
            houses.push((house, Vec::new()));
            houses.len() - 1
        });
        houses[place].0.works.push(work.dto(need, work.goes_on(date, zone)));
        houses[place].1.extend(work.step.cautions(work.film, work.house));
    }
    let sorted = |(mut house, mut cautions): (HouseLoadDto, Vec<Caution>)| {
        cautions.sort_unstable();
        cautions.dedup();
        house.cautions = cautions.into_iter().map(CautionDto::from).collect();
        house
    };
    houses.into_iter().map(sorted).collect()
}

fn distinct<'a>(gear: impl Iterator<Item = &'a GearDto>) -> Vec<GearDto> {
    let mut gear: Vec<GearDto> = gear.cloned().collect();
    gear.sort_by(|a, b| (&a.equipment, a.unit).cmp(&(&b.equipment, b.unit)));
    gear.dedup();
    gear
}

/// A whole number of hundredths as a decimal number.
pub(crate) fn hundredths(parts: i64) -> f64 {
    parts as f64 / 100.0
}

fn totals(load: &Load, gear: Vec<GearDto>) -> LoadTotalsDto {
    LoadTotalsDto {
        products: load.products.iter().map(ProductTotalDto::from).collect(),
        items: load.items.iter().map(ItemNeedDto::from).collect(),
        gear,
    }
}

impl From<&ProductNeed> for ProductNeedDto {
    fn from(need: &ProductNeed) -> ProductNeedDto {
        let volume = need.volume();
        let mix = need.catalyst.as_ref().zip(need.mixed()).map(|(catalyst, mixed)| MixedDto {
            catalyst: catalyst.name.clone(),
            product_gallons: hundredths(mixed.product.centigallons()),
            catalyst_gallons: hundredths(mixed.catalyst.centigallons()),
            pot_life_minutes: catalyst.mix.pot_life_minutes,
            batches: mixed.batches,
        });
        ProductNeedDto {
            name: need.name.clone(),
            cover_sqft_per_gal: need.cover_sqft_per_gal,
            cover_given: need.is_given,
            coats: need.coats,
            waste_percent: need.waste_percent,
            gallons: hundredths(volume.centigallons()),
            litres: litres(volume.millilitres()),
            wet_mils: hundredths(wet_film_centi_mils(need.cover_sqft_per_gal).unwrap_or_default()),
            mix,
        }
    }
}

/// To the hundredth.
fn litres(millilitres: i64) -> f64 {
    hundredths((millilitres + 5) / 10)
}

impl From<&ItemNeed> for ItemNeedDto {
    fn from(need: &ItemNeed) -> ItemNeedDto {
        let ItemNeed { name, used_for, count, is_kept } = need;
        ItemNeedDto { name: name.clone(), used_for: (*used_for).into(), count: *count, kept: *is_kept }
    }
}

impl From<&ProductTotal> for ProductTotalDto {
    fn from(total: &ProductTotal) -> ProductTotalDto {
        let size = |(size, count): &(i64, i64)| ContainersDto { size_gal: *size as f64 / 1_000.0, count: *count };
        let left_over = total.containers.milligallons() / 10 - total.volume.centigallons();
        ProductTotalDto {
            name: total.name.clone(),
            gallons: hundredths(total.volume.centigallons()),
            litres: litres(total.volume.millilitres()),
            containers: total.containers.counts.iter().map(size).collect(),
            left_over_gallons: hundredths(left_over.max(0)),
        }
    }
}
