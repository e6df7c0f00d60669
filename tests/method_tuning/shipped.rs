//! The promise on the three shipped machines: `careful` holds every limit, nominal and in every corner, whatever the
//! noise; `hasty` misses margins on each, since a bare motor's reset time makes a coupled load swing.
//!
//! Programmes, limits and corners are those of the shipped scenarios.

use plantstand::base::units::{DEG_RAD, RPM_RAD_PER_S};
use plantstand::drive::setting::{Setting, Settings};
use plantstand::method::Carried;

use crate::bench::{Bench, Outside};
use crate::examination::{Entry, Outcome, Taken, examine};
use crate::machines::Machine;

const NOTHING: Outside = Outside { load_nm: 0.0, resisting_nm: 0.0 };

/// What a machine is examined for.
struct Sheet {
    programme: Vec<Entry>,
    taken: Taken,
    /// Entries, by place, in which a step is judged, and its limits.
    steps: Vec<usize>,
    overshoot_percent: f64,
    settling_time_s: f64,
    dip: (usize, f64),
    noise: (usize, f64),
    phase_margin_deg: f64,
    sensitivity_peak: f64,
}

fn roll_sheet() -> Sheet {
    let dough = Outside { load_nm: 0.0, resisting_nm: 1.5 };
    Sheet {
        programme: vec![
            Entry::new(0.2, 400.0, 0.0, NOTHING),
            Entry::new(1.2, 400.0, 0.0, dough),
            Entry::new(2.2, 0.0, 0.0, NOTHING),
        ],
        taken: Taken { end_s: 3.2, band_percent: 2.0, last_s: 0.5 },
        steps: vec![0],
        overshoot_percent: 15.0,
        settling_time_s: 0.22,
        dip: (1, 45.0),
        noise: (2, 2.0),
        phase_margin_deg: 30.0,
        sensitivity_peak: 2.4,
    }
}

fn arm_sheet() -> Sheet {
    let pull = Outside { load_nm: 8.0, resisting_nm: 0.0 };
    Sheet {
        programme: vec![
            Entry::new(0.5, 600.0, 0.1, NOTHING),
            Entry::new(0.95, 600.0, 0.0, NOTHING),
            Entry::new(1.3, 600.0, 0.0, pull),
            Entry::new(1.7, 0.0, 0.1, pull),
            Entry::new(2.7, -600.0, 0.1, NOTHING),
            Entry::new(3.1, -600.0, 0.0, NOTHING),
        ],
        taken: Taken { end_s: 3.5, band_percent: 5.0, last_s: 0.5 },
        steps: vec![0, 4],
        overshoot_percent: 22.0,
        settling_time_s: 0.25,
        dip: (2, 70.0),
        noise: (3, 1.5),
        phase_margin_deg: 30.0,
        sensitivity_peak: 2.4,
    }
}

fn gate_sheet() -> Sheet {
    let drag = Outside { load_nm: 0.6, resisting_nm: 0.0 };
    Sheet {
        programme: vec![
            Entry::new(0.5, 1500.0, 0.0, NOTHING),
            Entry::new(1.0, 1500.0, 0.0, drag),
            Entry::new(1.5, 0.0, 0.0, NOTHING),
            Entry::new(2.2, -1500.0, 0.0, NOTHING),
        ],
        taken: Taken { end_s: 2.9, band_percent: 2.0, last_s: 0.3 },
        steps: vec![0, 3],
        overshoot_percent: 15.0,
        settling_time_s: 0.06,
        dip: (1, 75.0),
        noise: (2, 2.0),
        phase_margin_deg: 50.0,
        sensitivity_peak: 2.2,
    }
}

/// Tunes and gives the stored settings; conduct within the machine's budget is checked on the way.
fn tuned(machine: &Machine, method: Carried, seed: u64) -> Settings {
    let mut bench = Bench::new(machine, seed);
    let outcome = method.run(&mut bench);
    let (conduct, said) = (bench.conduct, bench.said.join("\n"));
    let [low, high] = machine.window_deg;
    println!("{} with seed {seed}\n{said}\n{conduct:?}", machine.title);
    outcome.expect("the method gets to its end");
    assert_eq!((conduct.strikes, conduct.trips), (0, 0));
    assert!(low <= conduct.lowest_rad / DEG_RAD && conduct.highest_rad / DEG_RAD <= high, "{conduct:?}");
    assert!(conduct.path_rad / DEG_RAD <= machine.path_deg, "{conduct:?}");
    assert!(conduct.max_speed_rad_per_s <= machine.max_speed_rpm * RPM_RAD_PER_S, "{conduct:?}");
    assert!(machine.rate().seconds(conduct.ticks) < 25.0, "{conduct:?}");
    *bench.drive.stored()
}

