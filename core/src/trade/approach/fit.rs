//! Least squares for one drying time: how well it explains the rounds, and what the areas' differences were at the first.
//!
//! Round r, area i: y_ri = c_r + g_r a_i + noise, g_r = exp(-(t_r - t_1) / tau). Levels c_r and differences a_i have flat
//! priors, so both are integrated out in closed form. The levels and the a_i can be shifted against each other; c_1 = 0
//! takes that freedom away at the same price for every tau, because g_1 = 1. The differences from the floor's mean,
//! d_i = a_i - sum w_j a_j, do not depend on it.

use super::Round;

/// Spread of single readings about their area's mean, points, and with how many readings' weight that is believed before
/// any is taken: board to board and the meter's own repeatability (our assumption, no source).
const SPREAD_POINTS: f64 = 0.4;
/// See [`SPREAD_POINTS`].
const SPREAD_WEIGHT: f64 = 4.0;
/// What keeps means of many readings from being believed too well, points: other boards and another hand each round (our
/// assumption, no source).
const ROUND_POINTS: f64 = 0.05;

/// Rounds by area, as least squares wants them.
pub(super) struct Data {
    minutes: Vec<f64>,
    weights: Vec<f64>,
    /// Means less the round's floor mean, by round and area.
    off: Vec<Vec<f64>>,
    /// One over the variance of each, likewise.
    precision: Vec<Vec<f64>>,
}

/// One drying time's explanation.
pub(super) struct Fit {
    /// Up to a constant.
    pub(super) log_evidence: f64,
    /// Means and standard deviations of the differences at the first round.
    differences: Vec<(f64, f64)>,
    lead: Option<usize>,
}

impl Fit {
    /// The differences that must come inside. Of two areas' differences each tells the other: only the larger counts.
    pub(super) fn leading(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let of_two = |(index, _): &(usize, &(f64, f64))| self.lead.is_none_or(|lead| lead == *index);
        self.differences.iter().enumerate().filter(of_two).map(|(_, difference)| *difference)
    }
}

impl Data {
    /// Of at least two rounds, each with all areas.
    pub(super) fn new(areas_sqft: &[u32], rounds: &[&Round]) -> Data {
        let sqft: f64 = areas_sqft.iter().map(|sqft| f64::from(*sqft)).sum();
        let weights: Vec<f64> = areas_sqft.iter().map(|area| f64::from(*area) / sqft).collect();
        let all = || rounds.iter().flat_map(|round| &round.areas);
        let squares: f64 = all().map(|area| area.sum_squares).sum();
        let free: f64 = all().filter(|area| area.sum_squares > 0.0).map(|area| (area.count - 1) as f64).sum();
        let variance = (SPREAD_WEIGHT * SPREAD_POINTS.powi(2) + squares) / (SPREAD_WEIGHT + free);
        let off = |round: &&Round| {
            let floor: f64 = round.areas.iter().zip(&weights).map(|(area, weight)| area.mean_percent * weight).sum();
            round.areas.iter().map(|area| area.mean_percent - floor).collect()
        };
        let precision = |round: &&Round| {
            let one = |count: usize| 1.0 / (variance / count as f64 + ROUND_POINTS.powi(2));
            round.areas.iter().map(|area| one(area.count)).collect()
        };
        let first = rounds.first().map_or_else(Default::default, |round| round.at);
        Data {
            minutes: rounds.iter().map(|round| round.at.since(first) as f64).collect(),
            off: rounds.iter().map(off).collect(),
            precision: rounds.iter().map(precision).collect(),
            weights,
        }
    }

    /// `None` where the numbers leave no sense in floating point.
    pub(super) fn fit(&self, tau_minutes: f64) -> Option<Fit> {
        let (rounds, areas) = (self.minutes.len(), self.weights.len());
        let g: Vec<f64> = self.minutes.iter().map(|minutes| (-minutes / tau_minutes).exp()).collect();
        let sum = |of: &dyn Fn(usize) -> f64| (0..rounds).map(of).sum::<f64>();
        // What all rounds together say of each area.
        let held: Vec<f64> = (0..areas).map(|i| sum(&|r| self.precision[r][i] * g[r] * g[r])).collect();
        let share = |r: usize, i: usize| self.precision[r][i] * g[r] / held[i];
        let alone: Vec<f64> = (0..areas).map(|i| sum(&|r| share(r, i) * self.off[r][i])).collect();

        // Normal equations of the levels after the first round, the differences integrated out.
        let levels = rounds - 1;
        let (mut matrix, mut right, mut squares) = (vec![vec![0.0; levels]; levels], vec![0.0; levels], 0.0);
        for (i, own) in alone.iter().enumerate() {
            for r in 0..rounds {
                let rest = self.precision[r][i] * (self.off[r][i] - g[r] * own);
                squares += rest * self.off[r][i];
                if r == 0 {
                    continue;
                }
                right[r - 1] += rest;
                matrix[r - 1][r - 1] += self.precision[r][i];
                for s in 1..rounds {
                    matrix[r - 1][s - 1] -= self.precision[r][i] * g[r] * share(s, i);
                }
            }
        }
        let root = cholesky(matrix)?;
        let half = forward(&root, &right);
        let level = backward(&root, &half);
        let log_root: f64 = (0..levels).map(|r| root[r][r].ln()).sum();
        let log_held: f64 = held.iter().map(|held| held.ln()).sum();
        let explained: f64 = half.iter().map(|value| value * value).sum();
        let log_evidence = -0.5 * log_held - log_root - 0.5 * (squares - explained);

        let at_first: Vec<f64> =
            (0..areas).map(|i| alone[i] - (1..rounds).map(|r| share(r, i) * level[r - 1]).sum::<f64>()).collect();
        let floor = |of: &dyn Fn(usize) -> f64| (0..areas).map(|j| self.weights[j] * of(j)).sum::<f64>();
        let middle = floor(&|j| at_first[j]);
        let others = floor(&|j| self.weights[j] / held[j]);
        let shares: Vec<f64> = (1..rounds).map(|r| floor(&|j| share(r, j))).collect();
        let difference = |i: usize| {
            let with_level: Vec<f64> = (1..rounds).map(|r| share(r, i) - shares[r - 1]).collect();
            let of_levels: f64 = forward(&root, &with_level).iter().map(|value| value * value).sum();
            let variance = (1.0 - 2.0 * self.weights[i]) / held[i] + others + of_levels;
            (at_first[i] - middle, variance.max(f64::MIN_POSITIVE).sqrt())
        };
        let differences: Vec<(f64, f64)> = (0..areas).map(difference).collect();
        let lead = (areas == 2).then(|| usize::from(self.weights[1] < self.weights[0]));
        log_evidence.is_finite().then_some(Fit { log_evidence, differences, lead })
    }
}

