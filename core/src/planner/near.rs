//! Which crews are asked first for a house: those that live nearest. Where a company has so many crews that asking all of them
//! for every step would take too long, the others are not asked at all. Crews without a home base are taken to be spread over the
//! houses.

use super::model::Model;
use super::spans::{NEVER, T};
use crate::domain::ids::{JobIx, SkillSet};
use crate::domain::resources::SpherePoint;
use crate::domain::situation::Situation;
use std::collections::BTreeSet;

/// So many ways to do a step, those of the nearest crews, are looked at first while plans are coarse; so few crews are asked in
/// the order in which they are listed.
const WAYS_FIRST: u32 = 8;
/// With so many crews all are asked.
const CREWS_FOR_ALL: usize = 48;
/// So many able crews are asked for a step otherwise, and whoever was there or is promised.
pub const CREWS_ASKED: usize = 20;

/// A crew's place in the order: minutes on the road, how far apart the houses are in their list, and its number in the lowest
/// bits.
const CREW_MASK: u64 = 0xffff;

/// For which jobs only the nearest crews are asked.
#[derive(Debug, Clone, Copy)]
pub enum Asked<'a> {
    /// For all jobs, in a company of many crews.
    Nearest,
    /// As [`Asked::Nearest`], but for these, for which the nearest were not enough.
    NearestBut(&'a BTreeSet<JobIx>),
    /// For none.
    All,
}

/// The crews that are asked for one job's steps.
pub struct Nearest {
    /// All crews; the first so many are sorted, the nearest first, and nearer than the others.
    order: Vec<u64>,
    sorted: usize,
    /// How many able ones are asked.
    most: usize,
    /// Who was there, or is promised; sorted.
    known: Vec<u32>,
    /// Who is asked for what needs certain skills, once somebody wanted to know.
    told: Vec<(SkillSet, Vec<u32>)>,
}

impl Nearest {
    /// Of the crews that have `skills`, those that are asked, the nearest first.
    pub fn able(&mut self, situation: &Situation, skills: SkillSet) -> &[u32] {
        let told = self.told.iter().position(|(known, _)| *known == skills);
        let told = told.unwrap_or_else(|| {
            let able = |crew: u32| situation.crews[crew as usize].skills.covers(skills);
            self.told.push((skills, self.find(able)));
            self.told.len() - 1
        });
        &self.told[told].1
    }

    fn find(&self, able: impl Fn(u32) -> bool) -> Vec<u32> {
        let crew = |place: &u64| (place & CREW_MASK) as u32;
        let (near, far) = self.order.split_at(self.sorted);
        let mut asked: Vec<u32> = near.iter().map(crew).filter(|crew| able(*crew)).take(self.most).collect();
        if asked.len() < self.most {
            let mut others: Vec<u64> = far.iter().copied().filter(|place| able(crew(place))).collect();
            others.sort_unstable();
            asked.extend(others.iter().map(crew).take(self.most - asked.len()));
        }
        for &known in self.known.iter().filter(|known| able(**known)) {
            if !asked.contains(&known) {
                asked.push(known);
            }
        }
        asked
    }

    /// Whether others are not asked.
    pub fn leaves_out(&self) -> bool {
        self.most < self.order.len()
    }
}

/// How many ways to do a step are looked at first while a plan is coarse, with so many crews; 0: all.
pub fn ways_first(crews: usize) -> u32 {
    if crews > WAYS_FIRST as usize { WAYS_FIRST } else { 0 }
}

/// Whether a company has so many crews that not all are asked.
pub fn asks_few(situation: &Situation) -> bool {
    situation.crews.len() > CREWS_FOR_ALL
}

/// Where crews are at home.
pub struct Homes {
    /// By crew: the house that one without a home base is taken to live at.
    stand_in: Vec<usize>,
    houses: Vec<Option<SpherePoint>>,
}

impl Homes {
    /// `None` where all crews are asked in the order in which they are listed.
    pub fn of(situation: &Situation, asked: Asked<'_>) -> Option<Homes> {
        if matches!(asked, Asked::All) || situation.crews.len() <= WAYS_FIRST as usize {
            return None;
        }
        let mut houses: Vec<usize> = (0..situation.houses.len()).collect();
        houses.sort_by_cached_key(|house| {
            situation.houses[*house].location.map_or(u64::MAX, |at| along_curve(at.latitude_e6, at.longitude_e6))
        });
        let crews = situation.crews.len();
        let stand_in = (0..crews).map(|crew| houses.get(crew * houses.len() / crews).copied().unwrap_or(0)).collect();
        Some(Homes { stand_in, houses: situation.houses_on_sphere() })
    }

    /// Whom to ask for a job.
    pub fn nearest(&self, situation: &Situation, model: &Model, job: JobIx, asked: Asked<'_>) -> Nearest {
        let everybody = matches!(asked, Asked::NearestBut(others) if others.contains(&job)) || !asks_few(situation);
        let content = &situation.jobs[job.index()];
        let house = content.house.index();
        let way = |crew: usize| {
            if situation.crews[crew].home.is_some() {
                return model.home_way(house as u32, crew as u32);
            }
            let home = self.houses[self.stand_in[crew]];
            situation.settings.travel.minutes_apart(home, self.houses[house]).clamp(0, i64::from(NEVER)) as T
        };
        let place = |crew: usize| {
            let apart = self.stand_in[crew].abs_diff(house) as u64;
            (way(crew).max(0) as u64) << 32 | apart << 16 | crew as u64
        };
        let mut order: Vec<u64> = (0..model.crews.len()).map(place).collect();
        let most = if everybody { order.len() } else { CREWS_ASKED };
        let sorted = order.len().min(4 * most);
        order.select_nth_unstable(sorted - 1);
        order[..sorted].sort_unstable();
        let attempts = content.chain.steps().iter().flat_map(|step| &step.attempts).map(|attempt| attempt.crew.0);
        let first = situation.published.partition_point(|promise| promise.step.job < job);
        let promised = situation.published[first..].iter().take_while(|promise| promise.step.job == job);
        let mut known: Vec<u32> = attempts.chain(promised.map(|promise| promise.crew.0)).collect();
        known.sort_unstable();
        known.dedup();
        Nearest { order, sorted, most, known, told: Vec::new() }
    }
}

/// Where a place lies on a curve through all of them that mostly stays near (Morton's order: the bits of both interleaved).
fn along_curve(latitude_e6: i32, longitude_e6: i32) -> u64 {
    let spread = |coordinate: i32| {
        let shifted = u64::from((i64::from(coordinate) + (1 << 31)) as u32);
        (0..32).fold(0u64, |bits, bit| bits | ((shifted >> bit & 1) << (2 * bit)))
    };
    spread(latitude_e6) << 1 | spread(longitude_e6)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_close_together_are_mostly_close_on_the_curve() {
        let near = [along_curve(40_000_000, -74_000_000), along_curve(40_000_100, -74_000_100)];
        let far = along_curve(-33_000_000, 151_000_000);
        assert!(near[0].abs_diff(near[1]) < near[0].abs_diff(far));
    }
}
