//! What happens during the examination: setpoint and programme torques, tick by tick.
//!
//! Values are exact: a ramp is reckoned from its ends at every tick, never summed up. What it does not: the drive's
//! own ramp and low-pass, the loads that belong to the machine. Start reading at [`Programme::at`].

use crate::base::faults::Faults;
use crate::plant::stepper::Ramp;

/// One entry of the programme as the file gives it, in ticks and SI.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its name; limits point at it.
    pub name: String,
    /// The tick in which it begins to act.
    pub at_tick: u64,
    /// New setpoint of the motor speed in rad/s; none keeps what is.
    pub speed_rad_per_s: Option<f64>,
    /// Ticks over which the setpoint goes there; 0 is a step.
    pub over_ticks: u64,
    /// New load torque at the load in Nm; none keeps what is.
    pub load_torque_nm: Option<f64>,
    /// New resisting torque at the load in Nm, at least 0; none keeps what is.
    pub resisting_torque_nm: Option<f64>,
    /// Ticks over which both torques go there; 0 is a step.
    pub load_over_ticks: u64,
    /// What goes wrong on purpose from this entry on.
    pub faults: Faults,
}

/// What the programme asks of one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demand {
    /// Setpoint of the motor speed at the start of the tick, before the drive's ramp and low-pass, in rad/s.
    pub setpoint_rad_per_s: f64,
    /// Load torque over the tick, at the load, in Nm.
    pub load_torque_nm: Ramp,
    /// Resisting torque over the tick, at the load, in Nm.
    pub resisting_torque_nm: Ramp,
}

/// The window of an entry: from its start to the next entry's, or to the end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProgrammeWindow {
    /// The entry's name.
    pub name: String,
    /// First tick.
    pub start_tick: u64,
    /// The tick at whose start it ends.
    pub end_tick: u64,
}

/// The entries in order, ready to be asked.
#[derive(Clone, Debug, PartialEq)]
pub struct Programme {
    entries: Vec<Entry>,
    end_tick: u64,
    setpoint: Track,
    load: Track,
    resisting: Track,
}

impl Programme {
    /// A programme of entries whose `at_tick` ascend, ending at the start of `end_tick`.
    ///
    /// Everything is 0 before the first entry. A quantity that is still on its way when an entry gives it a new value
    /// goes on from where it is.
    ///
    /// # Panics
    /// When the entries do not ascend or one begins at or after the end.
    #[must_use]
    pub fn new(entries: Vec<Entry>, end_tick: u64) -> Self {
        assert!(entries.is_sorted_by(|a, b| a.at_tick < b.at_tick), "entries must ascend");
        assert!(entries.iter().all(|entry| entry.at_tick < end_tick), "an entry must begin before the end");
        let setpoint = Track::new(&entries, |entry| (entry.speed_rad_per_s, entry.over_ticks));
        let load = Track::new(&entries, |entry| (entry.load_torque_nm, entry.load_over_ticks));
        let resisting = Track::new(&entries, |entry| (entry.resisting_torque_nm, entry.load_over_ticks));
        Self { entries, end_tick, setpoint, load, resisting }
    }

    /// The entries in order.
    #[must_use]
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// The tick at whose start the examination ends.
    #[must_use]
    pub fn end_tick(&self) -> u64 {
        self.end_tick
    }

    /// What is asked of a tick. A step at tick k is in its setpoint and from its start to its end in the torques; after
    /// the end the last values hold.
    #[must_use]
    pub fn at(&self, tick: u64) -> Demand {
        Demand {
            setpoint_rad_per_s: self.setpoint.piece_at(tick).value(tick),
            load_torque_nm: self.load.over(tick),
            resisting_torque_nm: self.resisting.over(tick),
        }
    }

    /// What begins to go wrong at the start of a tick; nothing where no entry with a fault begins.
    #[must_use]
    pub fn faults_at(&self, tick: u64) -> Faults {
        let entry = self.entries.binary_search_by_key(&tick, |entry| entry.at_tick);
        entry.map_or_else(|_| Faults::default(), |entry| self.entries[entry].faults)
    }

    /// The setpoint just before an entry acts, in rad/s: the initial value of its step.
    #[must_use]
    pub fn setpoint_before_rad_per_s(&self, entry: usize) -> f64 {
        self.entries.get(entry).map_or(0.0, |entry| self.setpoint.before(entry.at_tick))
    }

    /// The setpoint at the end of an entry's window, in rad/s: the final value of its step.
    #[must_use]
    pub fn setpoint_at_end_rad_per_s(&self, entry: usize) -> f64 {
        self.window(entry).map_or(0.0, |window| self.setpoint.before(window.end_tick))
    }

    /// The window of an entry by its index.
    #[must_use]
    pub fn window(&self, entry: usize) -> Option<ProgrammeWindow> {
        let found = self.entries.get(entry)?;
        let end_tick = self.entries.get(entry + 1).map_or(self.end_tick, |next| next.at_tick);
        Some(ProgrammeWindow { name: found.name.clone(), start_tick: found.at_tick, end_tick })
    }

    /// Every entry's window, in order.
    #[must_use]
    pub fn windows(&self) -> Vec<ProgrammeWindow> {
        (0..self.entries.len()).filter_map(|entry| self.window(entry)).collect()
    }
}

/// One quantity over time: pieces in order, the first from tick 0.
#[derive(Clone, Debug, PartialEq)]
struct Track(Vec<Piece>);

impl Track {
    fn new(entries: &[Entry], change: impl Fn(&Entry) -> (Option<f64>, u64)) -> Self {
        let mut track = Self(vec![Piece { at_tick: 0, over_ticks: 0, from: 0.0, to: 0.0 }]);
        for entry in entries {
            if let (Some(to), over_ticks) = change(entry) {
                let from = track.piece_at(entry.at_tick).value(entry.at_tick);
                track.0.push(Piece { at_tick: entry.at_tick, over_ticks, from, to });
            }
        }
        track
    }

    /// The piece that acts from the start of a tick on.
    fn piece_at(&self, tick: u64) -> Piece {
        let after = self.0.partition_point(|piece| piece.at_tick <= tick);
        self.0[after.max(1) - 1]
    }

    /// The value just before a tick begins.
    fn before(&self, tick: u64) -> f64 {
        let after = self.0.partition_point(|piece| piece.at_tick < tick);
        self.0[after.max(1) - 1].value(tick)
    }

    fn over(&self, tick: u64) -> Ramp {
        let piece = self.piece_at(tick);
        Ramp { start: piece.value(tick), end: piece.value(tick.saturating_add(1)) }
    }
}

/// A step or a ramp that begins at a tick and then holds.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Piece {
    at_tick: u64,
    over_ticks: u64,
    from: f64,
    to: f64,
}

impl Piece {
    fn value(self, tick: u64) -> f64 {
        let gone_ticks = tick.saturating_sub(self.at_tick);
        if self.over_ticks <= gone_ticks {
            return self.to;
        }
        self.from + (self.to - self.from) * (gone_ticks as f64 / self.over_ticks as f64)
    }
}
