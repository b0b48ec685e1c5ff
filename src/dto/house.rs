//! Houses and their areas.

use super::calendar::CalendarDto;
use super::fault::{At, Faults, Located};
use super::names::{Names, Table};
use super::scalar;
use super::spells::{self, ClosureDto};
use crate::domain::bounds::{AIR_READINGS_MAX, AREA_SQFT_MAX, AREAS_PER_HOUSE_MAX};
use crate::domain::climate::{Air, AirReading, HouseAir};
use crate::domain::fault::Fault;
use crate::domain::ids::RegionIx;
use crate::domain::resources::{Area, House, Location, Region};
use crate::domain::time::Minute;
use crate::domain::zone::Zone;
use crate::trade::climate::{AIR_RH_MAX_CENTI_PERCENT, AIR_TEMP_MAX_CENTI_C, AIR_TEMP_MIN_CENTI_C};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Air taken as real, hundredths of a degree Celsius.
pub(crate) const AIR_CENTI_C: std::ops::RangeInclusive<i32> = AIR_TEMP_MIN_CENTI_C..=AIR_TEMP_MAX_CENTI_C;
/// Relative humidity, hundredths of a percent.
pub(crate) const RH_CENTI_PERCENT: std::ops::RangeInclusive<i32> = 0..=AIR_RH_MAX_CENTI_PERCENT;

/// A point on the earth (WGS 84).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LocationDto {
    /// North positive; kept to the millionth.
    #[schema(minimum = -90, maximum = 90, example = 40.7128)]
    pub latitude_deg: f64,
    /// East positive; kept to the millionth.
    #[schema(minimum = -180, maximum = 180, example = -74.006)]
    pub longitude_deg: f64,
}

/// A part of a house that is worked, walked on and kept off as one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AreaDto {
    /// Unique in the house.
    #[schema(example = "Living room", min_length = 1, max_length = 120)]
    pub name: String,
    /// Floor, square feet.
    #[schema(minimum = 1, maximum = 200_000, example = 320)]
    pub area_sqft: i64,
    /// Wood, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "red oak")]
    pub species: Option<String>,
}

/// How the air in a house comes about: `{"controlled": {...}}`, `"closed"` or `{"open": {...}}`.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum HouseAirDto {
    /// Heating and ventilation hold these values.
    Controlled {
        /// Degrees Celsius.
        #[schema(minimum = -60, maximum = 60)]
        temp_c: f64,
        /// Relative humidity.
        #[schema(minimum = 0, maximum = 100)]
        rh_percent: f64,
    },
    /// Shut and unheated: it follows the day's outdoor mean.
    #[default]
    Closed,
    /// Open to outdoor air.
    Open {
        /// Heated to this, degrees Celsius; left out: as cold or warm as outdoors.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(minimum = -60, maximum = 60)]
        heated_to_c: Option<f64>,
    },
}

/// Air measured in a house; it overrules what is computed for the day after it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AirReadingDto {
    /// When.
    #[schema(example = "2026-03-09T07:40:00-04:00", format = DateTime)]
    pub at: String,
    /// Degrees Celsius, kept to the hundredth.
    #[schema(minimum = -60, maximum = 60, example = 17.5)]
    pub temp_c: f64,
    /// Relative humidity, kept to the hundredth.
    #[schema(minimum = 0, maximum = 100, example = 58.0)]
    pub rh_percent: f64,
}

/// A place with floors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HouseDto {
    /// Unique in the company.
    #[schema(example = "linden-4", min_length = 1, max_length = 64, pattern = "^[A-Za-z0-9._-]+$")]
    pub key: String,
    /// For people.
    #[schema(example = "Linden Street 4", min_length = 1, max_length = 120)]
    pub name: String,
    /// Street and town.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// IANA zone of its wall clock; left out: the company's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "America/New_York")]
    pub time_zone: Option<String>,
    /// Where; without it, every way to it takes the fixed minutes of travel only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub location: Option<LocationDto>,
    /// When somebody may work in it.
    pub access: CalendarDto,
    /// Times nobody may enter it all the same.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub closures: Vec<ClosureDto>,
    /// At least one.
    pub areas: Vec<AreaDto>,
    /// How its air comes about; left out: closed.
    #[serde(default)]
    pub air: HouseAirDto,
    /// Key of the region whose forecast holds there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub region: Option<String>,
    /// What was measured in it, in planning files only, in any order, the newest 100: see `/air-readings` of a house.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub air_readings: Vec<AirReadingDto>,
    /// When it was built, if known; decides cautions about lead and asbestos, never the planning.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1600, maximum = 2199, example = 1926)]
    pub built_year: Option<i64>,
    /// Whether a resilient floor (vinyl, asphalt tile, linoleum) or its adhesive is on or under what is sanded, if known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resilient_flooring: Option<bool>,
}

/// Years taken as real.
const BUILT_YEARS: std::ops::RangeInclusive<i64> = 1600..=2199;

