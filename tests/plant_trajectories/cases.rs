//! Every case of the accuracy page in one place: what is computed, what it is held against, how far off it may be, and
//! the motion whose inner step is halved to show the method's order.
//!
//! A model of its own adds a file beside this one and one entry in [`CASES`]; test and page then find it by themselves.
//! What it does not: compute a case. Start reading at [`Case`].

use plantstand::plant::stepper::{Effort, Stepping};

use crate::{friction as rubs, order, reference, winding};

/// One row of the page.
pub struct Case {
    /// What moves.
    pub name: &'static str,
    /// Where the right answer comes from.
    pub reference: &'static str,
    /// Largest error of any state, as a share of that state's span.
    pub allowed: f64,
    /// Runs it as the plant does of itself.
    pub run: fn() -> Found,
    /// A smooth motion of the same model; `None` where another case with the same equations shows the order.
    pub halving: Option<Halving>,
}

/// How a case came out.
pub struct Found {
    /// Largest error of any state over all samples, as a share of that state's span.
    pub error: f64,
    pub ticks: u64,
    pub effort: Effort,
}

/// A smooth motion under a given stepping, and the steps that are halved.
pub struct Halving {
    /// States, at one or more instants; of like size, since the largest difference among them counts.
    pub states: fn(Stepping) -> Vec<f64>,
    /// Highest power of time in the speeds, and pieces a tick that leave an error above rounding.
    pub steps: &'static [(usize, usize)],
}

/// The solver of the trajectories: SciPy's Radau and DOP853, events located; see the README beside them.
const SCIPY: &str = "SciPy, DOP853 and Radau, events located";

const fn trajectory(name: &'static str, allowed: f64, run: fn() -> Found) -> Case {
    Case { name, reference: SCIPY, allowed, run, halving: None }
}

const fn friction(name: &'static str, allowed: f64, run: fn() -> Found) -> Case {
    Case { name, reference: "SciPy, Radau for bristles, else DOP853, events located", allowed, run, halving: None }
}

/// All of them.
pub const CASES: &[Case] = &[
    Case {
        name: "two masses, linear",
        reference: "SciPy, DOP853, and the matrix exponential",
        allowed: 1e-8,
        run: || reference::found("a_linear_two_mass_chirp"),
        halving: Some(Halving { states: order::linear, steps: &[(3, 8), (4, 8), (6, 4)] }),
    },
    trajectory("two masses, play and friction", 1e-5, || reference::found("b_two_mass_play_friction")),
    trajectory("three masses, gear, two gaps", 1e-5, || reference::found("c_three_mass_gear_two_gaps")),
    trajectory("stick-slip", 1e-5, || reference::found("d_stick_slip_ramp")),
    trajectory("rigid axis, coasting and torn off", 1e-5, || reference::found("e_rigid_coast_and_breakaway")),
    trajectory("stiff gears that rattle", 1e-5, || reference::found("f_stiff_rattle")),
    Case {
        halving: Some(Halving { states: winding::plain, steps: &[(3, 16), (4, 16), (6, 8)] }),
        ..trajectory("synchronous motor, two masses", 1e-8, || reference::found("g_synchronous_smooth"))
    },
    trajectory("synchronous motor, play", 1e-5, || reference::found("h_synchronous_play")),
    Case {
        halving: Some(Halving { states: winding::with_effects, steps: &[(3, 64), (4, 64)] }),
        ..trajectory("synchronous motor, play, saturation, flux harmonics, dead time", 1e-5, || {
            reference::found("i_synchronous_effects")
        })
    },
    trajectory("two masses, gear, torque limiter, play, friction", 1e-5, || {
        reference::found("k_limiter_play_friction")
    }),
    trajectory("two masses, fan, harmonics, brake", 1e-5, || reference::found("l_fan_harmonics_brake")),
    Case {
        name: "Stribeck friction, unbalanced arm, torque lag",
        reference: "itself in pieces of a tenth",
        allowed: 1e-8,
        run: || order::against_finer(order::curved),
        halving: Some(Halving {
            states: |stepping| order::curved(stepping).0,
            steps: &[(3, 64), (4, 32), (6, 8), (8, 4)],
        }),
    },
    friction("bristles that stick and slip, the paper's numbers", 1e-6, || rubs::found("bristle_paper")),
    friction("bristles of an axis", 1e-6, || rubs::found("bristle_axis")),
    friction("bristles before they slip", 1e-6, || rubs::found("bristle_presliding")),
    friction("bristles on a load, Stribeck exponent 1", 1e-6, || rubs::found("bristle_two_masses")),
    friction("bristles, stiff", 1e-6, || rubs::found("bristle_stiff")),
    friction("bristles, very stiff", 1e-6, || rubs::found("bristle_very_stiff")),
    friction("friction by direction", 1e-5, || rubs::found("direction")),
    friction("viscous friction by direction", 1e-5, || rubs::found("direction_viscous_only")),
    friction("friction by place in a turn", 1e-5, || rubs::found("per_turn")),
    friction("friction by direction and place", 1e-5, || rubs::found("direction_and_per_turn")),
    friction("a bearing that warms", 1e-5, || rubs::found("warming")),
];
