//! What work needs: houses to work in, crews and gear to work with, and the travel between places.

use super::calendar::Calendar;
use super::climate::{AirReading, Gridpoint, HouseAir, Normals, OutdoorHour};
use super::ids::{RegionIx, SkillSet};
use super::text::{Key, Name};
use super::time::{Minute, Span};
use super::zone::Zone;

/// A point on the earth in millionths of a degree.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Location {
    /// -90,000,000 to 90,000,000, north positive.
    pub latitude_e6: i32,
    /// -180,000,000 to 180,000,000, east positive.
    pub longitude_e6: i32,
}

/// A [`Location`] on a sphere of radius 1: what distances are counted from, worked out once.
#[derive(Debug, Clone, Copy)]
pub struct SpherePoint([f64; 3]);

impl Location {
    /// The same place on the unit sphere.
    pub fn on_sphere(self) -> SpherePoint {
        let radians = |e6: i32| (f64::from(e6) / 1e6).to_radians();
        let (latitude, longitude) = (radians(self.latitude_e6), radians(self.longitude_e6));
        SpherePoint([latitude.cos() * longitude.cos(), latitude.cos() * longitude.sin(), latitude.sin()])
    }
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
    /// Times nobody may enter it all the same; in any order, they may overlap.
    pub closures: Vec<Span>,
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
    /// Times they are there with fewer people, and how many are there then: at least 1, fewer than the head count. In
    /// any order; where two overlap, the smaller number counts.
    pub short_handed: Vec<(Span, u32)>,
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
    /// Times units are out of use, and how many: at least 1. In any order; where two overlap, their units add up, to all
    /// there are at most. Of gear that must be brought those with the highest numbers are out.
    pub outages: Vec<(Span, u32)>,
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

impl Crew {
    /// How many people there are at `at`, whether or not they work then.
    pub fn people_at(&self, at: Minute) -> u32 {
        let short = self.short_handed.iter().filter(|(span, _)| span.start() <= at && at < span.end());
        short.map(|(_, people)| *people).min().unwrap_or(self.head_count)
    }

    /// `within` cut where the number of people changes: sorted, without gaps, each with how many there are.
    pub fn people_over(&self, within: Span) -> Vec<(Span, u32)> {
        let touching = self.short_handed.iter().filter(|(span, _)| span.overlaps(within));
        let mut out: Vec<(Span, u32)> = Vec::new();
        for part in cut(within, touching.map(|(span, _)| *span)) {
            let people = self.people_at(part.start());
            match out.last_mut() {
                Some(last) if last.1 == people => last.0 = Span::new(last.0.start(), part.end()).unwrap_or(last.0),
                _ => out.push((part, people)),
            }
        }
        out
    }
}

impl Equipment {
    /// How many units are in use or could be at `at`.
    pub fn units_at(&self, at: Minute) -> u32 {
        let broken = self.outages.iter().filter(|(span, _)| span.start() <= at && at < span.end());
        broken.fold(self.units, |left, (_, out)| left.saturating_sub(*out))
    }

    /// `within` cut where the number of units in use changes: sorted, without gaps, each with how many there are.
    pub fn units_over(&self, within: Span) -> Vec<(Span, u32)> {
        let touching = self.outages.iter().filter(|(span, _)| span.overlaps(within));
        cut(within, touching.map(|(span, _)| *span)).map(|part| (part, self.units_at(part.start()))).collect()
    }

