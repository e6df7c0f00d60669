//! A winding that warms: one body with one time constant, and resistance and magnet that follow its temperature.
//!
//! The time constants are minutes, so temperature, resistance and flux stand still within a tick and change between two;
//! the loss of a tick is the exact integral of R i² over it, and the body's answer to a mean loss is exact too:
//! T ← T + (1 − exp(−h/τ)) (T_a + R_th P − T). Linkages of the currents stay as they are when the magnet's changes, so
//! that no energy appears; the voltage that its drift would induce is some 1e-6 V, and left out. What it does not: warm
//! anything but the winding; magnets are taken to be as warm as it. Start reading at [`Heat::warm`].

use crate::base::real;
use crate::plant::motor::WindingTemperature;
use crate::plant::winding::Coils;

/// Temperature of what has no thermal model, and to which resistance and flux are referred: 20 °C.
pub(crate) const ROOM_K: f64 = 293.15;

/// Thermal model and state of a winding.
#[derive(Clone, Debug)]
pub(crate) struct Heat {
    model: WindingTemperature,
    pub(crate) winding_k: f64,
    /// At 20 °C.
    magnet_vs: f64,
    resistance_ohm: f64,
    /// Loss since the last step of temperature, in J.
    pub(crate) loss_j: f64,
}

impl Heat {
    pub(crate) fn new(model: &WindingTemperature, coils: &Coils) -> Self {
        assert!(0.0 < model.time_constant_s && 0.0 <= model.thermal_resistance_k_per_w, "a body without heat");
        Self {
            model: *model,
            winding_k: model.start_k,
            magnet_vs: coils.magnet_vs,
            resistance_ohm: coils.resistance_ohm,
            loss_j: 0.0,
        }
    }

    /// Follows the loss over a length of time; returns the coils as they are then.
    pub(crate) fn warm(&mut self, coils: &Coils, length_s: f64) -> Coils {
        let model = &self.model;
        let aim_k = model.ambient_k + model.thermal_resistance_k_per_w * self.loss_j / length_s;
        self.winding_k += (aim_k - self.winding_k) * (1.0 - real::exp(-length_s / model.time_constant_s));
        self.loss_j = 0.0;
        self.coils(coils)
    }

    /// The coils at the present temperature.
    pub(crate) fn coils(&self, coils: &Coils) -> Coils {
        let rise_k = self.winding_k - ROOM_K;
        coils.with(
            self.magnet_vs * (1.0 + self.model.flux_per_k * rise_k).max(0.0),
            self.resistance_ohm * (1.0 + self.model.resistance_per_k * rise_k).max(0.0),
        )
    }
}
