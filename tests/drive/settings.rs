//! Settings: one table, checked writes, volatile and stored copies, power cycles and power cuts.

use plantstand::base::time::TickRate;
use plantstand::drive::Drive;
use plantstand::drive::setting::{Setting, Settings, TRAVEL_UNLIMITED_DEG};
use plantstand::drive::state::State;
use plantstand::drive::store::{Bounds, Store, WriteRefusal};

use crate::{asking_rpm, built_into, drive_with, tuned_drive_with};

/// Numbers run from 1, names carry their unit and lead back to their row.
#[test]
fn every_setting_has_its_row() {
    let bounds = Bounds::new(crate::RATE, &built_into().nameplate);
    for (index, setting) in Setting::ALL.into_iter().enumerate() {
        assert_eq!(usize::from(setting.number()), index + 1);
        assert_eq!(Setting::from_number(setting.number()), Some(setting));
        assert_eq!(Setting::from_name(setting.name()), Some(setting));
        assert!(!setting.what().is_empty());
        let default = setting.default_value(&built_into());
        assert_eq!(bounds.check(setting, default), Ok(default), "{}", setting.name());
    }
    assert_eq!((Setting::from_number(0), Setting::from_number(Setting::ALL.len() as u16 + 1)), (None, None));
    assert_eq!(Setting::from_name("speed_gain"), None);
}

/// The names, each with the unit it promises to people.
#[test]
fn names_carry_their_unit() {
    let endings = [
        ("_nms_per_rad", "Nm·s/rad"),
        ("_rpm_per_s", "rpm/s"),
        ("_kgm2", "kg·m²"),
        ("_rpm", "rpm"),
        ("_hz", "Hz"),
        ("_db", "dB"),
        ("_deg", "°"),
        ("_nm", "Nm"),
        ("_counts", "counts"),
        ("counts_per_turn", "counts"),
        ("gear_ratio", ""),
        ("_s", "s"),
        ("_v_per_a", "V/A"),
        ("_ohm", "ohm"),
        ("_h", "H"),
        ("_vs", "Vs"),
        ("_a_rms", "A"),
        ("_a", "A"),
        ("_v", "V"),
        ("pole_pairs", ""),
        ("sensor_sign", ""),
    ];
    for setting in Setting::ALL {
        let (_, unit) = endings.iter().find(|(ending, _)| setting.name().ends_with(ending)).unwrap();
        assert_eq!(setting.unit(), *unit, "{}", setting.name());
    }
}

/// Ramps, filters, notches, feed-forward and the deviation trip are off; speeds and travel come from the axis without a
/// trace of the way through SI units.
#[test]
fn defaults_are_off_or_from_the_machine() {
    let from = plantstand::drive::setting::DefaultsFrom {
        travel_rad: Some([-110.0_f64.to_radians(), 110.0_f64.to_radians()]),
        max_speed_rad_per_s: 1200.0 * plantstand::base::units::RPM_RAD_PER_S,
        ..built_into()
    };
    let settings = Settings::defaults(&from);
    let off = [
        Setting::SpeedFilter,
        Setting::SetpointRamp,
        Setting::SetpointLowpass,
        Setting::TorqueLowpass,
        Setting::Notch1Centre,
        Setting::Notch2Centre,
        Setting::InertiaFeedforward,
        Setting::DeviationTrip,
    ];
    assert!(off.into_iter().all(|setting| settings.get(setting) == 0.0 && setting.zero_is_taken()));
    assert_eq!(settings.get(Setting::QuickStop), 10_000.0);
    assert_eq!(settings.get(Setting::SpeedLimit), 1200.0);
    assert_eq!(settings.get(Setting::RatedSpeed), 3000.0);
    assert_eq!((settings.get(Setting::TravelMin), settings.get(Setting::TravelMax)), (-110.0, 110.0));
    let endless = Settings::defaults(&built_into());
    assert_eq!(endless.get(Setting::TravelMax), TRAVEL_UNLIMITED_DEG);
}

/// A refused write changes nothing and says why, with the bounds.
fn check_refusal(setting: Setting, value: f64, message: &str) {
    let mut drive = tuned_drive_with(&[]);
    let before = *drive.settings();
    let refusal = drive.write(setting, value).unwrap_err();
    assert_eq!(refusal.to_string(), message);
    assert_eq!(*drive.settings(), before);
}

#[test]
fn a_refused_write_says_why() {
    check_refusal(Setting::SpeedGain, f64::NAN, "speed_gain_nms_per_rad is not a finite number");
    check_refusal(Setting::SpeedGain, f64::INFINITY, "speed_gain_nms_per_rad is not a finite number");
    let gain = "speed_gain_nms_per_rad = -0.1 Nm·s/rad; allowed 0 (off) or 0.000000001 to 1000 Nm·s/rad";
    check_refusal(Setting::SpeedGain, -0.1, gain);
    check_refusal(Setting::Notch1Centre, 4000.0, "notch_1_hz = 4000 Hz; allowed 0 (off) or 1 to 3920 Hz");
    check_refusal(Setting::Notch1Centre, 0.5, "notch_1_hz = 0.5 Hz; allowed 0 (off) or 1 to 3920 Hz");
    check_refusal(Setting::TorqueLimit, 6.1, "torque_limit_nm = 6.1 Nm; allowed 0 to 6 Nm");
    check_refusal(Setting::QuickStop, 0.0, "quick_stop_rpm_per_s = 0 rpm/s; allowed 1 to 10000000 rpm/s");
    let ratio = "gear_ratio = 0; allowed -1000000 to 1000000, at least 0.000001 in magnitude";
    check_refusal(Setting::GearRatio, 0.0, ratio);
    check_refusal(Setting::GearRatio, 2.0, "gear_ratio may not change while the drive is enabled");
}