/// Lower triangle whose square is the matrix; `None` unless it is positive definite.
fn cholesky(mut matrix: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    for column in 0..matrix.len() {
        for row in column..matrix.len() {
            let known: f64 = (0..column).map(|k| matrix[row][k] * matrix[column][k]).sum();
            let rest = matrix[row][column] - known;
            matrix[row][column] = if row > column {
                rest / matrix[column][column]
            } else if rest > 0.0 {
                rest.sqrt()
            } else {
                return None;
            };
        }
    }
    Some(matrix)
}

fn forward(root: &[Vec<f64>], right: &[f64]) -> Vec<f64> {
    let mut solved: Vec<f64> = Vec::with_capacity(right.len());
    for (row, value) in right.iter().enumerate() {
        let known: f64 = solved.iter().enumerate().map(|(k, x)| root[row][k] * x).sum();
        solved.push((value - known) / root[row][row]);
    }
    solved
}

fn backward(root: &[Vec<f64>], right: &[f64]) -> Vec<f64> {
    let mut solved = right.to_vec();
    for row in (0..right.len()).rev() {
        let known: f64 = (row + 1..right.len()).map(|k| root[k][row] * solved[k]).sum();
        solved[row] = (right[row] - known) / root[row][row];
    }
    solved
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::time::Minute;
    use crate::trade::approach::AreaRound;

    fn round(at: i64, areas: &[(f64, usize)]) -> Round {
        let area = |(mean_percent, count): &(f64, usize)| AreaRound {
            mean_percent: *mean_percent,
            count: *count,
            sum_squares: 0.0,
        };
        Round { at: Minute(at), areas: areas.iter().map(area).collect() }
    }

    /// The same evidence by adding up the likelihood over a box of levels and differences: how much better one drying
    /// time explains the rounds than another must agree.
    #[test]
    fn evidence_is_the_integral_of_the_likelihood() {
        let rounds = [round(0, &[(10.0, 3), (8.0, 5)]), round(700, &[(9.3, 4), (8.3, 2)])];
        let data = Data::new(&[120, 200], &[&rounds[0], &rounds[1]]);
        let added = |tau: f64| -> f64 {
            let g = (-700.0 / tau).exp();
            let steps = |half: f64| (-40..=40).map(move |step| f64::from(step) * half / 40.0);
            let mut sum = 0.0;
            for a in steps(9.0) {
                for b in steps(9.0) {
                    for c in steps(9.0) {
                        let off =
                            |r: usize, i: usize, mean: f64| data.precision[r][i] * (data.off[r][i] - mean).powi(2);
                        let (one, two) = (off(0, 0, a) + off(0, 1, b), off(1, 0, c + g * a) + off(1, 1, c + g * b));
                        sum += (-0.5 * (one + two)).exp();
                    }
                }
            }
            sum.ln()
        };
        let fitted = |tau: f64| data.fit(tau).unwrap().log_evidence;
        for tau in [300.0, 900.0, 20_000.0] {
            let (expected, got) = (added(tau) - added(2_000.0), fitted(tau) - fitted(2_000.0));
            assert!((expected - got).abs() < 0.02, "tau {tau}: {expected} added up, {got} in closed form");
        }
    }

    #[test]
    fn of_two_areas_the_smaller_tells_both() {
        let rounds = [round(0, &[(12.0, 3), (8.0, 9)]), round(700, &[(11.0, 3), (8.0, 9)])];
        let fit = |sqft: &[u32]| Data::new(sqft, &[&rounds[0], &rounds[1]]).fit(1e9).unwrap();
        let leading = |sqft: &[u32]| fit(sqft).leading().map(|(mean, _)| mean).collect::<Vec<_>>();
        let small_first = leading(&[100, 300]);
        assert!(small_first.len() == 1 && (small_first[0] - 2.6).abs() < 0.2, "{small_first:?}");
        let small_last = leading(&[300, 100]);
        assert!(small_last.len() == 1 && (small_last[0] + 2.6).abs() < 0.2, "{small_last:?}");
    }
}
