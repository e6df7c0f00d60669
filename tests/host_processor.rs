//! The promise: while a trial keeps to one processor, its thread and the programs that this thread starts run there and
//! nowhere else; a second trial takes another one where there is one; afterwards everything is as it was.
//!
//! Start reading at [`a_trial_and_what_it_starts_keep_to_one_processor_for_its_time`].

use nix::sched::{CpuSet, sched_getaffinity};
use nix::unistd::Pid;
use plantstand::host::processor::OneProcessor;

/// The processors that this thread may use.
fn allowed() -> Vec<usize> {
    let set = sched_getaffinity(Pid::from_raw(0)).expect("the system says");
    (0..CpuSet::count()).filter(|number| set.is_set(*number).expect("a number within")).collect()
}

/// How many processors a program that this thread starts may use.
fn allowed_for_a_child() -> usize {
    let output = std::process::Command::new("nproc").env_clear().output().expect("the number of processors");
    String::from_utf8_lossy(&output.stdout).trim().parse().expect("a number")
}

#[test]
fn a_trial_and_what_it_starts_keep_to_one_processor_for_its_time() {
    let before = allowed();
    let first = OneProcessor::keep_to().expect("the system allows it");
    let taken = allowed();
    assert_eq!((taken.len(), allowed_for_a_child()), (1, 1));
    let second = std::thread::spawn(|| {
        let before = allowed();
        let kept = OneProcessor::keep_to().expect("the system allows it");
        let taken = allowed();
        drop(kept);
        assert_eq!(allowed(), before);
        taken
    });
    // That thread was started from here, so that only this one processor is allowed to it.
    assert_eq!(second.join().expect("it ends"), taken);
    drop(first);
    assert_eq!(allowed(), before);
    let first = OneProcessor::keep_to().expect("the system allows it");
    let beside = std::thread::scope(|scope| {
        let all = before.clone();
        let beside = scope.spawn(move || {
            allow(&all);
            let kept = OneProcessor::keep_to().expect("the system allows it");
            let taken = allowed();
            drop(kept);
            taken
        });
        beside.join().expect("it ends")
    });
    assert!(beside != allowed() || before.len() == 1, "both took {beside:?} of {before:?}");
    drop(first);
}

/// Lets this thread use these processors.
fn allow(processors: &[usize]) {
    let mut set = CpuSet::new();
    processors.iter().for_each(|number| set.set(*number).expect("a number within"));
    nix::sched::sched_setaffinity(Pid::from_raw(0), &set).expect("they were allowed before");
}
