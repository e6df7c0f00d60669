//! Two processes that only ever wait for each other belong on one processor.
//!
//! In lockstep either the bench computes or the method does. On two processors each datagram must wake the other one up,
//! by an interrupt between processors and often out of an idle state, which takes longer than all that is computed; on
//! one processor it is a change of process. What was measured, with other work beside it and without, stands in
//! `tools/bench/RESULTS.md`. What it does not: ask for priority. Start reading at [`OneProcessor::keep_to`].

use std::sync::{Mutex, MutexGuard, PoisonError};

use nix::sched::{CpuSet, sched_getaffinity, sched_getcpu, sched_setaffinity};
use nix::unistd::Pid;

/// The processors that trials of this process keep to now, one entry a trial: trials side by side take different ones.
static TAKEN: Mutex<Vec<usize>> = Mutex::new(Vec::new());

/// While it lives, the thread that made it, and every process that this thread starts, stay on one processor.
#[derive(Debug)]
pub struct OneProcessor {
    number: usize,
    before: CpuSet,
}

impl OneProcessor {
    /// Keeps to the processor that the system has just picked for this thread, or to a less taken one when another trial
    /// of this process is there. `None`, and nothing has changed, where the system does not allow it: then it is slower,
    /// no more.
    #[must_use]
    pub fn keep_to() -> Option<Self> {
        let before = sched_getaffinity(OWN_THREAD).ok()?;
        let current = sched_getcpu().ok()?;
        let mut taken = taken();
        let trials = |number: usize| taken.iter().filter(|other| **other == number).count();
        let allowed = (0..CpuSet::count()).filter(|number| before.is_set(*number).unwrap_or(false));
        let number = allowed.min_by_key(|number| (trials(*number), *number != current))?;
        let mut one = CpuSet::new();
        one.set(number).ok()?;
        sched_setaffinity(OWN_THREAD, &one).ok()?;
        taken.push(number);
        Some(Self { number, before })
    }
}

impl Drop for OneProcessor {
    fn drop(&mut self) {
        let mut taken = taken();
        if let Some(place) = taken.iter().position(|number| *number == self.number) {
            taken.swap_remove(place);
        }
        // What was allowed before is allowed again; if not, this thread is slower later, no more.
        let _ = sched_setaffinity(OWN_THREAD, &self.before);
    }
}

/// How the system is told that the calling thread is meant.
const OWN_THREAD: Pid = Pid::from_raw(0);

fn taken() -> MutexGuard<'static, Vec<usize>> {
    // A list of numbers is sound whatever happened to whoever held it.
    TAKEN.lock().unwrap_or_else(PoisonError::into_inner)
}
