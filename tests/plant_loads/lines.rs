//! Belts, screws and racks: the chain that a scenario file makes of them against textbook formulas.
//!
//! What it does not: complaints (`scenario_complaints`). Start reading at [`plant`].

use std::f64::consts::{PI, TAU};
use std::path::Path;

use plantstand::plant::friction::Friction;
use plantstand::plant::train::Parameters;
use plantstand::scenario::read;
use serde_json::Value;

use crate::machine::assert_near;

/// The plant of the dough sheeter with another train.
fn plant(train: &str) -> Parameters {
    let text = include_str!("../../scenarios/dough-sheeter.toml");
    let (before, rest) = text.split_once("[[train]]").expect("a train");
    let (_, after) = rest.split_once("[axis]").expect("an axis");
    let (after, _) = after.split_once("[[corner]]").expect("corners");
    let text = format!("{before}{train}\n[axis]{after}");
    read("line.toml", &text).unwrap_or_else(|complaints| panic!("{complaints:#?}")).machine.plant
}

fn near(found: f64, expected: f64) {
    assert_near(found, expected, 1e-12 * expected.abs());
}

/// Row `linear-to-rotary`: mass on a screw and on a pinion, and the stiffness of a belt at its pulley.
#[test]
fn masses_and_springs_become_those_of_the_row() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/check-values.json");
    let file: Value = serde_json::from_str(&std::fs::read_to_string(path).expect("check values")).expect("JSON");
    let rows = file["rows"].as_array().expect("rows");
    let row = rows.iter().find(|row| row["id"] == "linear-to-rotary").expect("the row");
    let input = |key: &str| row["inputs"][key].as_f64().expect("a number");
    let expected = |place: usize| row["expected"][place].as_f64().expect("a number");
    let (mass_kg, stiffness) = (input("mass_kg"), input("linear_stiffness_n_per_m"));
    let (lead_mm, radius_mm) = (1e3 * input("lead_m_per_turn"), 1e3 * input("pulley_radius_m"));
    let screw = plant(&format!(
        "[[train]]\nkind = \"screw\"\nlead_mm = {lead_mm}\nmass_kg = {mass_kg}\nstiffness_n_per_m = {stiffness}\n"
    ));
    near(screw.nodes[1].inertia_kgm2, expected(0));
    let rack = plant(&format!(
        "[[train]]\nkind = \"rack\"\npinion_radius_mm = {radius_mm}\nmass_kg = {mass_kg}\nstiffness_n_per_m = {stiffness}\n"
    ));
    near(rack.nodes[1].inertia_kgm2, expected(1));
    near(rack.couplings[0].stiffness_nm_per_rad, expected(2));
}

/// A left-hand screw: R = lead / 2π; force, damping, play and friction follow from equal power; the spindle turns with
/// the motor.
#[test]
fn a_screw_is_turned_into_a_coupling() {
    let found = plant(
        "[[train]]\nkind = \"screw\"\nlead_mm = -5\nmass_kg = 40\nstiffness_n_per_m = 8e7\ndamping_ns_per_m = 2000\n\
         backlash_mm = 0.02\nspindle_inertia_kgm2 = 3e-4\ntorque_limit_nm = 3\nfriction = { kind = \"coulomb\", \
         kinetic_n = 40, static_n = 60, stribeck_m_per_s = 0.02, viscous_ns_per_m = 300 }\n",
    );
    let lever_m = 0.005 / TAU;
    let coupling = &found.couplings[0];
    assert_eq!((coupling.ratio, coupling.torque_limit_nm, coupling.coupled), (-1.0, Some(3.0), true));
    near(found.nodes[0].inertia_kgm2, 4.2e-4 + 3e-4);
    near(found.nodes[1].inertia_kgm2, 40.0 * lever_m * lever_m);
    near(coupling.stiffness_nm_per_rad, 8e7 * lever_m * lever_m);
    near(coupling.damping_nms_per_rad, 2000.0 * lever_m * lever_m);
    // A free way of 0.02 mm is 0.02 / 5 of a turn, half of it to either side.
    near(coupling.half_gap_rad, 0.5 * 0.02 / 5.0 * TAU);
    let Friction::Coulomb(rub) = &found.nodes[1].friction else { panic!("it rubs: {found:?}") };
    near(rub.kinetic_nm, 40.0 * lever_m);
    near(rub.static_nm, 60.0 * lever_m);
    near(rub.stribeck_rad_per_s, 0.02 / lever_m);
    near(rub.viscous_nms_per_rad, 300.0 * lever_m * lever_m);
}

