//! A coupling between two nodes: spring, damper, ratio and backlash.
//!
//! The model is that of Nordin, Galic and Gutman, New models for backlash and gear play, Int. J. Adaptive Control and
//! Signal Processing 11 (1997): with the twist x = θ_i / r − θ_{i+1} and the position b in the gap,
//! T = k (x − b) + d (x' − b'); in the open gap T is exactly 0 and b' = x' + (k/d)(x − b), at b = ±a the gap's side
//! holds b while T presses on it. Contact ends when T reaches 0, not when x does. With d = 0, b = clamp(x, −a, a). A
//! torque limiter adds a slip to the twist, which moves while |T| is at the limit.
//! What it does not: move (see [`crate::plant::stepper`]). Start reading at [`Coupling`].

/// A coupling; every value holds on its load side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Coupling {
    /// r: motor-side turns per load-side turn; not 0, may be negative.
    pub ratio: f64,
    /// k in Nm/rad, above 0.
    pub stiffness_nm_per_rad: f64,
    /// d in Nm·s/rad, at least 0.
    pub damping_nms_per_rad: f64,
    /// a in rad, half the backlash, at least 0; 0: no play.
    pub half_gap_rad: f64,
    /// The torque in Nm above which it slips, above 0; `None`: it never does.
    pub torque_limit_nm: Option<f64>,
    /// Whether it is coupled at the start.
    pub coupled: bool,
}
