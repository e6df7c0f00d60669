//! What a person sees on standard error while a run lasts: nothing in the first two seconds, then how far it is.
//!
//! What it does not: print results. Start reading at [`Progress::start`].

use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// A run shorter than this needs no progress.
const PATIENCE: Duration = Duration::from_secs(2);

/// Whether nobody draws: several runs at once would draw over each other.
static QUIET: AtomicBool = AtomicBool::new(false);

/// Draws nothing from now on, in this whole process: whoever does several runs at once says itself how far they are.
pub fn keep_quiet() {
    QUIET.store(true, Ordering::Relaxed);
}

/// How far a run is.
#[derive(Debug)]
pub struct Progress {
    started: Instant,
    shown: Option<ProgressBar>,
    total: u64,
    what: &'static str,
}

impl Progress {
    /// Begins; `total` is what `position` counts up to.
    #[must_use]
    pub fn start(what: &'static str, total: u64) -> Self {
        Self { started: Instant::now(), shown: None, total, what }
    }

    /// Says where the run is. Draws by itself at most ten times a second; where standard error is no terminal it draws
    /// nothing.
    pub fn at(&mut self, position: u64, message: impl FnOnce() -> String) {
        if self.shown.is_none() && !QUIET.load(Ordering::Relaxed) && PATIENCE <= self.started.elapsed() {
            self.shown = Some(bar(self.total, self.what));
        }
        if let Some(bar) = &self.shown {
            bar.set_message(message());
            bar.set_position(position);
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = &self.shown {
            bar.finish_and_clear();
        }
    }
}

fn bar(total: u64, what: &'static str) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr_with_hz(10));
    if let Ok(style) = ProgressStyle::with_template("{prefix} [{bar:30}] {msg}") {
        bar.set_style(style.progress_chars("=> "));
    }
    bar.set_prefix(what);
    bar
}
