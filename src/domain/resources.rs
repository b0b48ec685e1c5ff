//! What work needs: houses to work in, crews and gear to work with, and the travel between places.

use super::calendar::Calendar;
use super::climate::{AirReading, Gridpoint, HouseAir, Normals, OutdoorHour};
use super::ids::{RegionIx, SkillSet};
use super::text::{Key, Name};
use super::time::Span;
use super::zone::Zone;

/// A point on the earth in millionths of a degree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Location {
    /// -90,000,000 to 90,000,000, north positive.
    pub latitude_e6: i32,
    /// -180,000,000 to 180,000,000, east positive.
    pub longitude_e6: i32,
}

/// A part of a house that is worked, walked on and kept off as one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Area {
    /// Unique in the house.
    pub name: Name,
    /// Floor in square feet, at least 1.
    pub area_sqft: u32,
    /// Wood, if known.
    pub species: Option<Name>,
}

/// A place with floors.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct House {
    /// Unique in the company.
    pub key: Key,
    /// For people.
    pub name: Name,
    /// Street and town, as a person would write it.
    pub address: Option<Name>,
    /// Whose wall clock its access hours and calendar days follow.
    pub zone: Zone,
    /// Where; without it travel to it takes the fixed minutes only.
    pub location: Option<Location>,
    /// When somebody may work in it.
    pub access: Calendar,
    /// At least one.
    pub areas: Vec<Area>,
    /// How its air comes about.
    pub air: HouseAir,
    /// Whose forecast holds there; without one, waits are as on the label and gates hold everything back only for a
    /// controlled house whose air is outside them.
    pub region: Option<RegionIx>,
    /// What was measured in it, oldest first, each at another instant; it overrules what is computed. At most
    /// [`AIR_READINGS_MAX`](super::bounds::AIR_READINGS_MAX).
    pub air_readings: Vec<AirReading>,
}

/// People who move together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Crew {
    /// Unique in the company.
    pub key: Key,
    /// For people.
    pub name: Name,
    /// What they can do.
    pub skills: SkillSet,
    /// How many they are, at least 1.
    pub head_count: u32,
    /// Whose wall clock their calendar follows.
    pub zone: Zone,
    /// Working time on site; the way from and to the home base lies outside it.
    pub calendar: Calendar,
    /// Times they are away all the same.
    pub absences: Vec<Span>,
    /// Where their day begins and ends.
    pub home: Option<Location>,
}

/// Countable gear shared by crews.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Equipment {
    /// Unique in the company.
    pub key: Key,
    /// For people.
    pub name: Name,
    /// How many there are; unit numbers count from 0.
    pub units: u32,
    /// `true`: it rides along and is wherever it is needed next. `false`: it must be brought, which takes the travel
    /// time from the house where it was last used.
    pub moves_with_crew: bool,
}

/// Hourly weather of a region, gap-free and sorted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Region {
    /// Unique in the company.
    pub key: Key,
    /// For people.
    pub name: Name,
    /// Where the weather service has its forecast.
    pub gridpoint: Option<Gridpoint>,
    /// Never empty; one entry for each hour from the first to the last.
    pub hours: Vec<OutdoorHour>,
    /// Its usual air, for the days past the last hour; without it the last day is repeated.
    pub normals: Option<Normals>,
}

/// How long it takes to get from place to place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TravelModel {
    /// Door to van and van to door, added once to every way between two different places, minutes.
    pub fixed_minutes: i64,
    /// Average speed on the road, kilometres an hour, at least 1.
    pub speed_kmh: u32,
    /// Road distance over distance as the crow flies, percent, at least 100.
    pub detour_percent: u32,
}

impl Default for TravelModel {
    /// Suburban roads (common practice, no source).
    fn default() -> TravelModel {
        TravelModel { fixed_minutes: 5, speed_kmh: 40, detour_percent: 130 }
    }
}

impl TravelModel {
    /// Whole minutes between two places, rounded up: great-circle distance (haversine, mean earth radius 6371.0088 km)
    /// times the detour over the speed, plus the fixed minutes. A place without a location is the fixed minutes away.
    pub fn minutes(&self, a: Option<Location>, b: Option<Location>) -> i64 {
        let (Some(a), Some(b)) = (a, b) else { return self.fixed_minutes };
        let kilometres = great_circle_km(a, b) * f64::from(self.detour_percent) / 100.0;
        self.fixed_minutes + (kilometres * 60.0 / f64::from(self.speed_kmh)).ceil() as i64
    }
}

fn great_circle_km(a: Location, b: Location) -> f64 {
    const EARTH_RADIUS_KM: f64 = 6371.0088;
    let radians = |e6: i32| (f64::from(e6) / 1e6).to_radians();
    let (lat_a, lat_b) = (radians(a.latitude_e6), radians(b.latitude_e6));
    let half_lat = (lat_b - lat_a) / 2.0;
    let half_lon = (radians(b.longitude_e6) - radians(a.longitude_e6)) / 2.0;
    let h = half_lat.sin().powi(2) + lat_a.cos() * lat_b.cos() * half_lon.sin().powi(2);
    2.0 * EARTH_RADIUS_KM * h.sqrt().min(1.0).asin()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One degree of latitude on a sphere of the mean earth radius is 2 pi R / 360 = 111.195 km (unit identity).
    #[test]
    fn a_degree_north_is_111_km() {
        let at = |lat, lon| Location { latitude_e6: lat, longitude_e6: lon };
        let km = great_circle_km(at(40_000_000, -74_000_000), at(41_000_000, -74_000_000));
        assert!((km - 111.195).abs() < 0.01, "{km}");
        let model = TravelModel { fixed_minutes: 5, speed_kmh: 60, detour_percent: 100 };
        assert_eq!(model.minutes(Some(at(40_000_000, 0)), Some(at(41_000_000, 0))), 5 + 112);
        assert_eq!(model.minutes(None, Some(at(41_000_000, 0))), 5);
    }
}
