//! Promise: a settings file is read on top of other settings, and everything that is wrong with one is said at once, with
//! line, what is allowed and the nearest known name.

use plantstand::base::time::TickRate;
use plantstand::drive::setting::{Setting, Settings};
use plantstand::drive::store::Bounds;
use plantstand::scenario::settings_file::read;
use plantstand::scenario::{self, Scenario};

fn roll() -> Scenario {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/scenarios/dough-sheeter.toml");
    scenario::read(path, &std::fs::read_to_string(path).unwrap()).unwrap()
}

fn read_onto_roll(text: &str) -> Result<Settings, Vec<String>> {
    let roll = roll();
    read("x.toml", text, &Bounds::new(TickRate { hz: 8000 }, &roll.nameplate), roll.settings)
}

#[test]
fn what_a_file_does_not_name_stays() {
    let settings = read_onto_roll("[about]\nwho = \"me\"\n[settings]\nspeed_gain_nms_per_rad = 0.3\n").unwrap();
    assert_eq!(settings.get(Setting::SpeedGain), 0.3);
    assert_eq!(settings.get(Setting::TorqueLimit), roll().settings.get(Setting::TorqueLimit));
}

#[test]
fn every_complaint_comes_at_once_and_in_the_order_of_the_file() {
    let text =
        "[settings]\nspeed_gain_nms_per_radd = 0.1\ntorque_limit_nm = \"x\"\nspeed_reset_time_s = -1\n[foo]\na = 1\n";
    assert_eq!(
        read_onto_roll(text).unwrap_err(),
        [
            "x.toml:2: speed_gain_nms_per_radd: no setting of the drive; did you mean speed_gain_nms_per_rad?",
            "x.toml:3: torque_limit_nm is a string; allowed: a number",
            "x.toml:4: speed_reset_time_s = -1 s; allowed 0 (off) or 0.00001 to 1000 s",
            "x.toml:5: foo: unknown table; allowed settings, nameplate, about",
        ]
    );
}
