//! The plant against reference trajectories computed outside the program (`tests/data/trajectories/README.md`): every
//! state at every sample, every event, the energy; the order of the method; and the page of it all.
//!
//! What must hold: a smooth case within 1e-8 of each state's span, a case with play or stick within 1e-5, event times
//! within 1 microsecond, no event missed and none invented, energy closed within 1e-9 of the work done. Start reading
//! at [`check_trajectory`].

mod order;
mod page;
mod reference;

use reference::Comparison;

#[test]
fn linear_two_mass_chirp() {
    check_trajectory("a_linear_two_mass_chirp", 1e-8);
}

#[test]
fn two_masses_with_play_and_friction() {
    check_trajectory("b_two_mass_play_friction", 1e-5);
}

#[test]
fn three_masses_with_gear_and_two_gaps() {
    check_trajectory("c_three_mass_gear_two_gaps", 1e-5);
}

#[test]
fn stick_slip() {
    check_trajectory("d_stick_slip_ramp", 1e-5);
}

#[test]
fn rigid_coast_and_breakaway() {
    check_trajectory("e_rigid_coast_and_breakaway", 1e-5);
}

#[test]
fn stiff_rattle() {
    check_trajectory("f_stiff_rattle", 1e-5);
}

#[test]
fn synchronous_machine_on_two_masses() {
    check_trajectory("g_synchronous_smooth", 1e-8);
}

#[test]
fn synchronous_machine_with_play() {
    check_trajectory("h_synchronous_play", 1e-5);
}

fn check_trajectory(name: &str, bar: f64) {
    let found = Comparison::of(name);
    for (state, error) in [
        ("angle", Some(found.angle)),
        ("speed", Some(found.speed)),
        ("coupling torque", found.torque),
        ("gap position", found.gap),
        ("current", found.current),
    ] {
        assert!(error.unwrap_or(0.0) <= bar, "{name}: {state} is off by {error:?} of its span, allowed {bar:e}");
    }
    assert_eq!(found.events_found, found.events_expected, "{name}: events missed or invented");
    assert_eq!(found.events_matched, found.events_expected, "{name}: events differ, or by more than a microsecond");
    assert!(found.energy <= 1e-9, "{name}: {:e} of the work is unaccounted for", found.energy);
}

/// The smallest order in use is 3, the usual one 6 to 10; errors fall by 2 to the order when the step is halved.
#[test]
fn halving_the_inner_step_shows_the_order() {
    for (order, pieces) in page::ORDERS {
        let halving = order::measure(order, pieces);
        let measured = halving.measured_order();
        assert!((measured - order as f64).abs() < 0.35, "order {order} shows as {measured}");
    }
}

/// The page beside the plant says what the program does today.
#[test]
fn the_accuracy_page_is_up_to_date() {
    page::check();
}
