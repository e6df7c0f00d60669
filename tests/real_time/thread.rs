//! The thread of a paced run gets what the system grants, and says what it does not.

use plantstand::bench::port::Metronome;
use plantstand::host::realtime::{Paced, Waiting, WallMetronome, Wish, start};

#[test]
fn no_wait_ends_early_and_a_moment_that_has_passed_is_not_waited_for() {
    for waiting in [Waiting::Sleep, Waiting::SleepThenSpin] {
        let mut metronome = WallMetronome::start(waiting);
        let mut last_ns = 0;
        for due_ns in [200_000, 201_000, 300_000, 1_000_000, 0] {
            let woke_ns = metronome.wait_until_ns(due_ns);
            assert!(due_ns <= woke_ns && last_ns <= woke_ns, "{waiting:?}: {due_ns} gave {woke_ns} after {last_ns}");
            last_ns = woke_ns;
        }
        assert!(last_ns <= metronome.now_ns());
    }
}

/// Either the thread runs first in, first out at the priority wished for, or a sentence says with which command it would.
#[test]
fn the_priority_is_granted_or_said_with_its_cure() {
    let Paced { found, refused } = paced(Wish { priority: 41, waiting: Waiting::Sleep });
    match refused.iter().find(|sentence| sentence.starts_with("real-time priority 41")) {
        Some(sentence) => assert!(sentence.contains("setcap cap_sys_nice") && sentence.contains("rtprio 41")),
        None => assert_eq!(found, ("41".to_owned(), "1".to_owned()), "priority and policy (1 is SCHED_FIFO)"),
    }
}

#[test]
fn a_priority_that_does_not_exist_is_said_and_the_work_is_done() {
    let Paced { refused, .. } = paced(Wish { priority: 120, waiting: Waiting::Sleep });
    assert!(refused.iter().any(|sentence| sentence.contains("allowed: 1 to 99")), "{refused:?}");
}

/// Priority and policy as the system shows them of the thread itself.
fn paced(wish: Wish) -> Paced<(String, String)> {
    std::thread::scope(|scope| {
        start(scope, wish, |_| schedule()).expect("a thread").join().expect("the work does not panic")
    })
}

fn schedule() -> (String, String) {
    let text = std::fs::read_to_string("/proc/thread-self/stat").expect("Linux shows its threads");
    // proc(5): the name in parentheses is field 2; rt_priority is field 40, policy 41.
    let after_name = text.rsplit_once(')').expect("a name").1;
    let fields: Vec<&str> = after_name.split_whitespace().collect();
    (fields[40 - 3].to_owned(), fields[41 - 3].to_owned())
}
