//! Which floor goes into which section. A cut inside a room can show as a lap, a doorway cannot (common practice, no
//! source): so the fewest cuts inside rooms come first, then the earliest end, then the fewest sections. Runs of rooms
//! from doorway to doorway become equal sections, as few as fit; the best runs are found by dynamic programming. Equal
//! ones, because waiting for the dwell grows with uneven sections: the time of a section is a convex function of its
//! size.

use super::fit::{Largest, fewest};
use super::hands::Hands;
use super::{Piece, Treatment};

/// States kept at one doorway. Only states that are better for one person and worse for the other stay side by side;
/// they are few, and this keeps odd input from making them many.
const STATES_MAX: usize = 16;

/// A way to treat all rooms before a doorway.
#[derive(Debug, Clone, Copy)]
struct State {
    cuts: i64,
    hands: Hands,
    sections: i64,
    /// The doorway before it, and the state there.
    before: (usize, usize),
}

/// Cuts of one run of rooms: square feet after which a section ends, counted from the start of the floor.
fn ends(from: i64, until: i64, sections: i64) -> impl Iterator<Item = i64> {
    (1..=sections).map(move |number| from + (until - from) * number / sections)
}

/// Ends of the sections, square feet from the start of the floor.
pub(super) fn best(treatment: &Treatment, largest: &Largest) -> Vec<i64> {
    let mut doorways = vec![0];
    for room in &treatment.rooms {
        doorways.push(doorways[doorways.len() - 1] + room.sqft);
    }
    let first = State { cuts: 0, hands: Hands::at(treatment.set_up_seconds), sections: 0, before: (0, 0) };
    let mut states: Vec<Vec<State>> = vec![vec![first]];
    for door in 1..doorways.len() {
        let mut found: Vec<State> = Vec::new();
        for (from, reached) in states.iter().enumerate() {
            let sections = fewest(largest, doorways[door] - doorways[from]);
            let inside = |end: &i64| doorways.binary_search(end).is_err();
            let cuts = ends(doorways[from], doorways[door], sections).filter(inside).count() as i64;
            for (index, state) in reached.iter().enumerate() {
                // No way with more cuts is taken: its rolling need not be counted.
                if found.iter().any(|other| other.cuts < state.cuts + cuts) {
                    continue;
                }
                let mut hands = state.hands;
                let mut begin = doorways[from];
                for end in ends(doorways[from], doorways[door], sections) {
                    hands.roll(treatment, end - begin);
                    begin = end;
                }
                let sections = state.sections + sections;
                found.push(State { cuts: state.cuts + cuts, hands, sections, before: (from, index) });
            }
        }
        states.push(kept(found));
    }
    path(&states, &doorways, largest)
}

/// Fewest cuts; of those, all that no other beats.
fn kept(mut found: Vec<State>) -> Vec<State> {
    found.sort_by_key(|state| (state.cuts, state.hands.b, state.hands.a, state.sections, state.before));
    let mut kept: Vec<State> = Vec::new();
    for state in found {
        let beaten = kept.iter().any(|other| other.hands.a <= state.hands.a || other.cuts < state.cuts);
        if !beaten && kept.len() < STATES_MAX {
            kept.push(state);
        }
    }
    kept
}

/// Back from the state with the earliest end, which is the first.
fn path(states: &[Vec<State>], doorways: &[i64], largest: &Largest) -> Vec<i64> {
    let (mut door, mut index) = (states.len() - 1, 0);
    let mut out = Vec::new();
    while door > 0 {
        let (from, before) = states[door][index].before;
        let sections = fewest(largest, doorways[door] - doorways[from]);
        let run: Vec<i64> = ends(doorways[from], doorways[door], sections).collect();
        out.extend(run.into_iter().rev());
        (door, index) = (from, before);
    }
    out.reverse();
    out
}

/// The parts of rooms from one point of the floor to another.
pub(super) fn pieces(treatment: &Treatment, from: i64, until: i64) -> Vec<Piece> {
    let mut begin = 0;
    let mut out = Vec::new();
    for (room, own) in treatment.rooms.iter().enumerate() {
        let (from_sqft, until_sqft) = ((from - begin).clamp(0, own.sqft), (until - begin).clamp(0, own.sqft));
        if from_sqft < until_sqft {
            out.push(Piece { room, from_sqft, until_sqft });
        }
        begin += own.sqft;
    }
    out
}
