//! The plant against reference trajectories computed outside the program (`tests/data/trajectories/README.md`): every
//! state at every sample, every event, the energy; the order of the method; and the page of it all.
//!
//! What must hold: a smooth case within 1e-8 of each state's span, a case with play or stick within 1e-5, event times
//! within 1 microsecond, no event missed and none invented, energy closed within 1e-9 of the work done. Start reading
//! at `cases.rs`.

mod cases;
mod friction;
mod order;
mod page;
mod reference;
mod winding;

use reference::Comparison;

#[test]
fn every_case_is_as_right_as_it_must_be() {
    for case in cases::CASES {
        let found = (case.run)();
        assert!(found.error <= case.allowed, "{}: off by {:e}, allowed {:e}", case.name, found.error, case.allowed);
    }
}

#[test]
fn trajectories_keep_their_events_and_their_energy() {
    for name in reference::CASES {
        let found = Comparison::of(name);
        assert_eq!(found.events_found, found.events_expected, "{name}: events missed or invented");
        assert_eq!(found.events_matched, found.events_expected, "{name}: events differ, or by more than a microsecond");
        assert!(found.energy <= 1e-9, "{name}: {:e} of the work is unaccounted for", found.energy);
    }
}

/// The smallest order in use is 3, the usual one 6 to 10; errors fall by 2 to the order when the step is halved.
#[test]
fn halving_the_inner_step_shows_the_order() {
    let halvings = cases::CASES.iter().filter_map(|case| Some((case.name, case.halving.as_ref()?)));
    for (name, halving) in halvings {
        for (order, pieces) in halving.steps {
            let measured = order::measure(halving, *order, *pieces).measured_order();
            assert!((measured - *order as f64).abs() < 0.35, "{name}: order {order} shows as {measured}");
        }
    }
}

/// The page beside the plant says what the program does today.
#[test]
fn the_accuracy_page_is_up_to_date() {
    page::check();
}
