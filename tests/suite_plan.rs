//! The promise of a suite's plan: trials in lockstep run beside each other; one on the clock has the machine to itself, and
//! one that waits for somebody its link.
//!
//! Nothing runs here. Start reading at [`planned`].

use plantstand::cli::suite_plan::Plan;

const SLUICE_GATE: &str = include_str!("../scenarios/sluice-gate.toml");
const TORQUE: &str = include_str!("../scenarios/torque/dough-sheeter.toml");

/// Which jobs of a suite may run beside others: trial, seed, whether. Each trial is a scenario and who is tried, where not
/// the first words say so for the whole suite.
fn planned(whole: &str, trials: &[(&str, &str)]) -> Vec<(usize, u64, bool)> {
    let folder = tempfile::tempdir().expect("a folder for the test");
    let on_the_clock = |text: &str| text.replacen("[timing]\n", "[timing]\npace = \"real-time\"\n", 1);
    for (name, text) in [("gate", SLUICE_GATE), ("torque", TORQUE)] {
        std::fs::write(folder.path().join(format!("{name}.toml")), text).expect("a scenario");
        let paced = on_the_clock(text);
        assert_ne!(paced, text);
        std::fs::write(folder.path().join(format!("{name}-paced.toml")), paced).expect("a scenario");
    }
    let mut suite = format!("title = \"plan\"\n{whole}\n");
    for (number, (scenario, who)) in trials.iter().enumerate() {
        let trial = format!("name = \"{number}\"\nscenario = \"{scenario}.toml\"\nseeds = [1, 2]\n{who}\n");
        suite.push_str(&format!("[[trial]]\n{trial}"));
    }
    let file = folder.path().join("suite.toml");
    std::fs::write(&file, suite).expect("a suite");
    let plan = Plan::read(&file).unwrap_or_else(|stop| panic!("{stop:?}"));
    plan.jobs().into_iter().map(|job| (job.trial, job.seed, plan.side_by_side(job))).collect()
}

#[test]
fn only_what_waits_for_no_clock_and_for_nobody_runs_beside_others() {
    let listen = "listen = \"udp:127.0.0.1:7000\"";
    for (whole, scenario, who, beside) in [
        ("", "gate", "by = \"hasty\"", true),
        ("", "torque", "by = \"pi\"", true),
        ("method = \"./tune\"", "gate", "", true),
        ("", "gate-paced", "by = \"hasty\"", false),
        ("", "torque-paced", "by = \"pi\"", false),
        ("method = \"./tune\"", "gate-paced", "", false),
        (listen, "gate", "", false),
        (listen, "gate-paced", "", false),
        (listen, "gate", "by = \"hasty\"", true),
    ] {
        let found = planned(whole, &[(scenario, who)]);
        assert_eq!(found, [(0, 1, beside), (0, 2, beside)], "{whole}, {scenario}, {who}");
    }
}

#[test]
fn each_trial_of_a_mixed_suite_is_as_it_would_be_alone() {
    let by = "by = \"hasty\"";
    let found = planned("", &[("gate", by), ("gate-paced", by), ("torque", "by = \"pi\"")]);
    assert_eq!(found, [(0, 1, true), (0, 2, true), (1, 1, false), (1, 2, false), (2, 1, true), (2, 2, true)]);
}
