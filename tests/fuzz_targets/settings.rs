//! The promise of the settings file's reader: any text is settings that the drive takes, or complaints that name the file.
//!
//! Start reading at [`check`].

use plantstand::base::time::TickRate;
use plantstand::drive::setting::Setting;
use plantstand::drive::store::Bounds;
use plantstand::scenario::settings_file::read;

use super::{dough_sheeter, text};

/// Pieces of such a file.
pub const WORDS: &[&str] = &[
    "[settings]\n",
    "speed_gain_nms_per_rad = ",
    "notch_1_hz",
    "nan",
    "inf",
    "1e400",
    "-",
    "\"",
    "[[",
    "\n",
    "=",
    "'''",
];

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    let scenario = dough_sheeter();
    let bounds = Bounds::new(TickRate { hz: 8000 }, &scenario.nameplate);
    match read("x.toml", text, &bounds, scenario.settings) {
        Ok(settings) => {
            for setting in Setting::ALL {
                let value = settings.get(setting);
                let allowed = value == scenario.settings.get(setting) || bounds.check(setting, value).is_ok();
                assert!(allowed && value.is_finite(), "{} = {value}", setting.name());
            }
        }
        Err(complaints) => {
            assert!(!complaints.is_empty(), "refused without a complaint");
            assert!(complaints.iter().all(|complaint| complaint.starts_with("x.toml:")), "{complaints:?}");
        }
    }
}