impl LocationDto {
    pub(super) fn to_domain(self, at: &At, faults: &mut Faults) -> Option<Location> {
        let (north, east) = (90_000_000, 180_000_000);
        let latitude =
            faults.parts(&at.field("latitude_deg"), self.latitude_deg, 1_000_000, -north..=north, "degrees north");
        let longitude =
            faults.parts(&at.field("longitude_deg"), self.longitude_deg, 1_000_000, -east..=east, "degrees east");
        Some(Location { latitude_e6: latitude?, longitude_e6: longitude? })
    }

    pub(super) fn from_domain(location: Location) -> LocationDto {
        let degrees = |e6: i32| f64::from(e6) / 1e6;
        LocationDto { latitude_deg: degrees(location.latitude_e6), longitude_deg: degrees(location.longitude_e6) }
    }
}

impl AreaDto {
    fn to_domain(&self, at: &At, faults: &mut Faults) -> Option<Area> {
        let name = faults.name(&at.field("name"), &self.name);
        let sqft = faults.whole(&at.field("area_sqft"), self.area_sqft, 1..=i64::from(AREA_SQFT_MAX), "square feet");
        let species = self.species.as_ref().map(|species| faults.name(&at.field("species"), species));
        Some(Area { name: name?, area_sqft: sqft? as u32, species: optional(species)? })
    }
}

/// `None` when it is there and wrong.
pub(super) fn optional<T>(value: Option<Option<T>>) -> Option<Option<T>> {
    match value {
        None => Some(None),
        Some(value) => value.map(Some),
    }
}

impl HouseAirDto {
    pub(crate) fn to_domain(self, at: &At, faults: &mut Faults) -> Option<HouseAir> {
        match self {
            HouseAirDto::Controlled { temp_c, rh_percent } => {
                let at = at.field("controlled");
                let temp = faults.parts(&at.field("temp_c"), temp_c, 100, AIR_CENTI_C, "degrees Celsius");
                let rh = faults.parts(&at.field("rh_percent"), rh_percent, 100, RH_CENTI_PERCENT, "percent");
                Some(HouseAir::Controlled(Air { temp_centi_c: temp?, rh_centi_percent: rh? }))
            }
            HouseAirDto::Closed => Some(HouseAir::Closed),
            HouseAirDto::Open { heated_to_c } => {
                let at = at.field("open");
                let heated_at = at.field("heated_to_c");
                let heated =
                    heated_to_c.map(|temp_c| faults.parts(&heated_at, temp_c, 100, AIR_CENTI_C, "degrees Celsius"));
                Some(HouseAir::Open { heated_to_centi_c: optional(heated)? })
            }
        }
    }

    fn from_domain(air: HouseAir) -> HouseAirDto {
        let whole = |centi: i32| f64::from(centi) / 100.0;
        match air {
            HouseAir::Controlled(air) => {
                HouseAirDto::Controlled { temp_c: whole(air.temp_centi_c), rh_percent: whole(air.rh_centi_percent) }
            }
            HouseAir::Closed => HouseAirDto::Closed,
            HouseAir::Open { heated_to_centi_c } => HouseAirDto::Open { heated_to_c: heated_to_centi_c.map(whole) },
        }
    }
}

impl AirReadingDto {
    /// As the house keeps it, unless something is wrong with it. `now`: readings tell of what was.
    pub fn read(&self, now: Minute) -> Result<AirReading, Vec<Located>> {
        let mut faults = Faults::default();
        let reading = self.to_domain(&At::Root, Some(now), &mut faults);
        reading.ok_or_else(|| faults.into_list())
    }

    fn to_domain(&self, at: &At, now: Option<Minute>, faults: &mut Faults) -> Option<AirReading> {
        let taken = faults.instant(&at.field("at"), &self.at);
        let temp = faults.parts(&at.field("temp_c"), self.temp_c, 100, AIR_CENTI_C, "degrees Celsius");
        let rh = faults.parts(&at.field("rh_percent"), self.rh_percent, 100, RH_CENTI_PERCENT, "percent");
        if let (Some(taken), Some(now)) = (taken, now)
            && taken > now
        {
            let what = format!("a reading of {taken:?} tells of what has not been yet");
            faults.push(&at.field("at"), Fault::new("future-reading", what, "give the instant of the reading"));
            return None;
        }
        Some(AirReading { at: taken?, air: Air { temp_centi_c: temp?, rh_centi_percent: rh? } })
    }

    pub(super) fn from_domain(reading: &AirReading) -> AirReadingDto {
        AirReadingDto {
            at: scalar::local(Zone::UTC, reading.at),
            temp_c: f64::from(reading.air.temp_centi_c) / 100.0,
            rh_percent: f64::from(reading.air.rh_centi_percent) / 100.0,
        }
    }
}

