//! Which processors a process may use, and processes that keep them busy.
//!
//! What it does not: choose. Start reading at [`all`] and [`Busy`].

use std::process::{Child, Command, Stdio};

use nix::sched::{CpuSet, sched_getcpu, sched_setaffinity};
use nix::unistd::Pid;

/// This process, for [`all`] and [`one`].
pub const OWN: u32 = 0;

/// Lets a process (its first thread) use every processor.
///
/// # Panics
/// When the process is not ours.
pub fn all(process: u32) {
    let mut set = CpuSet::new();
    let count = std::thread::available_parallelism().map_or(1, usize::from).max(processors());
    (0..count).for_each(|number| set.set(number).expect("a processor that exists"));
    keep(process, &set);
}

/// Keeps a process (its first thread) to one processor.
///
/// # Panics
/// When the process is not ours.
pub fn one(process: u32, number: usize) {
    let mut set = CpuSet::new();
    set.set(number).expect("a processor that exists");
    keep(process, &set);
}

/// A processor beside this one; the same where there is no other.
#[must_use]
pub fn another(number: usize) -> usize {
    (number + 1) % processors().max(1)
}

/// The processor that this thread runs on.
///
/// # Panics
/// Where the system does not say.
#[must_use]
pub fn current() -> usize {
    sched_getcpu().expect("the system says on which processor this runs")
}

fn keep(process: u32, set: &CpuSet) {
    let process = Pid::from_raw(i32::try_from(process).expect("a process's number"));
    sched_setaffinity(process, set).expect("the process is ours");
}

/// How many processors the machine has, whatever this process is kept to.
fn processors() -> usize {
    let text = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    text.lines().filter(|line| line.starts_with("processor")).count()
}

/// Processes that do nothing but keep a processor busy, as long as the value lives.
pub struct Busy(Vec<Child>);

impl Busy {
    /// Starts this program so many times with the word `busy`, which must make it call [`burn`].
    ///
    /// # Panics
    /// When it does not start.
    #[must_use]
    pub fn start(count: usize) -> Self {
        let own = std::env::current_exe().expect("a program knows its place");
        let start = |_| Command::new(&own).arg("busy").stdin(Stdio::null()).spawn().expect("it starts");
        Self((0..count).map(start).collect())
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        for child in &mut self.0 {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

/// Keeps a processor busy until the process that started this one has gone.
pub fn burn() {
    all(OWN);
    let parent = std::os::unix::process::parent_id();
    while std::os::unix::process::parent_id() == parent {
        (0..1_000_000).for_each(|_| std::hint::spin_loop());
    }
}
