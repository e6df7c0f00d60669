//! Two processes that only ever wait for each other belong on one processor.
//!
//! In lockstep either the bench computes or the method does. On two processors each datagram must wake the other one up,
//! by an interrupt between processors and often out of an idle state, which takes longer than all that is computed; on
//! one processor it is a change of process. What was measured, with other work beside it and without, stands in
//! `tools/bench/RESULTS.md`. What it does not: ask for priority. Start reading at [`OneProcessor::keep_to`].

use nix::sched::{CpuSet, sched_getaffinity, sched_getcpu, sched_setaffinity};
use nix::unistd::Pid;

/// While it lives, the thread that made it, and every process that this thread starts, stay on one processor.
#[derive(Debug)]
pub struct OneProcessor {
    before: CpuSet,
}

impl OneProcessor {
    /// Keeps to the processor that the system has just picked for this thread. `None`, and nothing has changed, where the
    /// system does not allow it: then it is slower, no more.
    #[must_use]
    pub fn keep_to() -> Option<Self> {
        let own = Pid::from_raw(0);
        let before = sched_getaffinity(own).ok()?;
        let mut one = CpuSet::new();
        one.set(sched_getcpu().ok()?).ok()?;
        sched_setaffinity(own, &one).ok()?;
        Some(Self { before })
    }
}

impl Drop for OneProcessor {
    fn drop(&mut self) {
        // What was allowed before is allowed again; if not, this thread is slower later, no more.
        let _ = sched_setaffinity(Pid::from_raw(0), &self.before);
    }
}
