//! The energy audit: where the supplied work went.
//!
//! What it does not: run unless asked for. Start reading at [`Energy::residual_j`].

/// Sums of work since tick 0, in J; all 0 unless the audit was asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Energy {
    /// Work of the motor's torque on node 0.
    pub supplied_j: f64,
    /// The same with every piece's work counted as positive: the measure of how much was moved to and fro.
    pub supplied_gross_j: f64,
    /// Lost in the nodes' friction and in resisting loads.
    pub friction_j: f64,
    /// Lost in the couplings' dampers, in open gaps too.
    pub damping_j: f64,
    /// Lost in the end stops.
    pub stops_j: f64,
    /// Lost when the clamp caught a moving motor.
    pub clamp_j: f64,
    /// Work done against loads that may give it back: constant, unbalanced arm, the programme's load torque.
    pub load_j: f64,
    /// Stored at the start: kinetic, and in the springs of couplings and stops.
    pub stored_start_j: f64,
    /// Stored now.
    pub stored_j: f64,
}

impl Energy {
    /// What is unaccounted for: stored + lost + load − supplied; 0 but for rounding.
    #[must_use]
    pub fn residual_j(&self) -> f64 {
        let lost_j = self.friction_j + self.damping_j + self.stops_j + self.clamp_j;
        (self.stored_j - self.stored_start_j) + lost_j + self.load_j - self.supplied_j
    }

    /// The work done: what the motor moved to and fro, and what was stored at the start. The residual's yardstick.
    #[must_use]
    pub fn work_j(&self) -> f64 {
        self.supplied_gross_j + self.load_j.abs() + self.stored_start_j
    }
}
