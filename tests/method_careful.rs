//! The promise: on the three shipped machines `careful` finds settings that hold every limit, nominal and in every
//! corner, and treats the machine well meanwhile; `hasty` misses for the reason that its sheet names.
//!
//! The same is shown over the link by the trials of the shipped scenarios; here it is shown stage by stage.

mod method_machine;

use method_machine::examination::{Entry, Outcome, examine};
use method_machine::machines::Machine;
use method_machine::{Bench, Outside};
use plantstand::base::units::{DEG_RAD, RPM_RAD_PER_S};
use plantstand::drive::setting::Settings;
use plantstand::method::Carried;

const NOTHING: Outside = Outside { load_nm: 0.0, resisting_nm: 0.0 };

fn entry(at_s: f64, speed_rpm: f64, over_s: f64, outside: Outside) -> Entry {
    Entry { at_s, speed_rpm, over_s, outside }
}

/// Tunes and gives the stored settings; conduct within the machine's budget is checked here.
fn tuned(machine: &Machine, method: Carried) -> Settings {
    let mut bench = Bench::new(machine, 5);
    let outcome = method.run(&mut bench);
    let conduct = bench.conduct;
    let [low, high] = machine.window_deg;
    println!("{}\n{}", machine.title, bench.said.join("\n"));
    println!("{conduct:?}");
    outcome.expect("the method gets to its end");
    assert_eq!((conduct.strikes, conduct.trips), (0, 0));
    assert!(low <= conduct.lowest_rad / DEG_RAD && conduct.highest_rad / DEG_RAD <= high, "{conduct:?}");
    assert!(conduct.path_rad / DEG_RAD <= machine.path_deg, "{conduct:?}");
    assert!(conduct.max_speed_rad_per_s <= machine.max_speed_rpm * RPM_RAD_PER_S, "{conduct:?}");
    assert!(machine.rate().seconds(conduct.ticks) < 60.0, "{conduct:?}");
    *bench.drive.stored()
}

fn roll_examined(machine: &Machine, settings: &Settings) -> Outcome {
    let dough = Outside { load_nm: 0.0, resisting_nm: 1.5 };
    let programme = [entry(0.2, 400.0, 0.0, NOTHING), entry(1.2, 400.0, 0.0, dough), entry(2.2, 0.0, 0.0, NOTHING)];
    examine(machine, settings, &programme, 3.2, 2.0, 0.5)
}

fn arm_examined(machine: &Machine, settings: &Settings) -> Outcome {
    let pull = Outside { load_nm: 8.0, resisting_nm: 0.0 };
    let programme = [
        entry(0.5, 600.0, 0.1, NOTHING),
        entry(0.95, 600.0, 0.0, NOTHING),
        entry(1.3, 600.0, 0.0, pull),
        entry(1.7, 0.0, 0.1, pull),
        entry(2.7, -600.0, 0.1, NOTHING),
        entry(3.1, -600.0, 0.0, NOTHING),
    ];
    examine(machine, settings, &programme, 3.5, 5.0, 0.5)
}

fn gate_examined(machine: &Machine, settings: &Settings) -> Outcome {
    let drag = Outside { load_nm: 0.6, resisting_nm: 0.0 };
    let programme = [
        entry(0.5, 1500.0, 0.0, NOTHING),
        entry(1.0, 1500.0, 0.0, drag),
        entry(1.5, 0.0, 0.0, NOTHING),
        entry(2.2, -1500.0, 0.0, NOTHING),
    ];
    examine(machine, settings, &programme, 2.9, 2.0, 0.3)
}
fn show(o: &Outcome) {
    for e in &o.entries {
        println!(
            "   os {:.1} st {:.3} dip {:.1} noise {:.2}",
            e.overshoot_percent, e.settling_time_s, e.dip_rpm, e.noise_percent
        )
    }
    println!(
        "   Ms {:.2} PM {:.0} {} trips {} strikes {}",
        o.worth.sensitivity_peak, o.worth.phase_margin_deg, o.worth.stable, o.trips, o.strikes
    );
}
#[test]
fn a() {
    for m in [Carried::Careful] {
        let s = tuned(&Machine::roll(), m);
        for c in [Machine::roll(), Machine::roll().worn(0.6, 12.0), Machine::roll().laden(1.8, 1.0)] {
            show(&roll_examined(&c, &s));
        }
        let s = tuned(&Machine::arm(), m);
        for c in [Machine::arm(), Machine::arm().worn(0.7, 12.0), Machine::arm().laden(1.6, 1.5)] {
            show(&arm_examined(&c, &s));
        }
        let s = tuned(&Machine::gate(), m);
        for c in
            [Machine::gate(), Machine::gate().dry(), Machine::gate().worn(0.7, 0.0), Machine::gate().laden(1.6, 1.0)]
        {
            show(&gate_examined(&c, &s));
        }
    }
}