/// Nameplate data change while disabled only, everything else at any time.
#[test]
fn nameplate_data_do_not_change_while_enabled() {
    let mut disabled = drive_with(&[]);
    let mut enabled = tuned_drive_with(&[]);
    for setting in Setting::ALL {
        let value = disabled.read(setting);
        assert_eq!(disabled.write(setting, value), Ok(value));
        let refused = enabled.write(setting, value) == Err(WriteRefusal::WhileEnabled { setting });
        assert_eq!(refused, setting.what().starts_with("nameplate"), "{}", setting.name());
    }
}

/// The rate decides where a notch may lie.
#[test]
fn the_notch_stays_below_half_the_rate() {
    let range = |hz| Bounds::new(TickRate { hz }, &built_into().nameplate).range(Setting::Notch2Centre);
    assert_eq!(range(8000), (0.0, 3920.0));
    assert_eq!(range(1000), (0.0, 490.0));
}

/// A written setting acts from the next tick on.
#[test]
fn a_write_acts_in_the_next_tick() {
    let mut drive = tuned_drive_with(&[(Setting::SpeedResetTime, 0.0)]);
    let request = asking_rpm(30.0);
    drive.tick(0, &request);
    drive.write(Setting::SpeedGain, 0.2).unwrap();
    assert_eq!(drive.tick(0, &request).0.torque_command_nm, 0.2 * request.speed_rad_per_s);
}

/// A power cycle loses what was not stored, keeps what was, and the loop works with what came back.
#[test]
fn a_power_cycle_brings_back_what_was_stored() {
    let mut drive = tuned_drive_with(&[]);
    drive.write(Setting::SpeedGain, 0.25).unwrap();
    drive.store();
    drive.write(Setting::SpeedGain, 0.5).unwrap();
    drive.write(Setting::TorqueLowpass, 600.0).unwrap();
    assert_eq!(drive.stored().get(Setting::SpeedGain), 0.25);
    drive.tick(0, &asking_rpm(30.0));
    drive.power_cycle();
    assert_eq!((drive.state(), drive.integrator_torque_nm()), (State::SwitchOnDisabled, 0.0));
    assert_eq!((drive.read(Setting::SpeedGain), drive.read(Setting::TorqueLowpass)), (0.25, 0.0));
    assert_eq!(drive.coefficients().speed_loop.pi.gain_nms_per_rad, 0.25);
    assert_eq!(drive.coefficients().speed_loop.torque_lowpass.a, 0.0);
}

/// The start of an examination is the same to the bit whatever the drive did before.
#[test]
fn an_examination_starts_at_rest() {
    let fresh = tuned_drive_with(&[]);
    let mut used = tuned_drive_with(&[]);
    for k in 0..1000 {
        used.tick(k * k, &asking_rpm(500.0));
    }
    used.start_enabled();
    let run = |mut drive: Drive| -> Vec<_> { (0..100).map(|k| drive.tick(7 * k, &asking_rpm(100.0))).collect() };
    let (first, second) = (run(fresh), run(used));
    assert_eq!(first, second);
    assert_eq!((first[0].0.tick, first[0].0.measured_speed_rad_per_s), (0, 0.0));
}

/// Power lost after any number of writes into the memory leaves the old set or, once complete, the new one; and the
/// next store works as ever.
#[test]
fn a_power_cut_while_storing_leaves_no_mixture() {
    let old = Settings::defaults(&built_into());
    for writes in 0..=Store::STORE_WRITES {
        let mut drive = drive_with(&[]);
        let changed = [(Setting::SpeedGain, 0.3), (Setting::Notch2Depth, 12.0), (Setting::AngleZero, 77.0)];
        for (setting, value) in changed {
            drive.write(setting, value).unwrap();
        }
        let new = *drive.settings();
        drive.cut_power_while_storing(writes);
        let expected = if writes == Store::STORE_WRITES { new } else { old };
        assert_eq!((*drive.stored(), *drive.settings()), (expected, expected), "{writes} writes");
        drive.write(Setting::SpeedGain, 0.4).unwrap();
        drive.store();
        drive.power_cycle();
        assert_eq!(drive.read(Setting::SpeedGain), 0.4);
    }
}

/// Settings that the drive would refuse are our own mistake where a drive is made.
#[test]
#[should_panic(expected = "torque_limit_nm = 7 Nm")]
fn a_drive_is_not_made_from_settings_it_would_refuse() {
    drive_with(&[(Setting::TorqueLimit, 7.0)]);
}
