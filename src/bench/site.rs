//! What a person has done to the machine, and what follows from it at once: emergency stop, guard, travel switches, the
//! holding brake.
//!
//! The brake here takes its true time; what the drive believes of it are its settings. What it does not: answer a request
//! (`requests.rs`), decide what the drive does about it (`drive/transitions.rs`). Start reading at [`Site`].

use crate::base::safeguard::{EmergencyStop, Inputs, Safeguards};
use crate::base::time::TickRate;

/// An axis with what is fitted to it, and its state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Site {
    safeguards: Safeguards,
    emergency_stop_pressed: bool,
    guard_open: bool,
    brake: HoldingBrake,
}

/// The mechanics of the brake: closed by springs, opened by current, lifted by hand.
#[derive(Clone, Copy, Debug, PartialEq)]
struct HoldingBrake {
    opens_after_ticks: u64,
    closes_after_ticks: u64,
    open: bool,
    lifted_by_hand: bool,
    /// Ticks for which it has been on its way.
    ticks: u64,
}

impl Site {
    /// Nothing pressed, everything shut, the brake closed.
    #[must_use]
    pub fn new(safeguards: &Safeguards, rate: TickRate) -> Self {
        let ticks = |time_s: f64| rate.nearest_tick(time_s);
        let brake = HoldingBrake {
            opens_after_ticks: safeguards.brake.map_or(0, |brake| ticks(brake.opens_after_s)),
            closes_after_ticks: safeguards.brake.map_or(0, |brake| ticks(brake.closes_after_s)),
            open: false,
            lifted_by_hand: false,
            ticks: 0,
        };
        Self { safeguards: *safeguards, emergency_stop_pressed: false, guard_open: false, brake }
    }

    /// The brake is open: an examination begins so.
    pub fn open_brake(&mut self) {
        self.brake.open = true;
    }

    /// What the drive's inputs show with the load at this angle.
    #[must_use]
    pub fn inputs(&self, load_angle_rad: f64) -> Inputs {
        let (low_switch, high_switch) = match self.safeguards.switches_rad {
            None => (false, false),
            Some([low_rad, high_rad]) => (load_angle_rad <= low_rad, high_rad <= load_angle_rad),
        };
        Inputs {
            emergency_stop: self.safeguards.emergency_stop.filter(|_| self.emergency_stop_pressed),
            guard_open: self.guard_open,
            low_switch,
            high_switch,
        }
    }

    /// Whether safe torque off stands by its wiring, without waiting for the drive.
    #[must_use]
    pub fn blocks_torque(&self) -> bool {
        let by_emergency_stop = matches!(self.safeguards.emergency_stop, Some(EmergencyStop::Sto));
        self.guard_open || (self.emergency_stop_pressed && by_emergency_stop)
    }

    /// One tick of the brake under the drive's command; whether it is closed during that tick. Always so without a brake,
    /// where it means nothing.
    pub fn pass_tick(&mut self, commanded_open: bool) -> bool {
        let brake = &mut self.brake;
        if brake.lifted_by_hand {
            (brake.open, brake.ticks) = (true, 0);
            return false;
        }
        if commanded_open == brake.open {
            brake.ticks = 0;
            return !brake.open;
        }
        let after_ticks = if commanded_open { brake.opens_after_ticks } else { brake.closes_after_ticks };
        if after_ticks <= brake.ticks {
            (brake.open, brake.ticks) = (commanded_open, 0);
        } else {
            brake.ticks += 1;
        }
        !brake.open
    }

    /// Whether a brake that nobody holds open is still to close.
    #[must_use]
    pub fn brake_is_to_close(&self) -> bool {
        self.safeguards.brake.is_some() && self.brake.open && !self.brake.lifted_by_hand
    }

    /// Presses or releases the emergency stop; `None` where there is none.
    pub fn press_emergency_stop(&mut self, pressed: bool) -> Option<()> {
        self.safeguards.emergency_stop?;
        self.emergency_stop_pressed = pressed;
        Some(())
    }

    /// Opens or closes the guard; `None` where there is none.
    pub fn open_guard(&mut self, open: bool) -> Option<()> {
        self.safeguards.guard.then_some(())?;
        self.guard_open = open;
        Some(())
    }

    /// Whether there is a brake.
    #[must_use]
    pub fn has_brake(&self) -> bool {
        self.safeguards.brake.is_some()
    }

    /// Lifts the brake by its lever, which stays so, or lets it go. Let go, the drive has it again.
    pub fn lift_brake(&mut self, lifted: bool) {
        self.brake.lifted_by_hand = lifted;
    }
}
