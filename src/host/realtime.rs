//! Real time on Linux: a thread of its own for a run, with priority, locked memory and exact waits, as far as the system
//! allows them.
//!
//! What the system refuses is never an error and always said: each refusal is a sentence with the commands that would
//! grant it. No `unsafe`: crates do the calls. What it does not: know what a tick does (`bench/pacing.rs`), carry what
//! was recorded (`outlet.rs`), keep the processor awake between (`idle.rs`). Start reading at [`start`].

use std::thread::{Scope, ScopedJoinHandle};

use nix::errno::Errno;
use nix::sys::mman::{MlockAllFlags, mlockall, munlockall};
use nix::sys::prctl::set_timerslack;
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};
use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadPriorityValue, ThreadSchedulePolicy,
    set_thread_priority_and_policy, thread_native_id,
};

use crate::bench::port::Metronome;
use crate::host::files::HostError;
use crate::host::idle::Awake;

/// How the thread waits for a tick.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Waiting {
    /// Sleeps until the tick is due. The processor is free meanwhile.
    #[default]
    Sleep,
    /// Sleeps until 30 µs before, then looks at the clock without a pause: nearer to the mark, for a processor that is
    /// busy a part of every tick.
    SleepThenSpin,
}

impl Waiting {
    /// The word in results.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Sleep => "sleep",
            Self::SleepThenSpin => "sleep-then-spin",
        }
    }
}

/// Longest spin before a tick. Linux stops a real-time thread that uses more than 95 % of a second, and at 8 kHz this is
/// a quarter of it.
const SPIN_NS: u64 = 30_000;

/// What a paced run asks the system for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wish {
    /// Priority among the real-time threads, 1 to 99.
    pub priority: u8,
    /// How the thread waits.
    pub waiting: Waiting,
}

impl Default for Wish {
    /// Priority 80: above the threads in which a kernel serves its devices (50), below those that keep the kernel itself
    /// alive (99).
    fn default() -> Self {
        Self { priority: 80, waiting: Waiting::Sleep }
    }
}

/// What a paced run left behind.
#[derive(Debug)]
pub struct Paced<T> {
    /// What the work returned.
    pub found: T,
    /// What the system refused, a sentence each.
    pub refused: Vec<String>,
}

/// Starts the work on a thread of its own in `scope`, prepared as wished. While it runs, idle states are held off and the
/// process' memory of that moment stays in place: whatever the work needs should exist before.
///
/// # Errors
/// A system that gives no further thread.
pub fn start<'scope, T: Send + 'scope>(
    scope: &'scope Scope<'scope, '_>,
    wish: Wish,
    work: impl FnOnce(&mut WallMetronome) -> T + Send + 'scope,
) -> Result<ScopedJoinHandle<'scope, Paced<T>>, HostError> {
    let thread = std::thread::Builder::new().name("ticks".to_owned());
    let run = move || {
        let mut refused = Vec::new();
        let _awake = keep(Awake::hold(), &mut refused);
        let _locked = keep(Locked::now(), &mut refused);
        keep(prefer(wish.priority), &mut refused);
        keep(sharpen(), &mut refused);
        let found = work(&mut WallMetronome::start(wish.waiting));
        Paced { found, refused }
    };
    thread.spawn_scoped(scope, run).map_err(|error| HostError(format!("cannot start a thread for the ticks: {error}")))
}

fn keep<T>(granted: Result<T, String>, refused: &mut Vec<String>) -> Option<T> {
    granted.map_err(|sentence| refused.push(sentence)).ok()
}

