//! The section `[drive.settings]`: names and ranges are the drive's own.
//!
//! What it does not: know a setting. Start reading at [`settings`].

use crate::base::safeguard::BrakeTimes;
use crate::base::time::TickRate;
use crate::base::units::TURN_RAD;
use crate::drive::setting::{DefaultsFrom, Setting, Settings};
use crate::drive::store::{Bounds, WriteRefusal};
use crate::scenario::Commands;
use crate::scenario::complaint::Kind;
use crate::scenario::file::Entry;
use crate::scenario::keys::{NEEDED_SETTINGS, NEEDED_SPEED_SETTINGS};
use crate::scenario::reader::{Complaints, join};
use crate::scenario::shape::{Range, figure};
use crate::scenario::view::View;

/// What a drive's settings are before the file says anything.
pub(crate) struct New {
    /// What the defaults are taken from; none where that is not sound.
    pub(crate) from: Option<DefaultsFrom>,
    /// Who closes the speed loop.
    pub(crate) commands: Commands,
    /// How long the nominal machine's brake takes: the drive is told the truth unless the file says otherwise.
    pub(crate) brake_times: Option<BrakeTimes>,
}

impl New {
    fn settings(&self) -> Option<Settings> {
        let mut settings = Settings::defaults(self.from.as_ref()?);
        if self.commands != Commands::Speed {
            settings.set(Setting::SpeedGain, braking_gain_nms_per_rad(&settings));
        }
        if let Some(BrakeTimes { opens_after_s, closes_after_s }) = self.brake_times {
            settings.set(Setting::BrakeOpens, opens_after_s);
            settings.set(Setting::BrakeCloses, closes_after_s);
        }
        Some(settings)
    }
}

/// The drive's settings: its defaults, and what the file says instead.
pub(crate) fn settings(
    root: &View<'_>,
    new: &New,
    bounds: Option<Bounds>,
    complaints: &mut Complaints,
) -> Option<Settings> {
    let drive = root.view("drive")?;
    let table = drive.table("settings")?;
    let path = drive.path_of("settings");
    // Where the motor is not sound, the table's own ranges still hold.
    let bounds = bounds.unwrap_or(Bounds { rate: TickRate { hz: 64_000 }, peak_torque_nm: f64::INFINITY });
    let found: Vec<Option<(Setting, f64)>> =
        table.entries.iter().map(|entry| setting(entry, &path, &bounds, complaints)).collect();
    let is_there = |name: &str| table.entry(name).is_some() || complaints.tell_of_misspelt(&path, name);
    let for_speed = if new.commands == Commands::Speed { NEEDED_SPEED_SETTINGS } else { &[] };
    let needed = for_speed.iter().chain(NEEDED_SETTINGS).copied();
    let missing: Vec<&str> = needed.filter(|name| !is_there(name)).collect();
    for needed in missing {
        let words = Setting::from_name(needed).map(|setting| allowed(setting, &bounds)).unwrap_or_default();
        complaints.add(table.at, Kind::Missing, join(&path, needed), format!("missing; {words}"));
    }
    let found: Option<Vec<(Setting, f64)>> = found.into_iter().collect();
    let mut settings = new.settings()?;
    for (setting, value) in found? {
        settings.set(setting, value);
    }
    refuse_crossed_travel(table.at, &path, &settings, complaints);
    Some(settings)
}

/// A quick stop is the drive's own, also where the outside closes the speed loop: without a gain in the file it brakes
/// with one that gives the bare motor a crossover of 20 Hz, slow enough for any load that is coupled to it.
fn braking_gain_nms_per_rad(settings: &Settings) -> f64 {
    settings.get(Setting::MotorInertia) * TURN_RAD * 20.0
}

fn setting(entry: &Entry, path: &str, bounds: &Bounds, complaints: &mut Complaints) -> Option<(Setting, f64)> {
    let name = entry.key.as_str();
    let path = join(path, name);
    let Some(setting) = Setting::from_name(name) else {
        let known = Setting::ALL.iter().map(|setting| setting.name());
        complaints.add(entry.at, Kind::UnknownKey, path, "unknown setting").near(name, known);
        return None;
    };
    let shown = entry.value.shown();
    let Some(value) = entry.value.kind.number() else {
        let words = format!("{} where a number belongs; {}", entry.value.kind.words(), allowed(setting, bounds));
        complaints.add(entry.value.at, Kind::WrongType, path, words).found(shown);
        return None;
    };
    match bounds.check(setting, value) {
        Ok(value) => Some((setting, value)),
        Err(WriteRefusal::NotFinite { .. } | WriteRefusal::OutOfRange { .. } | WriteRefusal::WhileEnabled { .. }) => {
            complaints.add(entry.value.at, Kind::Impossible, path, allowed(setting, bounds)).found(shown);
            None
        }
    }
}

/// What this drive takes, in words.
fn allowed(setting: Setting, bounds: &Bounds) -> String {
    let (low, high) = bounds.range(setting);
    let words = Range { low, high, unit: setting.unit() }.words();
    match (setting.least(), setting.zero_is_taken()) {
        (0.0, _) => words,
        (least, true) => format!("allowed 0 (off) or {} to {} {}", figure(least), figure(high), setting.unit()),
        (least, false) => format!("{words}, at least {} in magnitude", figure(least)),
    }
}

fn refuse_crossed_travel(at: usize, path: &str, settings: &Settings, complaints: &mut Complaints) {
    let [low, high] = [Setting::TravelMin, Setting::TravelMax].map(|setting| settings.get(setting));
    if high <= low {
        let allowed = format!("allowed above {} ° (travel_min_deg)", figure(low));
        complaints.add(at, Kind::Impossible, join(path, Setting::TravelMax.name()), allowed).found(Some(&figure(high)));
    }
}
