//! Cycle structures: activities that maximum lags tie to each other both ways. Between them there are only minimum lags, so
//! that plans of the structures, each on its own, put one after the other are a plan of all, and where a structure has no
//! plan nothing has (Neumann and Zhan, "Heuristics for the minimum project-duration problem with minimal and maximal time
//! lags under fixed resource constraints", Journal of Intelligent Manufacturing 6, 1995).

use super::super::spans::T;
use super::super::timeline::Profile;
use super::Problem;

/// The cycle structures, each sorted, in an order that the lags between them allow.
pub fn structures(problem: &Problem) -> Vec<Vec<u32>> {
    let count = problem.durations.len();
    let mut after = vec![Vec::new(); count];
    let mut before = vec![Vec::new(); count];
    for &(from, to, _) in &problem.lags {
        after[from as usize].push(to);
        before[to as usize].push(from);
    }
    // Kosaraju's two passes: whatever finishes last in the first begins the second.
    let mut seen = vec![false; count];
    let mut finished = Vec::with_capacity(count);
    for root in 0..count as u32 {
        visit(&after, root, &mut seen, &mut finished);
    }
    seen.fill(false);
    let mut structures = Vec::new();
    for &root in finished.iter().rev() {
        let mut members = Vec::new();
        visit(&before, root, &mut seen, &mut members);
        members.sort_unstable();
        if !members.is_empty() {
            structures.push(members);
        }
    }
    structures
}

/// Appends what can be reached and was not seen, the farthest first.
fn visit(next: &[Vec<u32>], root: u32, seen: &mut [bool], finished: &mut Vec<u32>) {
    if std::mem::replace(&mut seen[root as usize], true) {
        return;
    }
    let mut path = vec![(root, 0)];
    while let Some((activity, tried)) = path.last_mut() {
        match next[*activity as usize].get(*tried) {
            Some(&other) => {
                *tried += 1;
                if !std::mem::replace(&mut seen[other as usize], true) {
                    path.push((other, 0));
                }
            }
            None => {
                finished.push(*activity);
                path.pop();
            }
        }
    }
}

/// The problem of `members` alone; its activities are numbered as they are listed.
pub fn part(problem: &Problem, members: &[u32]) -> Problem {
    let number = |activity: u32| members.binary_search(&activity).ok().map(|number| number as u32);
    let last = members.len() as u32;
    let mut lags: Vec<(u32, u32, T)> = members
        .iter()
        .enumerate()
        .map(|(number, activity)| (number as u32, last, problem.durations[*activity as usize]))
        .collect();
    lags.extend(problem.lags.iter().filter_map(|&(from, to, lag)| Some((number(from)?, number(to)?, lag))));
    // No chain of lags is longer.
    let reach = lags.iter().map(|(_, _, lag)| lag.abs()).sum::<T>() + 1;
    let users =
        |users: &Vec<(u32, u32)>| users.iter().filter_map(|&(user, amount)| Some((number(user)?, amount))).collect();
    Problem {
        durations: members.iter().map(|activity| problem.durations[*activity as usize]).chain([0]).collect(),
        lags,
        capacities: problem.capacities.clone(),
        needs: members.iter().map(|activity| problem.needs[*activity as usize].clone()).chain([Vec::new()]).collect(),
        users: problem.users.iter().map(users).collect(),
        horizon: 2 * reach,
    }
}

/// A plan of all from plans of the structures, which stay as they are: one after the other where there is first room for it,
/// of those that may come next the one after which most has to follow.
pub fn join(problem: &Problem, structures: &[Vec<u32>], plans: &[Vec<T>]) -> Vec<T> {
    let count = problem.durations.len();
    let (mut of, mut offset) = (vec![0; count], vec![0; count]);
    for (number, (members, plan)) in structures.iter().zip(plans).enumerate() {
        for (activity, start) in members.iter().zip(plan) {
            (of[*activity as usize], offset[*activity as usize]) = (number, *start);
        }
    }
    // Least distances between structures, by the later one and by the earlier one.
    let (mut before, mut after) = (vec![Vec::new(); structures.len()], vec![Vec::new(); structures.len()]);
    for &(from, to, lag) in problem.lags.iter().filter(|(from, to, _)| of[*from as usize] != of[*to as usize]) {
        let distance = offset[from as usize] + lag - offset[to as usize];
        before[of[to as usize]].push((of[from as usize], distance));
        after[of[from as usize]].push((of[to as usize], distance));
    }
    let mut tails = vec![0; structures.len()];
    for number in (0..structures.len()).rev() {
        tails[number] = after[number].iter().map(|(next, distance)| tails[*next] + distance).max().unwrap_or(0);
    }
    let mut profiles: Vec<Profile> = problem.capacities.iter().map(|capacity| Profile::new(*capacity)).collect();
    let mut pending: Vec<usize> = before.iter().map(Vec::len).collect();
    let mut ready: Vec<usize> = (0..structures.len()).filter(|number| pending[*number] == 0).collect();
    let mut begin = vec![0; structures.len()];
    let mut starts = vec![0; count];
    while let Some(place) = (0..ready.len()).max_by_key(|place| (tails[ready[*place]], usize::MAX - ready[*place])) {
        let number = ready.swap_remove(place);
        let least = structures[number].iter().map(|activity| -offset[*activity as usize]).max().unwrap_or(0);
        let mut t = before[number].iter().map(|(from, distance)| begin[*from] + distance).fold(least, T::max);
        let pieces = pieces(problem, &structures[number], &offset);
        while let Some(later) = first_obstacle(&pieces, &profiles, t) {
            t = later;
        }
        for &Piece { resource, from, until, amount } in &pieces {
            profiles[resource as usize].add(t + from, t + until, amount);
        }
        begin[number] = t;
        for &activity in &structures[number] {
            starts[activity as usize] = t + offset[activity as usize];
        }
        for &(next, _) in &after[number] {
            pending[next] -= 1;
            if pending[next] == 0 {
                ready.push(next);
            }
        }
    }
    starts
}

/// What a structure takes of a resource, from its beginning on.
struct Piece {
    resource: u32,
    from: T,
    until: T,
    amount: u32,
}

/// All that a structure takes, its activities together.
fn pieces(problem: &Problem, members: &[u32], offset: &[T]) -> Vec<Piece> {
    // (resource, time, amount taken (given back) from then on)
    let mut changes: Vec<(u32, T, i64)> = Vec::new();
    for &activity in members {
        let (start, duration) = (offset[activity as usize], problem.durations[activity as usize]);
        for &(resource, amount) in &problem.needs[activity as usize] {
            changes.extend([(resource, start, i64::from(amount)), (resource, start + duration, -i64::from(amount))]);
        }
    }
    changes.sort_unstable();
    let mut taken = 0;
    let mut pieces = Vec::new();
    for pair in changes.windows(2) {
        let ((resource, from, change), (next, until, _)) = (pair[0], pair[1]);
        // What one resource gave back is all that was taken.
        taken += change;
        if next == resource && from < until && taken > 0 {
            pieces.push(Piece { resource, from, until, amount: taken as u32 });
        }
    }
    pieces
}

/// The first time after `t` at which what is in the way of a structure that begins at `t` is over.
fn first_obstacle(pieces: &[Piece], profiles: &[Profile], t: T) -> Option<T> {
    pieces.iter().find_map(|piece| {
        let clear = profiles[piece.resource as usize].clear(t + piece.from, t + piece.until, piece.amount);
        clear.err().map(|(next, _)| next - piece.from)
    })
}