/// First come, first served among threads of the same priority, before every thread that is not real-time.
fn prefer(priority: u8) -> Result<(), String> {
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    let value = ThreadPriorityValue::try_from(priority)
        .map_err(|_| format!("real-time priority {priority} was not asked for; allowed: 1 to 99"))?;
    set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Crossplatform(value), policy).map_err(|error| {
        let cause = match error {
            thread_priority::Error::OS(number) => Errno::from_raw(number).desc().to_lowercase(),
            other => other.to_string(),
        };
        format!(
            "real-time priority {priority} (SCHED_FIFO) was refused: {cause}; to allow it to this program: {}; or to a \
             user: the line 'NAME - rtprio {priority}' in /etc/security/limits.conf, then log in again; 'ulimit -r' \
             shows what is allowed",
            capabilities()
        )
    })
}

/// Timers of ordinary threads may fire 50 µs late so that several wake at once; 1 ns is the least there is.
fn sharpen() -> Result<(), String> {
    set_timerslack(1).map_err(|error| format!("a timer slack of 1 ns was refused: {}", error.desc().to_lowercase()))
}

/// The command that lets the program ask for priority and memory whoever starts it.
fn capabilities() -> String {
    let own = std::env::current_exe().map_or_else(|_| "PROGRAM".to_owned(), |path| path.display().to_string());
    format!("sudo setcap cap_sys_nice,cap_ipc_lock+ep '{own}'")
}

/// Keeps the pages that the process has in memory. Pages that come later are not locked: where an ordinary user's limit
/// is small, that would make the next allocation fail.
struct Locked;

impl Locked {
    fn now() -> Result<Self, String> {
        mlockall(MlockAllFlags::MCL_CURRENT).map(|()| Self).map_err(|error| {
            format!(
                "memory could not be locked: {}; to allow it to this program: {}; or to a user: the line 'NAME - memlock \
                 unlimited' in /etc/security/limits.conf, then log in again; 'ulimit -l' shows what is allowed",
                error.desc().to_lowercase(),
                capabilities()
            )
        })
    }
}

impl Drop for Locked {
    fn drop(&mut self) {
        // What was locked can be unlocked.
        let _ = munlockall();
    }
}

/// The system's monotonic clock, which no change of the time of day moves, counted from a start.
#[derive(Clone, Copy, Debug)]
pub struct WallMetronome {
    start_ns: u64,
    waiting: Waiting,
}

impl WallMetronome {
    /// Starts now.
    #[must_use]
    pub fn start(waiting: Waiting) -> Self {
        Self { start_ns: monotonic_ns(), waiting }
    }
}

impl Metronome for WallMetronome {
    fn wait_until_ns(&mut self, due_ns: u64) -> u64 {
        let due_ns = self.start_ns.saturating_add(due_ns);
        let mut now_ns = monotonic_ns();
        match self.waiting {
            Waiting::Sleep => {
                while now_ns < due_ns {
                    sleep_until(due_ns);
                    now_ns = monotonic_ns();
                }
            }
            Waiting::SleepThenSpin => {
                if now_ns + SPIN_NS < due_ns {
                    sleep_until(due_ns - SPIN_NS);
                }
                while now_ns < due_ns {
                    std::hint::spin_loop();
                    now_ns = monotonic_ns();
                }
            }
        }
        now_ns - self.start_ns
    }

    fn now_ns(&mut self) -> u64 {
        monotonic_ns() - self.start_ns
    }
}

/// Nanoseconds of the monotonic clock.
///
/// # Panics
/// Never on Linux: the clock always exists.
fn monotonic_ns() -> u64 {
    let now = clock_gettime(ClockId::CLOCK_MONOTONIC).expect("Linux has a monotonic clock");
    now.tv_sec() as u64 * 1_000_000_000 + now.tv_nsec() as u64
}

/// Sleeps until a moment of the monotonic clock, or shorter when a signal wakes the thread.
fn sleep_until(moment_ns: u64) {
    let moment = TimeSpec::new((moment_ns / 1_000_000_000) as i64, (moment_ns % 1_000_000_000) as i64);
    // A signal ends the sleep early; whoever waits looks at the clock again.
    let _ = clock_nanosleep(ClockId::CLOCK_MONOTONIC, ClockNanosleepFlags::TIMER_ABSTIME, &moment);
}
