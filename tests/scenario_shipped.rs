//! The scenarios that ship load without complaint, and say what they are meant to say.

use plantstand::base::units::{DEG_RAD, RPM_RAD_PER_S};
use plantstand::scenario::{Scenario, read};

const SHIPPED: [&str; 3] = ["dough-sheeter", "swivel-arm", "sluice-gate"];

fn shipped(name: &str) -> Scenario {
    let file = format!("scenarios/{name}.toml");
    let text = std::fs::read_to_string(&file).expect("a shipped scenario can be read");
    read(&file, &text).unwrap_or_else(|complaints| {
        panic!("{}", complaints.iter().map(|complaint| format!("{complaint}\n")).collect::<String>())
    })
}

/// Each loads without complaint and has corners, limits and sensitivity_peak among them.
#[test]
fn shipped_scenarios_load() {
    for name in SHIPPED {
        let scenario = shipped(name);
        let measures: Vec<&str> = scenario.limits.iter().map(|limit| limit.measure.name()).collect();
        assert!(measures.contains(&"sensitivity_peak") && measures.contains(&"phase_margin_deg"), "{name}");
        assert!(2 <= scenario.corners.len(), "{name}");
    }
}