/// A belt: ratio of the radii, R the load's pulley, half of its slack to either side, its own mass on the rim.
#[test]
fn a_belt_is_turned_into_a_coupling() {
    let found = plant(
        "[[train]]\nkind = \"belt\"\nmotor_pulley_radius_mm = 20\nload_pulley_radius_mm = 50\nstiffness_n_per_m = 4e5\n\
         damping_ns_per_m = 40\nslack_mm = 0.3\nbelt_mass_kg = 0.2\ninertia_kgm2 = 1e-3\ncoupled = false\n",
    );
    let coupling = &found.couplings[0];
    near(coupling.ratio, 2.5);
    near(coupling.stiffness_nm_per_rad, 1000.0);
    near(coupling.damping_nms_per_rad, 0.1);
    near(coupling.half_gap_rad, 0.003);
    near(found.nodes[1].inertia_kgm2, 1e-3 + 0.2 * 0.05 * 0.05);
    assert!(!coupling.coupled);
}

/// A rack's pinion turns with the node before, behind a gear too; slack adds to a gear's backlash.
#[test]
fn a_rack_may_stand_behind_a_gear() {
    let found = plant(
        "[[train]]\nratio = 5\nstiffness_nm_per_rad = 3000\nbacklash_arcmin = 6\nslack_arcmin = 54\ninertia_kgm2 = 2e-3\n\
         [[train]]\nkind = \"rack\"\npinion_radius_mm = 25\nmass_kg = 20\nstiffness_n_per_m = 2e7\nbacklash_mm = 0.05\n\
         pinion_inertia_kgm2 = 5e-4\n",
    );
    near(found.nodes[1].inertia_kgm2, 2.5e-3);
    near(found.nodes[2].inertia_kgm2, 20.0 * 0.025 * 0.025);
    near(found.couplings[0].half_gap_rad, PI / 360.0);
    near(found.couplings[1].half_gap_rad, 0.001);
    assert_eq!(found.total_ratio(), 5.0);
}

/// 64 nodes are a train, 65 are too many, and a chain whose highest resonance passes half the tick rate is refused with
/// the reason, although every two neighbours by themselves would do.
#[test]
fn sixty_four_nodes_are_read_and_stiff_chains_refused() {
    let links = |count: usize, stiffness: f64| {
        format!("[[train]]\nstiffness_nm_per_rad = {stiffness}\ninertia_kgm2 = 2e-4\n").repeat(count)
    };
    assert_eq!(plant(&links(63, 2e4)).nodes.len(), 64);
    let refused = |train: &str| {
        let text = include_str!("../../scenarios/dough-sheeter.toml");
        let (before, rest) = text.split_once("[[train]]").expect("a train");
        let (_, after) = rest.split_once("[axis]").expect("an axis");
        let (after, _) = after.split_once("[[corner]]").expect("corners");
        let complaints = read("long.toml", &format!("{before}{train}\n[axis]{after}")).expect_err("it is refused");
        complaints.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
    };
    let found = refused(&links(64, 2e4));
    assert!(found.contains("allowed are 63 nodes behind the motor"), "{found}");
    let found = refused(&links(63, 4e4));
    assert!(found.contains("train: too stiff for the tick: its highest resonance lies at 4501 Hz"), "{found}");
}
