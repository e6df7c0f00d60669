//! A phase in real time: ticks on a thread of their own, everything that may wait on this one.
//!
//! What was recorded comes over in chunks through queues that never make the ticking thread wait; what the person, the
//! method's process or the disk has to say goes back through a flag. What it does not: the loop itself
//! (`bench/pacing.rs`), priorities and memory (`host/realtime.rs`). Start reading at [`run`].

use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crate::bench::pacing::{self, Attendant, Beat};
use crate::bench::port::{Link, Outlet};
use crate::bench::session::{End, Session, Taken};
use crate::bench::timing::Timing;
use crate::cli::keeper::Keeper;
use crate::cli::progress::Progress;
use crate::host::clock::WallClock;
use crate::host::outlet::{Giver, Room, Taker, chunk, round};
use crate::host::realtime::{self, Wish};
use crate::host::spectator::Spectator;
use crate::trial::mistake::caught;

/// How often this thread looks for what was recorded: a small part of what the queue holds.
const LOOK_EVERY: Duration = Duration::from_millis(5);

/// How often a person is shown how far the run is.
const SHOW_EVERY: Duration = Duration::from_millis(100);

/// What paced phases of one trial left behind besides their rows.
#[derive(Debug, Default)]
pub struct Kept {
    /// How late ticks were.
    pub timing: Timing,
    /// What the system refused, a sentence each, every one once.
    pub refused: Vec<String>,
}

/// Runs a phase of a session on the clock.
///
/// # Errors
/// A mistake of the bench's own, or a system that gives no further thread; in words.
pub fn run(
    session: &mut Session,
    link: &mut (dyn Link + Send),
    wish: Wish,
    keeper: &mut Keeper<'_>,
    kept: &mut Kept,
) -> Result<End, String> {
    let room = Room::default();
    let recorded = std::mem::replace(&mut session.taken, chunk(room));
    keeper.take_whole(recorded);
    let (giver, mut taker) = round(room);
    let (wanted, limits) = (Wanted::default(), keeper.limits());
    let (stale_before, silent_before) = counts(session);
    let ticked = std::thread::scope(|scope| {
        let work = |metronome: &mut realtime::WallMetronome| {
            let mut attending = Attending { giver, timing: Timing::new(), wanted: &wanted };
            let clocks = (&mut WallClock::start() as &mut _, metronome as &mut _);
            let end = caught(|| pacing::real_time(session, link, clocks, limits, &mut attending));
            (end, attending.timing)
        };
        let thread = realtime::start(scope, wish, work).map_err(|error| error.to_string())?;
        look_after(&mut taker, keeper, &wanted, || thread.is_finished());
        thread.join().map_err(|_| "the thread of the ticks ended by a mistake".to_owned())
    })?;
    taker.drain(|taken| keeper.take_from(taken));
    let (end, mut timing) = ticked.found;
    let (stale, silent) = counts(session);
    (timing.stale_commands, timing.silent_ticks) = (stale - stale_before, silent - silent_before);
    kept.timing.merge(&timing);
    for sentence in ticked.refused {
        if !kept.refused.contains(&sentence) {
            kept.refused.push(sentence);
        }
    }
    end
}

fn counts(session: &Session) -> (u64, u64) {
    let stale = session.counts.refused.get("stale_command").copied().unwrap_or(0);
    (stale, session.counts.silent_ticks)
}

/// Takes what comes, and passes on who wants an end, until the ticks are over.
fn look_after(taker: &mut Taker, keeper: &mut Keeper<'_>, wanted: &Wanted, over: impl Fn() -> bool) {
    let (what, total, rate) = keeper.progress_facts();
    let mut progress = Progress::start(what, total);
    let spectator = Spectator::start(SHOW_EVERY, move |tick| {
        progress.at(tick, || format!("{:.1} s", rate.seconds(tick)));
    });
    let mut rows = 0;
    while !over() {
        taker.drain(|taken| {
            rows += taken.rows.len() as u64;
            keeper.take_from(taken);
        });
        spectator.at(rows);
        if keeper.wants_an_end() {
            wanted.set(End::Interrupted);
        }
        if let Some(why) = keeper.method_is_gone() {
            wanted.set(End::Left(why));
        }
        std::thread::sleep(LOOK_EVERY);
    }
}

/// An end that somebody asked for. The ticking thread looks at the flag, and at what is behind it only then.
#[derive(Debug, Default)]
struct Wanted {
    flag: AtomicBool,
    end: Mutex<Option<End>>,
}

impl Wanted {
    fn set(&self, end: End) {
        if let Ok(mut wanted) = self.end.lock() {
            wanted.get_or_insert(end);
        }
        self.flag.store(true, Ordering::Release);
    }

    fn get(&self) -> Option<End> {
        if !self.flag.load(Ordering::Acquire) {
            return None;
        }
        self.end.lock().ok().and_then(|end| end.clone())
    }
}

/// What stands beside the ticking loop on its thread.
struct Attending<'a> {
    giver: Giver,
    timing: Timing,
    wanted: &'a Wanted,
}

impl Outlet for Attending<'_> {
    fn give(&mut self, taken: &mut Taken) -> bool {
        self.giver.give(taken)
    }
}

impl Attendant for Attending<'_> {
    fn beat(&mut self, beat: Beat) {
        self.timing.tick(beat.late_ns, beat.missed);
    }

    fn asked_to_end(&mut self) -> Option<End> {
        self.wanted.get()
    }
}