/// Readings of one house, oldest first; none is later than `now`.
pub(crate) fn air_readings(
    readings: &[AirReadingDto],
    at: &At,
    now: Option<Minute>,
    faults: &mut Faults,
) -> Option<Vec<AirReading>> {
    if !faults.count(at, readings.len(), AIR_READINGS_MAX, "readings") {
        return None;
    }
    let each = readings.iter().enumerate();
    let each: Vec<_> = each.map(|(index, reading)| reading.to_domain(&at.item(index), now, faults)).collect();
    let mut readings: Vec<AirReading> = each.into_iter().collect::<Option<_>>()?;
    readings.sort_unstable();
    if let Some(pair) = readings.windows(2).find(|pair| pair[0].at == pair[1].at) {
        let what = format!("two readings are of {:?}", pair[0].at);
        faults.push(at, Fault::new("duplicate-reading", what, "keep one of them"));
        return None;
    }
    Some(readings)
}

impl HouseDto {
    /// Everything wrong with it, as one of the company's houses, that can be told without the other nouns.
    pub fn check(&self) -> Vec<Located> {
        let (mut names, mut faults) = (Names::default(), Faults::default());
        if !self.air_readings.is_empty() {
            let cure = "send each to /air-readings of the house, and leave the list out here";
            let fault = Fault::new("readings-elsewhere", "readings are not part of a house that is kept", cure);
            faults.push(&At::Root.field("air_readings"), fault);
        }
        self.region.iter().for_each(|region| names.regions.add(region));
        self.to_domain(&At::Root, &names, Zone::UTC, None, &mut faults);
        faults.into_list()
    }

    /// `now`: no reading is later.
    pub(super) fn to_domain(
        &self,
        at: &At,
        names: &Names,
        company: Zone,
        now: Option<Minute>,
        faults: &mut Faults,
    ) -> Option<House> {
        let who = format!("house {}", super::fault::shown(&self.key));
        let key = faults.key(&at.field("key"), &self.key);
        let name = faults.name(&at.field("name"), &self.name);
        let address = self.address.as_ref().map(|address| faults.name(&at.field("address"), address));
        let zone = faults.zone_or(&at.field("time_zone"), self.time_zone.as_ref(), company);
        if let Some(year) = self.built_year {
            faults.whole(&at.field("built_year"), year, BUILT_YEARS, "as the year it was built");
        }
        let location_at = at.field("location");
        let location = self.location.map(|location| location.to_domain(&location_at, faults));
        let access = self.access.to_domain(&at.field("access"), &who, "house-never-open", faults);
        let closures = spells::closures(&self.closures, &at.field("closures"), faults);
        let areas = self.areas_to_domain(&at.field("areas"), &who, faults);
        let air = self.air.to_domain(&at.field("air"), faults);
        let region_at = at.field("region");
        let region = self.region.as_ref().map(|region| faults.find(&region_at, &names.regions, region, &who));
        let air_readings = air_readings(&self.air_readings, &at.field("air_readings"), now, faults);
        Some(House {
            key: key?,
            name: name?,
            address: optional(address)?,
            zone: zone?,
            location: optional(location)?,
            access: access?,
            closures: closures?,
            areas: areas?,
            air: air?,
            region: optional(region)?.map(RegionIx::from_index),
            air_readings: air_readings?,
        })
    }

    fn areas_to_domain(&self, at: &At, who: &str, faults: &mut Faults) -> Option<Vec<Area>> {
        if self.areas.is_empty() {
            faults.push(at, Fault::new("no-areas", format!("{who} has no areas"), "give at least one, with its floor"));
        }
        if self.areas.is_empty() || !faults.count(at, self.areas.len(), AREAS_PER_HOUSE_MAX, "areas") {
            return None;
        }
        let mut table = Table::areas();
        let mut areas = Vec::with_capacity(self.areas.len());
        for (index, area) in self.areas.iter().enumerate() {
            let at = at.item(index);
            faults.declare(&at.field("name"), &mut table, area.name.trim());
            areas.push(area.to_domain(&at, faults));
        }
        areas.into_iter().collect()
    }

    pub(super) fn from_domain(house: &House, regions: &[Region]) -> HouseDto {
        HouseDto {
            key: house.key.to_string(),
            name: house.name.to_string(),
            address: house.address.as_ref().map(ToString::to_string),
            time_zone: Some(house.zone.name().to_string()),
            location: house.location.map(LocationDto::from_domain),
            access: CalendarDto::from_domain(&house.access),
            closures: house.closures.iter().map(|span| ClosureDto::from_domain(house.zone, *span)).collect(),
            areas: house
                .areas
                .iter()
                .map(|area| AreaDto {
                    name: area.name.to_string(),
                    area_sqft: i64::from(area.area_sqft),
                    species: area.species.as_ref().map(ToString::to_string),
                })
                .collect(),
            air: HouseAirDto::from_domain(house.air),
            region: house.region.map(|region| regions[region.index()].key.to_string()),
            air_readings: house.air_readings.iter().map(AirReadingDto::from_domain).collect(),
            built_year: None,
            resilient_flooring: None,
        }
    }
}
