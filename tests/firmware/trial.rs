//! The firmware closes the speed loop of a shipped machine: it holds every limit, replays to the bit, and gives the same
//! result as the program's own controller with the same gains.
//!
//! What it does not: real time, or a line of bytes.

use crate::filter::firmware_program;
use crate::program::Ground;

#[test]
fn the_firmware_holds_every_limit_and_replays() {
    let ground = Ground::new(&scenario());
    let ran = ground.score(&["--method", &method(), "--record", "by-firmware"]);
    assert_eq!(ran.status, Some(0), "{}{}", ran.out, ran.error);
    let said = std::fs::read_to_string(ground.path("by-firmware/method.out.txt")).expect("what the firmware said");
    assert!(said.contains("result: pass") && said.contains("bad frames 0, repeated 0"), "{said}");
    let log = std::fs::read_to_string(ground.path("by-firmware/method.log")).expect("what it logged");
    assert!(log.contains("output hash "), "{log}");
    let again = ground.run(&["replay", "by-firmware"]);
    assert_eq!(again.status, Some(0), "{}{}", again.out, again.error);

    let own = ground.score(&["--by", "pi", "--record", "by-pi"]);
    assert_eq!(own.status, Some(0), "{}{}", own.out, own.error);
    let (firmware, own) = (ground.result("by-firmware"), ground.result("by-pi"));
    assert!(10 < firmware.measures.len());
    assert_eq!(format!("{:?}", firmware.measures), format!("{:?}", own.measures), "the same bits in every measure");
}

fn method() -> String {
    firmware_program().to_str().expect("a path in UTF-8").to_owned()
}

/// The shipped machine; its drive's settings are the firmware's gains, where the program's controller finds them.
fn scenario() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/scenarios/torque/dough-sheeter.toml");
    std::fs::read_to_string(path).expect("a shipped scenario")
}
