//! A method that reckons with the bare motor, as if nothing were coupled to it, and moves nothing.
//!
//! What it does not: measure. It is carried to show what that costs. Start reading at [`run`].

use crate::method::axis::{Axis, Stop, Summary};

/// What the small time constants of a speed loop sum to, in ticks: hold, delay, speed difference and current loop of a
/// common drive.
const SMALL_TIME_CONSTANTS_TICKS: f64 = 6.0;

/// Writes gain and reset time by the symmetrical optimum (Kessler, 1958) for an integrator 1/(J s) with the small time
/// constants Tσ: gain J/(2 Tσ), reset time 4 Tσ, J that of the motor alone. Then stores.
pub fn run(axis: &mut impl Axis) -> Result<Summary, Stop> {
    let small_s = SMALL_TIME_CONSTANTS_TICKS * axis.facts().rate.period_s();
    let motor_inertia_kgm2 = axis.read("motor_inertia_kgm2")?;
    axis.log("The motor's nameplate says all I need to know.")?;
    let gain = axis.write("speed_gain_nms_per_rad", motor_inertia_kgm2 / (2.0 * small_s))?;
    let reset_time_s = axis.write("speed_reset_time_s", 4.0 * small_s)?;
    axis.store()?;
    axis.log(&format!(
        "Gain {gain:.3} Nms/rad, reset time {:.1} ms, stored. Done before the coffee.",
        1e3 * reset_time_s
    ))?;
    Ok(Summary { settings: vec![("speed_gain_nms_per_rad", gain), ("speed_reset_time_s", reset_time_s)] })
}
