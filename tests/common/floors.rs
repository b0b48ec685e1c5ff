//! Simulated floors that dry and are read with a noisy meter, and how well their passing is predicted. The same seed gives
//! the same floors. What is drawn here is not what `trade::approach` believes beforehand: drying times come from other
//! shapes and ranges, and some worlds break its assumptions on purpose.

#![allow(clippy::unwrap_used, reason = "every area is read at least once")]
#![allow(dead_code, reason = "a test and an example use some of it")]

use rand_core::{RngCore, SeedableRng};
use rand_pcg::Pcg64Mcg;
use tackfree::domain::time::Minute;
use tackfree::trade::approach::{AreaRound, Prediction, Round, predict};

/// How floors are drawn.
#[derive(Debug, Clone, Copy)]
pub struct World {
    pub name: &'static str,
    /// Drying time, hours: log-uniform between these.
    pub tau_hours: (f64, f64),
    /// Spread of single readings, points: uniform between these.
    pub noise_points: (f64, f64),
    /// Each area's own drying time differs by up to this factor either way.
    pub tau_factor: f64,
    /// Standard deviation of what an area stays off for good, points.
    pub stays_points: f64,
}

const PLAIN: World =
    World { name: "", tau_hours: (6.0, 48.0), noise_points: (0.3, 0.5), tau_factor: 1.0, stays_points: 0.0 };

/// The first is the one that is promised; the next two shift its drying times; the rest break the model.
pub const WORLDS: [World; 6] = [
    World { name: "tau 6-48 h", ..PLAIN },
    World { name: "tau 3-12 h", tau_hours: (3.0, 12.0), ..PLAIN },
    World { name: "tau 36-120 h", tau_hours: (36.0, 120.0), ..PLAIN },
    World { name: "noise 0.6-1.0 points", noise_points: (0.6, 1.0), ..PLAIN },
    World { name: "tau differs by area, up to x1.5", tau_factor: 1.5, ..PLAIN },
    World { name: "areas stay 0.2 points off", stays_points: 0.2, ..PLAIN },
];

struct Draw(Pcg64Mcg);

impl Draw {
    fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, (least, most): (f64, f64)) -> f64 {
        least + (most - least) * self.unit()
    }

    fn whole(&mut self, least: u64, most: u64) -> u64 {
        least + self.0.next_u64() % (most - least + 1)
    }

    /// Box and Muller.
    fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// A floor's truth, minutes and points from the first round on.
struct Floor {
    sqft: Vec<u32>,
    first: Vec<f64>,
    stays: Vec<f64>,
    tau: Vec<f64>,
}

impl Floor {
    fn draw(draw: &mut Draw, world: &World) -> Floor {
        let count = draw.whole(2, 8) as usize;
        let (low, high) = world.tau_hours;
        let tau = draw.between((low.ln(), high.ln())).exp() * 60.0;
        let wet = draw.whole(1, 2) as usize;
        let mut floor = Floor { sqft: vec![], first: vec![], stays: vec![], tau: vec![] };
        for index in 0..count {
            floor.sqft.push(draw.whole(40, 400) as u32);
            let excess = if index < wet { draw.between((1.5, 6.0)) } else { 0.3 * draw.normal() };
            floor.first.push(9.0 + excess);
            floor.stays.push(world.stays_points * draw.normal());
            floor.tau.push(tau * (draw.between((-1.0, 1.0)) * world.tau_factor.ln()).exp());
        }
        floor
    }

    fn means(&self, minutes: f64) -> Vec<f64> {
        let mean =
            |i: usize| 9.0 + self.stays[i] + (self.first[i] - 9.0 - self.stays[i]) * (-minutes / self.tau[i]).exp();
        (0..self.sqft.len()).map(mean).collect()
    }

    fn worst(&self, means: &[f64]) -> f64 {
        let sqft: f64 = self.sqft.iter().map(|sqft| f64::from(*sqft)).sum();
        let floor = means.iter().zip(&self.sqft).map(|(mean, sqft)| mean * f64::from(*sqft)).sum::<f64>() / sqft;
        means.iter().map(|mean| (mean - floor).abs()).fold(0.0, f64::max)
    }

