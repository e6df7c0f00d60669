//! The promise: `careful` holds no constant that suits one machine. On machines drawn from a seed round and between the
//! shipped ones it finds settings that hold sensible limits, nominal and changed, or stops with a stated reason; and it
//! never strikes a stop, leaves its window, or runs too fast.

mod method_machine;

use method_machine::examination::{Entry, Outcome, examine};
use method_machine::machines::Machine;
use method_machine::{Bench, Outside};
use plantstand::base::units::{DEG_RAD, RPM_RAD_PER_S};
use plantstand::drive::setting::Settings;
use plantstand::method::Carried;

#[test]
fn a() {
    for seed in 41..=160 { one(seed); }
}
fn one(seed: u64) {
    let machine = Machine::drawn(seed);
    let r2 = machine.ratio * machine.ratio;
    let jr = machine.load_inertia_kgm2 / r2 / machine.motor_inertia_kgm2;
    let ar = (machine.stiffness_nm_per_rad / machine.load_inertia_kgm2).sqrt() / 6.2832;
    println!("== {seed}: ratio {:.1} inertia {:.1} swing {:.0} res {:.0} const {:.2} arm {:.2} (motor Nm) rated {:.2} travel {:?} start {:.0} play {:.1}", machine.ratio, jr, ar, ar*(1.0+jr).sqrt(), machine.constant_nm/machine.ratio, machine.arm_nm/machine.ratio, machine.rated_torque_nm, machine.travel.map(|t| t.travel_deg), machine.start_deg, machine.backlash_arcmin);
    let mut bench = Bench::new(&machine, seed);
    let outcome = Carried::Careful.run(&mut bench);
    let c = bench.conduct;
    println!("{}", bench.said.join("\n"));
    println!("  conduct {:.1} s {:.0}..{:.0} in {:?} path {:.0}/{:.0} speed {:.0}/{:.0} strikes {} trips {}", machine.rate().seconds(c.ticks), c.lowest_rad/DEG_RAD, c.highest_rad/DEG_RAD, machine.window_deg, c.path_rad/DEG_RAD, machine.path_deg, c.max_speed_rad_per_s/RPM_RAD_PER_S, machine.max_speed_rpm, c.strikes, c.trips);
    if let Err(e) = outcome { println!("STOP {e}"); return; }
    let s = *bench.drive.stored();
    for m in [machine.clone(), machine.clone().worn(0.6, if machine.ratio == 1.0 { 12.0 } else { 12.0f64.max(machine.backlash_arcmin) }), machine.clone().laden(1.6, 1.5), machine.clone().dry()] {
        let o = exam(&m, &s);
        let e = o.entries[0];
        let bad = o.worth.sensitivity_peak > 2.4 || o.worth.phase_margin_deg < 30.0 || !o.worth.stable || e.overshoot_percent > 25.0 || e.settling_time_s > 0.4 || o.entries[2].noise_percent > 2.0;
        println!("  {} os {:.1} st {:.3} dip {:.1} noise {:.2} Ms {:.2} PM {:.0} {} trips {} strikes {}", if bad {"BAD"} else {"ok "}, e.overshoot_percent, e.settling_time_s, o.entries[1].dip_rpm, o.entries[2].noise_percent, o.worth.sensitivity_peak, o.worth.phase_margin_deg, o.worth.stable, o.trips, o.strikes);
    }
}
fn exam(m: &Machine, s: &Settings) -> Outcome {
    let mut m = m.clone();
    let mut v = 0.3 * m.max_speed_rpm;
    if m.travel.is_some() { let half = m.window_deg[1]; m.start_deg = -0.75 * half; let share = if m.arm_nm == 0.0 { 1.2 } else { 0.55 }; v = v.min(share * half * m.ratio / 360.0 / 0.8 * 60.0); }
    let load = Outside { load_nm: 0.15 * m.rated_torque_nm * m.ratio, resisting_nm: 0.0 };
    let n = Outside::default();
    examine(&m, s, &[Entry { at_s: 0.5, speed_rpm: v, over_s: 0.1, outside: n }, Entry { at_s: 0.95, speed_rpm: v, over_s: 0.0, outside: load }, Entry { at_s: 1.3, speed_rpm: 0.0, over_s: 0.1, outside: load }], 2.3, 5.0, 0.5)
}
