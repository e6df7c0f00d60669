//! Looks after a phase while it runs: takes what is recorded, sees the method die, the person interrupt, the disk fill.
//!
//! What it does not: run the phase (`tuning.rs`). Start reading at [`Keeper`].

use std::time::{Duration, Instant};

use crate::base::recording::Recording;
use crate::base::time::TickRate;
use crate::bench::pacing::{Patience, Watch};
use crate::bench::port::Gone;
use crate::bench::session::{End, Session, Taken};
use crate::cli::progress::Progress;
use crate::cli::record::Record;
use crate::cli::tuning::{Caller, Run};
use crate::host::child::Child;
use crate::host::door::{Door, Opened};
use crate::host::files::HostError;
use crate::host::strike::Strike;
use crate::trial::bits::Bits;

/// Watches the run: takes what is recorded, sees the method die, the person interrupt, the disk fill.
pub struct Keeper<'a> {
    run: &'a Run<'a>,
    child: Option<&'a Child>,
    record: Option<&'a mut Record>,
    strike: &'a Strike,
    /// The hash over the rows so far.
    pub bits: Bits,
    /// The rows so far; none where they would not fit into memory easily.
    pub recording: Option<Recording>,
    what: &'static str,
    total_ticks: u64,
    progress: Progress,
    child_gone: Option<Instant>,
    /// What the machine refused while the run lasted.
    pub failure: Option<HostError>,
}

/// How long frames of a method that has exited may still be on their way.
const IN_FLIGHT: Duration = Duration::from_millis(200);

/// Longest tuning that is kept in memory for its picture: two minutes at 8 kHz, 92 MB.
const PICTURE_ROWS_MAX: u64 = 960_000;

/// Rows after which what was recorded is taken: a quarter of a second at 8 kHz.
const ROWS_AT_ONCE: usize = 2048;

/// Bytes of frames after which it is taken as well: a flood may bring frames without a tick.
const FRAMES_AT_ONCE_BYTES: usize = 1 << 18;

impl<'a> Keeper<'a> {
    /// For tuning, which is kept for its picture where that fits into memory.
    pub fn of_tuning(
        run: &'a Run<'a>,
        child: Option<&'a Child>,
        record: Option<&'a mut Record>,
        strike: &'a Strike,
    ) -> Self {
        let total = run.scenario.timing.rate.nearest_tick(run.scenario.tuning.time_s);
        let picture = (total <= PICTURE_ROWS_MAX).then_some(0);
        Self::new(run, (child, record, strike), ("tuning", total), picture)
    }

    /// For an examination through a controller outside, all of whose rows are judged.
    pub fn of_examination(
        run: &'a Run<'a>,
        child: Option<&'a Child>,
        record: Option<&'a mut Record>,
        strike: &'a Strike,
    ) -> Self {
        let total = run.scenario.timing.end_tick;
        Self::new(run, (child, record, strike), ("examination", total), Some(total as usize + 1))
    }

    fn new(
        run: &'a Run<'a>,
        (child, record, strike): (Option<&'a Child>, Option<&'a mut Record>, &'a Strike),
        (what, total_ticks): (&'static str, u64),
        rows: Option<usize>,
    ) -> Self {
        let progress = Progress::start(what, total_ticks);
        let recording = rows.map(|rows| Recording::with_capacity(run.scenario.timing.rate, rows));
        let bits = Bits::default();
        Self {
            run,
            child,
            record,
            strike,
            bits,
            recording,
            what,
            total_ticks,
            progress,
            child_gone: None,
            failure: None,
        }
    }

    /// How long is waited. Who waits for ever, for a person in a debugger, has no limit on the wall either.
    #[must_use]
    pub fn limits(&self) -> Patience {
        let phase = Duration::from_secs_f64(self.run.scenario.tuning.wall_s);
        Patience { silence: self.run.patience, phase: self.run.patience.map(|_| phase) }
    }

    /// Waits until a method was let in: for whoever connects without limit, else as long as the patience lasts.
    ///
    /// # Errors
    /// How it ended before anybody came.
    pub fn wait_at(&mut self, door: &dyn Door, caller: &Caller) -> Result<Opened, End> {
        let started = Instant::now();
        let limit = self.run.patience.filter(|_| !matches!(caller, Caller::Outside { .. }));
        loop {
            if let Some(opened) = door.wait().map_err(lost)? {
                return Ok(opened);
            }
            if self.run.interrupt.asked() {
                return Err(End::Interrupted);
            }
            if let Some(why) = self.child.and_then(Child::ended) {
                // What it sent last may still be at the door.
                let last = door.wait().map_err(lost)?;
                return last.ok_or_else(|| End::Left(format!("{why} before it connected")));
            }
            if limit.is_some_and(|limit| limit <= started.elapsed()) {
                return Err(End::Silent);
            }
        }
    }

    /// Takes what a session has recorded.
    pub fn take(&mut self, session: &mut Session) {
        self.take_from(&mut session.taken);
    }

    /// The same, of what nobody needs the room of.
    pub fn take_whole(&mut self, mut taken: Taken) {
        self.take_from(&mut taken);
    }

    /// What the run is called, how many ticks it may have, and their rate.
    #[must_use]
    pub fn progress_facts(&self) -> (&'static str, u64, TickRate) {
        (self.what, self.total_ticks, self.run.scenario.timing.rate)
    }

    /// Takes what was recorded, and leaves the room for more.
    pub fn take_from(&mut self, taken: &mut Taken) {
        self.bits.rows(&taken.rows);
        if let Some(recording) = &mut self.recording {
            taken.rows.iter().for_each(|row| recording.push(row));
        }
        if let Some(record) = &mut self.record
            && self.failure.is_none()
        {
            self.strike.from(&mut taken.frames);
            self.failure = record.keep(&taken.rows, &taken.frames).err();
        }
        taken.rows.clear();
        taken.frames.clear();
    }

    /// Shows how far the run is.
    pub fn show(&mut self, tick: u64) {
        let rate = self.run.scenario.timing.rate;
        self.progress.at(tick, || format!("{:.1} s simulated", rate.seconds(tick)));
    }

    /// Why the run is to end now, if it is: somebody asked, or the machine refused something.
    #[must_use]
    pub fn wants_an_end(&self) -> bool {
        self.run.interrupt.asked() || self.failure.is_some()
    }

    /// How the method ended, once nothing of it can be on its way any more.
    pub fn method_is_gone(&mut self) -> Option<String> {
        let why = self.child.and_then(Child::ended)?;
        let since = *self.child_gone.get_or_insert_with(Instant::now);
        (IN_FLIGHT <= since.elapsed()).then_some(why)
    }
}

/// What a door that nobody can come to any more means for the trial.
fn lost(gone: Gone) -> End {
    End::Left(gone.cause)
}

impl Watch for Keeper<'_> {
    fn look(&mut self, session: &mut Session) -> Option<End> {
        if ROWS_AT_ONCE <= session.taken.rows.len() || FRAMES_AT_ONCE_BYTES <= session.taken.frames.len() {
            self.take(session);
            self.show(session.tick());
        }
        if session.end().is_some() {
            return None;
        }
        if self.wants_an_end() {
            return Some(End::Interrupted);
        }
        if let Some(why) = self.method_is_gone() {
            session.leave(why);
        }
        None
    }
}
