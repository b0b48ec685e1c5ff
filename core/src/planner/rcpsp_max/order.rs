//! Which activity to decide next: those that clashed lately first (variable state independent decaying sum, from the
//! SAT solver Chaff; Moskewicz et al., DAC 2001), kept in a heap.

/// By so much a clash counts more than the one before.
const GROWTH: f64 = 1.0 / 0.95;
/// All scores are made small again when one gets this large.
const SCORE_MAX: f64 = 1e100;

/// A heap of activities with their scores.
pub struct Order {
    scores: Vec<f64>,
    step: f64,
    heap: Vec<u32>,
    /// Where each activity is in the heap.
    at: Vec<u32>,
}

/// Not in the heap.
const OUT: u32 = u32::MAX;

impl Order {
    /// Of so many activities, all in the heap.
    pub fn new(activities: usize) -> Order {
        let all: Vec<u32> = (0..activities as u32).collect();
        Order { scores: vec![0.0; activities], step: 1.0, heap: all.clone(), at: all }
    }

    /// The activity took part in a clash.
    pub fn bump(&mut self, activity: u32) {
        let Some(score) = self.scores.get_mut(activity as usize) else { return };
        *score += self.step;
        if *score > SCORE_MAX {
            self.scores.iter_mut().for_each(|score| *score /= SCORE_MAX);
            self.step /= SCORE_MAX;
        }
        if self.at[activity as usize] != OUT {
            self.rise(self.at[activity as usize] as usize);
        }
    }

    /// Clashes so far count less.
    pub fn decay(&mut self) {
        self.step *= GROWTH;
    }

    /// Puts an activity in, if it is out.
    pub fn put(&mut self, activity: u32) {
        if self.at.get(activity as usize) == Some(&OUT) {
            self.at[activity as usize] = self.heap.len() as u32;
            self.heap.push(activity);
            self.rise(self.heap.len() - 1);
        }
    }

    /// Takes the one with the highest score.
    pub fn take(&mut self) -> Option<u32> {
        let last = self.heap.pop()?;
        let Some(&first) = self.heap.first() else {
            self.at[last as usize] = OUT;
            return Some(last);
        };
        self.at[first as usize] = OUT;
        self.set(0, last);
        self.sink(0);
        Some(first)
    }

    fn set(&mut self, at: usize, activity: u32) {
        self.heap[at] = activity;
        self.at[activity as usize] = at as u32;
    }

    fn above(&self, a: u32, b: u32) -> bool {
        self.scores[a as usize] > self.scores[b as usize]
    }

    fn rise(&mut self, mut at: usize) {
        let activity = self.heap[at];
        while at > 0 && self.above(activity, self.heap[(at - 1) / 2]) {
            self.set(at, self.heap[(at - 1) / 2]);
            at = (at - 1) / 2;
        }
        self.set(at, activity);
    }

    fn sink(&mut self, mut at: usize) {
        let activity = self.heap[at];
        loop {
            let mut child = 2 * at + 1;
            if child + 1 < self.heap.len() && self.above(self.heap[child + 1], self.heap[child]) {
                child += 1;
            }
            if child >= self.heap.len() || !self.above(self.heap[child], activity) {
                break;
            }
            self.set(at, self.heap[child]);
            at = child;
        }
        self.set(at, activity);
    }
}
