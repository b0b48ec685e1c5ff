//! Two cores for one piece of work: what comes out never depends on which is ahead.

/// So many activities take longer than a second thread takes to be there.
pub const ACTIVITIES_FOR_BOTH: usize = 5_000;

/// Does both, the first on a thread of its own; what either panics with goes on to the caller.
pub fn both<A: Send, B>(one: impl FnOnce() -> A + Send, other: impl FnOnce() -> B) -> (A, B) {
    std::thread::scope(|scope| {
        let one = scope.spawn(one);
        let other = other();
        (one.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)), other)
    })
}
