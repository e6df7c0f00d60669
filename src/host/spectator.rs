//! Who watches a paced run: told the tick by one store to memory, shows it on a thread of its own.
//!
//! A terminal that takes nothing any more stops the showing and nothing else; the run does not wait for it, not even at
//! its end. What it does not: record (`outlet.rs`). Start reading at [`Spectator::start`].

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// The end that the thread which ticks holds. Whoever shows stops at its next look once this is dropped.
#[derive(Debug)]
pub struct Spectator {
    tick: Arc<AtomicU64>,
    over: Arc<AtomicBool>,
}

impl Spectator {
    /// Shows the tick once a period, from another thread; `show` may take as long as it likes.
    #[must_use]
    pub fn start(period: Duration, mut show: impl FnMut(u64) + Send + 'static) -> Self {
        let (tick, over) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicBool::new(false)));
        let (theirs, told) = (Arc::clone(&tick), Arc::clone(&over));
        std::thread::spawn(move || {
            while !told.load(Ordering::Acquire) {
                show(theirs.load(Ordering::Relaxed));
                std::thread::sleep(period);
            }
        });
        Self { tick, over }
    }

    /// Tells the tick that the run has reached. Never waits.
    pub fn at(&self, tick: u64) {
        self.tick.store(tick, Ordering::Relaxed);
    }
}

impl Drop for Spectator {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Release);
    }
}
