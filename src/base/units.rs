//! Where files and people meet SI: the factors between trade units and SI units.
//!
//! Inside, everything is SI; these are used only where people read or write. What it does not: parse or print.

use std::f64::consts::PI;

/// One revolution per minute, in rad/s.
pub const RPM_RAD_PER_S: f64 = PI / 30.0;
/// One degree, in rad.
pub const DEG_RAD: f64 = PI / 180.0;
/// One minute of arc, in rad.
pub const ARCMIN_RAD: f64 = PI / 10_800.0;
/// One second of arc, in rad.
pub const ARCSEC_RAD: f64 = PI / 648_000.0;
/// One turn, in rad.
pub const TURN_RAD: f64 = 2.0 * PI;