    /// The first minute of the first sixty days at which every area is truly inside.
    fn passes(&self) -> Option<f64> {
        let inside = |minutes: f64| self.worst(&self.means(minutes)) <= 1.0;
        let mut late = (0..=8_640).map(|ten| f64::from(ten) * 10.0).find(|minutes| inside(*minutes))?;
        let mut early = (late - 10.0).max(0.0);
        while late - early > 0.5 {
            let middle = (early + late) / 2.0;
            if inside(middle) { late = middle } else { early = middle }
        }
        Some(late)
    }

    fn read(&self, draw: &mut Draw, at: f64, noise: f64) -> Round {
        let area = |(mean, sqft): (f64, &u32)| {
            let count = tackfree::trade::meter::needed(*sqft, 40);
            // Meters show tenths.
            let readings: Vec<i32> =
                (0..count).map(|_| ((mean + noise * draw.normal()) * 10.0).round() as i32 * 10).collect();
            AreaRound::of_readings(&readings).unwrap()
        };
        let areas = self.means(at).into_iter().zip(&self.sqft).map(area).collect();
        Round { at: Minute(at as i64), areas }
    }
}

/// How predictions fared.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    pub floors: usize,
    /// Whose interval held the true minute.
    pub held: usize,
    pub too_early: usize,
    pub too_late: usize,
    /// Without an upper end, or without any sign of drying.
    pub open_ended: usize,
    pub no_sign: usize,
    /// Hours, of those with two ends.
    pub widths: Vec<f64>,
    /// Predicted less true, hours, of those with a median.
    pub off: Vec<f64>,
}

fn middle(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

impl Figures {
    pub fn held_percent(&self) -> f64 {
        100.0 * self.held as f64 / self.floors as f64
    }

    pub fn told(&self, name: &str) -> String {
        let mean_off = self.off.iter().sum::<f64>() / self.off.len() as f64;
        let share = |count: usize| 100.0 * count as f64 / self.floors as f64;
        format!(
            "{name}: {} floors, interval holds the true time in {:.1} % (true earlier {:.1} %, later {:.1} %), \
             open-ended {:.1} %, no sign {:.1} %, median width {:.1} h, median off by {:+.1} h (mean {:+.1} h)",
            self.floors,
            self.held_percent(),
            share(self.too_early),
            share(self.too_late),
            share(self.open_ended),
            share(self.no_sign),
            middle(&self.widths),
            middle(&self.off),
            mean_off
        )
    }

    fn add(&mut self, truth: Option<f64>, prediction: Prediction) {
        let (early, late) = match prediction {
            Prediction::TooLittle => return,
            Prediction::NoSign { .. } => {
                self.no_sign += 1;
                // All that is said is "not before sixty days", give or take.
                (f64::INFINITY, f64::INFINITY)
            }
            Prediction::Passes { early, median, late, .. } => {
                self.off.extend(truth.map(|truth| (median.0 as f64 - truth) / 60.0));
                match late {
                    Some(late) => self.widths.push(late.since(early) as f64 / 60.0),
                    None => self.open_ended += 1,
                }
                (early.0 as f64, late.map_or(f64::INFINITY, |late| late.0 as f64))
            }
        };
        self.floors += 1;
        let truth = truth.unwrap_or(f64::INFINITY);
        // To the minute.
        if truth < early - 1.0 {
            self.too_early += 1;
        } else if truth > late + 1.0 {
            self.too_late += 1;
        } else {
            self.held += 1;
        }
    }
}

/// Draws floors until `wanted` of them have failed as many rounds, two to four, as each was to be read for. What happens
/// after the last of these rounds is not looked at.
pub fn simulate(world: &World, seed: u64, wanted: usize) -> Figures {
    let mut draw = Draw(Pcg64Mcg::seed_from_u64(seed));
    let mut figures = Figures::default();
    while figures.floors < wanted {
        let floor = Floor::draw(&mut draw, world);
        let noise = draw.between(world.noise_points);
        let rounds_wanted = draw.whole(2, 4) as usize;
        let (mut at, mut rounds) = (0.0, Vec::new());
        while rounds.len() < rounds_wanted {
            let round = floor.read(&mut draw, at, noise);
            let means: Vec<f64> = round.areas.iter().map(|area| area.mean_percent).collect();
            if floor.worst(&means) <= 1.0 {
                break;
            }
            rounds.push(round);
            at += draw.between((8.0, 24.0)) * 60.0;
            at = at.floor();
        }
        if rounds.len() == rounds_wanted {
            figures.add(floor.passes(), predict(&floor.sqft, &rounds, 1.0));
        }
    }
    figures
}