/// What of a sheet was missed, as clauses.
fn missed(sheet: &Sheet, outcome: &Outcome) -> Vec<String> {
    let mut missed = Vec::new();
    let mut at_most = |what: &str, found: f64, limit: f64| {
        if limit < found || found.is_nan() {
            missed.push(format!("{what} {found:.3} beyond {limit}"));
        }
    };
    for &step in &sheet.steps {
        at_most("overshoot", outcome.entries[step].overshoot_percent, sheet.overshoot_percent);
        at_most("settling", outcome.entries[step].settling_time_s, sheet.settling_time_s);
    }
    at_most("dip", outcome.entries[sheet.dip.0].dip_rpm, sheet.dip.1);
    at_most("noise", outcome.entries[sheet.noise.0].noise_percent, sheet.noise.1);
    at_most("Ms", outcome.worth.sensitivity_peak, sheet.sensitivity_peak);
    at_most("minus phase margin", -outcome.worth.phase_margin_deg, -sheet.phase_margin_deg);
    if !outcome.worth.stable {
        missed.push("unstable".into());
    }
    missed
}

fn check_held(sheet: &Sheet, machine: &Machine, corners: &[Machine]) {
    for seed in [1, 2] {
        let settings = tuned(machine, Carried::Careful, seed);
        for examined in [machine].into_iter().chain(corners) {
            let outcome = examine(examined, &settings, &sheet.programme, &sheet.taken);
            println!("{outcome:?}");
            assert_eq!(missed(sheet, &outcome), Vec::<String>::new(), "seed {seed}");
            assert_eq!((outcome.trips, outcome.strikes), (0, 0), "seed {seed}");
        }
    }
}

/// The margins are what `hasty` misses on every machine; `others` are what else its sheet names.
fn check_missed(sheet: &Sheet, machine: &Machine, others: &[&str]) {
    let settings = tuned(machine, Carried::Hasty, 1);
    let missed = missed(sheet, &examine(machine, &settings, &sheet.programme, &sheet.taken));
    for what in ["Ms", "phase margin"].iter().chain(others) {
        assert!(missed.iter().any(|clause| clause.contains(what)), "{what} is not among {missed:?}");
    }
}

#[test]
fn careful_holds_every_limit_of_the_roll() {
    check_held(&roll_sheet(), &Machine::roll(), &[Machine::roll().worn(0.6, 12.0), Machine::roll().laden(1.8, 1.0)]);
}

#[test]
fn careful_holds_every_limit_of_the_arm() {
    check_held(&arm_sheet(), &Machine::arm(), &[Machine::arm().worn(0.7, 12.0), Machine::arm().laden(1.6, 1.5)]);
}

#[test]
fn careful_holds_every_limit_of_the_gate() {
    let corners = [Machine::gate().dry(), Machine::gate().worn(0.7, 0.0), Machine::gate().laden(1.6, 1.0)];
    check_held(&gate_sheet(), &Machine::gate(), &corners);
}

/// The gate is the machine whose gain cannot simply be lowered: its resonance lies where the loop drives itself.
#[test]
fn careful_gives_the_gate_a_wide_notch_and_the_others_none() {
    let notch = |machine: &Machine| {
        let settings = tuned(machine, Carried::Careful, 3);
        (settings.get(Setting::Notch1Centre), settings.get(Setting::Notch1Width))
    };
    let (centre_hz, width_hz) = notch(&Machine::gate());
    assert!((400.0..=483.0).contains(&centre_hz) && 0.5 * centre_hz <= width_hz, "{centre_hz} Hz, {width_hz} Hz wide");
    assert_eq!(notch(&Machine::roll()).0, 0.0);
    assert_eq!(notch(&Machine::arm()).0, 0.0);
}

#[test]
fn hasty_misses_the_roll() {
    check_missed(&roll_sheet(), &Machine::roll(), &["overshoot", "noise"]);
}

#[test]
fn hasty_misses_the_arm() {
    check_missed(&arm_sheet(), &Machine::arm(), &["settling", "noise"]);
}

#[test]
fn hasty_misses_the_gate() {
    check_missed(&gate_sheet(), &Machine::gate(), &[]);
}
