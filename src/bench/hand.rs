//! What a person at the machine does, between two ticks: done at once, or refused with its reason.
//!
//! What it does not: word the answer (`requests.rs`). Start reading at [`act`].

use crate::bench::tick::Bench;
use crate::wire::message::{HandActionKind, HandOutcome};

/// The coupling that is taken apart: the motor's own, so that the motor turns alone.
const COUPLING: usize = 0;

/// Does it, or says why not.
pub fn act(bench: &mut Bench, action: HandActionKind) -> HandOutcome {
    match action {
        HandActionKind::PowerCycle => {
            bench.drive.power_cycle();
            HandOutcome::Done
        }
        HandActionKind::PressEmergencyStop => fitted(bench.site.press_emergency_stop(true), bench),
        HandActionKind::ReleaseEmergencyStop => fitted(bench.site.press_emergency_stop(false), bench),
        HandActionKind::OpenGuard => fitted(bench.site.open_guard(true), bench),
        HandActionKind::CloseGuard => fitted(bench.site.open_guard(false), bench),
        HandActionKind::SetBrake => brake(bench, false),
        HandActionKind::LiftBrake => brake(bench, true),
        HandActionKind::Couple => couple(bench, true),
        HandActionKind::Uncouple => couple(bench, false),
    }
}

/// Safe torque off acts at once, by wire: the tick that comes has no torque any more.
fn fitted(found: Option<()>, bench: &mut Bench) -> HandOutcome {
    if bench.site.blocks_torque() {
        bench.block_torque();
    }
    found.map_or(HandOutcome::NotHere, |()| HandOutcome::Done)
}

/// The lever is for a drive that is off. It is lifted at rest only; let go it is at any time, since that stops a load that
/// has begun to fall.
fn brake(bench: &mut Bench, lift: bool) -> HandOutcome {
    if !bench.site.has_brake() {
        HandOutcome::NotHere
    } else if bench.drive.torque_may_act() {
        HandOutcome::NotWhileEnabled
    } else if lift && !bench.plant.is_at_rest() {
        HandOutcome::NotAtRest
    } else {
        bench.site.lift_brake(lift);
        HandOutcome::Done
    }
}

fn couple(bench: &mut Bench, couple: bool) -> HandOutcome {
    if bench.plant.nodes() < 2 {
        return HandOutcome::NotHere;
    }
    if bench.drive.torque_may_act() {
        return HandOutcome::NotWhileEnabled;
    }
    let done = if couple { bench.plant.couple(COUPLING) } else { bench.plant.uncouple(COUPLING) };
    done.map_or(HandOutcome::NotAtRest, |()| HandOutcome::Done)
}
