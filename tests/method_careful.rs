mod method_machine;
use method_machine::*;
use plantstand::method::Carried;
#[test]
fn try_all() {
    for (name, b) in [("roll", roll()), ("arm", arm()), ("gate", gate())] {
        let m = build(name, &b, 1);
        let mut bench = Bench::new(&m, 1); bench.echo = true;
        println!("{name}");
        let t = std::time::Instant::now();
        let o = Carried::Careful.run(&mut bench);
        println!("  {o:?}\n  {} wall {:?}", report(&bench), t.elapsed());
    }
}