    /// The fewest units there are at any minute of `within`.
    pub fn units_throughout(&self, within: Span) -> u32 {
        self.units_over(within).iter().map(|(_, units)| *units).min().unwrap_or(self.units)
    }
}

/// `within` cut at every start and end of `spans`.
fn cut(within: Span, spans: impl Iterator<Item = Span>) -> impl Iterator<Item = Span> {
    let edges = spans.flat_map(|span| [span.start(), span.end()]);
    let inside = edges.filter(|at| within.start() < *at && *at < within.end());
    let mut cuts: Vec<Minute> = inside.chain([within.start(), within.end()]).collect();
    cuts.sort_unstable();
    (1..cuts.len()).filter_map(move |at| Span::new(cuts[at - 1], cuts[at]))
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
    /// Whole minutes between two places, rounded up: great-circle distance (from the chord, mean earth radius 6371.0088 km)
    /// times the detour over the speed, plus the fixed minutes. A place without a location is the fixed minutes away.
    pub fn minutes(&self, a: Option<Location>, b: Option<Location>) -> i64 {
        self.minutes_apart(a.map(Location::on_sphere), b.map(Location::on_sphere))
    }

    /// As [`TravelModel::minutes`], of places that were brought onto the sphere before.
    #[inline]
    pub fn minutes_apart(&self, a: Option<SpherePoint>, b: Option<SpherePoint>) -> i64 {
        let (Some(a), Some(b)) = (a, b) else { return self.fixed_minutes };
        let minutes_a_kilometre = f64::from(self.detour_percent) * 60.0 / (100.0 * f64::from(self.speed_kmh));
        // Rounding up by hand: a call into the mathematical library for each of some million ways takes longer than the rest.
        let minutes = great_circle_km(a, b) * minutes_a_kilometre;
        let whole = minutes as i64;
        self.fixed_minutes + whole + i64::from((whole as f64) < minutes)
    }
}

/// The angle that half the chord is the sine of, twice, on the mean earth.
#[inline]
fn great_circle_km(SpherePoint(a): SpherePoint, SpherePoint(b): SpherePoint) -> f64 {
    const EARTH_RADIUS_KM: f64 = 6371.0088;
    let chord = ((a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2) + (a[2] - b[2]).powi(2)).sqrt();
    2.0 * EARTH_RADIUS_KM * arcsine(chord / 2.0)
}

/// The arcsine; of so little as people drive to work by its series (Abramowitz and Stegun, Handbook of Mathematical Functions,
/// 4.4.40), which leaves out less than what the last digit stands for.
#[inline]
fn arcsine(sine: f64) -> f64 {
    if sine > SERIES_UP_TO {
        return sine.min(1.0).asin();
    }
    let square = sine * sine;
    sine * (1.0 + square * (1.0 / 6.0 + square * (3.0 / 40.0 + square * (5.0 / 112.0))))
}

/// Up to 127 km.
const SERIES_UP_TO: f64 = 0.01;

#[cfg(test)]
mod tests {
    use super::*;

    /// One degree of latitude on a sphere of the mean earth radius is 2 pi R / 360 = 111.195 km (unit identity).
    #[test]
    fn a_degree_north_is_111_km() {
        let at = |lat, lon| Location { latitude_e6: lat, longitude_e6: lon };
        let km = great_circle_km(at(40_000_000, -74_000_000).on_sphere(), at(41_000_000, -74_000_000).on_sphere());
        assert!((km - 111.195).abs() < 0.01, "{km}");
        let model = TravelModel { fixed_minutes: 5, speed_kmh: 60, detour_percent: 100 };
        assert_eq!(model.minutes(Some(at(40_000_000, 0)), Some(at(41_000_000, 0))), 5 + 112);
        assert_eq!(model.minutes(None, Some(at(41_000_000, 0))), 5);
    }

    /// Beside the arcsine of the standard library: to the last digit or the one before.
    #[test]
    fn the_series_is_the_arcsine() {
        for step in 1..=1_000 {
            let sine = SERIES_UP_TO * f64::from(step) / 1_000.0;
            let (found, expected) = (arcsine(sine), sine.asin());
            assert!((found / expected - 1.0).abs() < 4.0 * f64::EPSILON, "{found} for {expected}");
        }
    }

    /// The haversine formula (R. W. Sinnott, Virtues of the Haversine, Sky and Telescope 68, 1984) from across the street to
    /// the other end of the world.
    #[test]
    fn distances_are_those_of_the_haversine_formula() {
        let haversine = |a: Location, b: Location| {
            let radians = |e6: i32| (f64::from(e6) / 1e6).to_radians();
            let (lat_a, lat_b) = (radians(a.latitude_e6), radians(b.latitude_e6));
            let half_lon = (radians(b.longitude_e6) - radians(a.longitude_e6)) / 2.0;
            let h = ((lat_b - lat_a) / 2.0).sin().powi(2) + lat_a.cos() * lat_b.cos() * half_lon.sin().powi(2);
            2.0 * 6371.0088 * h.sqrt().min(1.0).asin()
        };
        let here = Location { latitude_e6: 40_735_700, longitude_e6: -74_172_400 };
        for (north, east) in [
            (100, 0),
            (0, 1_000),
            (25_000, -40_000),
            (1_145_000, 0),
            (1_147_000, 0),
            (-3_000_000, 9_000_000),
            (-74_000_000, 173_000_000),
        ] {
            let there = Location { latitude_e6: here.latitude_e6 + north, longitude_e6: here.longitude_e6 + east };
            let (found, expected) = (great_circle_km(here.on_sphere(), there.on_sphere()), haversine(here, there));
            assert!((found - expected).abs() < 1e-6, "{found} km for {expected}");
        }
    }
}
