//! What goes wrong on purpose at a machine from some tick on: a programme asks for it, the run loop does it.
//!
//! What it does not: harm a link (`impairment.rs`). Start reading at [`Faults`].

/// What begins to go wrong in one tick; 0 is nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// For so many ticks the controller outside is gone, its state lost, and gives no torque.
    pub controller_reset_ticks: u64,
    /// For so many ticks the angle sensor shows its last value.
    pub sensor_frozen_ticks: u64,
    /// For so many ticks the angle sensor says itself that its value is not to be trusted.
    pub sensor_faulty_ticks: u64,
    /// From here on the angle sensor shows so many counts fewer.
    pub sensor_counts_lost: i64,
}
