//! Volatile and stored settings: a write is checked and volatile, a store keeps all at once, a power cycle brings back
//! what was stored.
//!
//! What it does not: act on a value (the loops take theirs over when [`Store::write`] succeeds), or touch a file: the
//! memory that survives a power cycle is simulated. Start reading at [`Store`].

use std::fmt;

use crate::base::nameplate::Nameplate;
use crate::base::time::TickRate;
use crate::drive::setting::{Setting, Settings};

/// What narrows the ranges of one drive beyond the table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Its tick rate: a notch's centre lies below half of it, where the bilinear transform ends.
    pub rate: TickRate,
    /// Its motor's peak torque in Nm: the torque limit is not set beyond it.
    pub peak_torque_nm: f64,
}

/// Why a write was not taken. Nothing has changed then.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum WriteRefusal {
    /// The value is not a number, or infinite.
    NotFinite {
        /// The setting written to.
        setting: Setting,
    },
    /// The value lies outside the range (or between 0 and the least value that means something).
    OutOfRange {
        /// The setting written to.
        setting: Setting,
        /// The value found.
        value: f64,
        /// Lowest value of this drive.
        low: f64,
        /// Highest value of this drive.
        high: f64,
    },
    /// The setting may not change while torque acts.
    WhileEnabled {
        /// The setting written to.
        setting: Setting,
    },
}

impl fmt::Display for WriteRefusal {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::NotFinite { setting } => write!(out, "{} is not a finite number", setting.name()),
            Self::WhileEnabled { setting } => {
                write!(out, "{} may not change while the drive is enabled", setting.name())
            }
            Self::OutOfRange { setting, value, low, high } => {
                let unit = Unit(setting.unit());
                write!(out, "{} = {value}{unit}; allowed ", setting.name())?;
                match (setting.least(), setting.zero_is_taken()) {
                    (0.0, _) => write!(out, "{low} to {high}{unit}"),
                    (least, true) => write!(out, "0 (off) or {least} to {high}{unit}"),
                    (least, false) => write!(out, "{low} to {high}{unit}, at least {least} in magnitude"),
                }
            }
        }
    }
}

impl std::error::Error for WriteRefusal {}

/// A unit behind a number: a space and the unit, or nothing.
struct Unit(&'static str);

impl fmt::Display for Unit {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_empty() { Ok(()) } else { write!(out, " {}", self.0) }
    }
}

impl Bounds {
    /// The bounds of a drive at this rate on a motor with this nameplate.
    #[must_use]
    pub fn new(rate: TickRate, nameplate: &Nameplate) -> Self {
        Self { rate, peak_torque_nm: nameplate.peak_torque_nm }
    }

    /// Lowest and highest value of a setting on this drive, both taken. A notch's centre ends at 49 % of the tick rate,
    /// the torque limit at the peak torque.
    #[must_use]
    pub fn range(&self, setting: Setting) -> (f64, f64) {
        let (low, high) = setting.range();
        match setting {
            Setting::Notch1Centre | Setting::Notch2Centre => (low, high.min(0.49 * f64::from(self.rate.hz))),
            Setting::TorqueLimit => (low, high.min(self.peak_torque_nm)),
            _ => (low, high),
        }
    }

    /// The value itself when this drive would take it while disabled, else why not.
    ///
    /// # Errors
    /// Not finite, or out of range.
    pub fn check(&self, setting: Setting, value: f64) -> Result<f64, WriteRefusal> {
        if !value.is_finite() {
            return Err(WriteRefusal::NotFinite { setting });
        }
        let (low, high) = self.range(setting);
        let means_something = setting.least() <= value.abs() || (value == 0.0 && setting.zero_is_taken());
        if low <= value && value <= high && means_something {
            Ok(value)
        } else {
            Err(WriteRefusal::OutOfRange { setting, value, low, high })
        }
    }
}

/// The settings of a drive: the volatile set that acts, and the stored one that a power cycle brings back.
///
/// The memory has two places and a mark that says which one holds. Storing writes the other place setting by setting
/// and moves the mark last, so a power cut in between leaves the old set and never a mixture.
#[derive(Clone, Debug, PartialEq)]
pub struct Store {
    bounds: Bounds,
    volatile: Settings,
    places: [Settings; 2],
    mark: usize,
}

impl Store {
    /// A store whose volatile and stored settings are these.
    #[must_use]
    pub fn new(bounds: Bounds, settings: Settings) -> Self {
        Self { bounds, volatile: settings, places: [settings; 2], mark: 0 }
    }

    /// The ranges of this drive.
    #[must_use]
    pub fn bounds(&self) -> &Bounds {
        &self.bounds
    }

    /// The volatile value of a setting, the one that acts.
    #[must_use]
    pub fn read(&self, setting: Setting) -> f64 {
        self.volatile.get(setting)
    }

    /// Writes a volatile value and gives it back. `enabled`: torque acts.
    ///
    /// # Errors
    /// Not finite, out of range, or not to be changed while enabled; nothing has changed then.
    pub fn write(&mut self, setting: Setting, value: f64, enabled: bool) -> Result<f64, WriteRefusal> {
        let value = self.bounds.check(setting, value)?;
        if enabled && !setting.writable_while_enabled() {
            return Err(WriteRefusal::WhileEnabled { setting });
        }
        self.volatile.set(setting, value);
        Ok(value)
    }

    /// Keeps all volatile settings through power cycles.
    pub fn store(&mut self) {
        self.store_until_cut(Self::STORE_WRITES);
    }

    /// Writes into the memory that one store takes: one per setting, and one for the mark.
    pub const STORE_WRITES: usize = Setting::ALL.len() + 1;

    /// Begins to store, and loses power after so many writes into the memory; with all [`Store::STORE_WRITES`] it is
    /// complete. The volatile settings are as they were: call [`Store::power_cycle`] next.
    pub fn store_until_cut(&mut self, writes: usize) {
        let spare = 1 - self.mark;
        for setting in Setting::ALL.into_iter().take(writes) {
            self.places[spare].set(setting, self.volatile.get(setting));
        }
        if Self::STORE_WRITES <= writes {
            self.mark = spare;
        }
    }

    /// Power off and on: the volatile settings become the stored ones.
    pub fn power_cycle(&mut self) {
        self.volatile = *self.stored();
    }

    /// What a power cycle brings back.
    #[must_use]
    pub fn stored(&self) -> &Settings {
        &self.places[self.mark]
    }

    /// What acts.
    #[must_use]
    pub fn volatile(&self) -> &Settings {
        &self.volatile
    }
}
