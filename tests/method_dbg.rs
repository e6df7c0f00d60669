mod method_machine;
use method_machine::Bench;
use method_machine::machines::Machine;
use plantstand::method::{identify, moves::Mover, sweep, two_mass};
#[test]
fn a() {
    let seed: u64 = std::env::var("SEED").unwrap().parse().unwrap();
    let m = Machine::drawn(seed);
    println!("{m:?}");
    let mut b = Bench::new(&m, seed);
    let mut mv = Mover::new(&mut b).unwrap();
    identify::direction(&mut mv).unwrap();
    let sc = identify::stand_up(&mut mv).unwrap() * mv.plate.rad_per_count();
    let me = identify::mechanics(&mut mv).unwrap();
    println!("{me:?}");
    mv.known = Some(me);
    for size in [0.06, 0.02, 0.007] {
        let r = sweep::sweep(&mut mv, &me, size * m.rated_torque_nm, sc).unwrap();
        let lines = r.lines;
        println!("unrest {}", r.unrest);
        let f = two_mass::fit(
            &lines,
            &two_mass::Beforehand {
                motor_inertia_kgm2: m.motor_inertia_kgm2,
                inertia_kgm2: me.inertia_kgm2,
                viscous_nms_per_rad: me.viscous_nms_per_rad,
                rate: m.rate(),
            },
        )
        .unwrap();
        println!("{f:?}");
        for l in &lines {
            let p = f.axis.response(l.rad_per_s, m.rate());
            let s = (l.deviation.powi(2) + 0.0016 * l.value.norm_sqr()).sqrt();
            println!(
                "{:8.1} Hz |P| {:9.3} dev {:.3} rel err {:.3} miss {:.1}",
                l.rad_per_s / 6.2832,
                l.value.norm(),
                l.deviation / l.value.norm(),
                (p - l.value).norm() / l.value.norm(),
                (p - l.value).norm() / s
            );
        }
    }
}
