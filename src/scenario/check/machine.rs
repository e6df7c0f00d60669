//! The machine: motor, sensor, train, loads, stops and where it starts. Run again for every corner.
//!
//! What it does not: the train's parts (`train.rs`). Start reading at [`machine`].

use crate::base::nameplate::Nameplate;
use crate::base::safeguard::BrakeTimes;
use crate::base::time::TickRate;
use crate::base::units::{RPM_RAD_PER_S, TURN_RAD};
use crate::plant::brake::Brake;
use crate::plant::coupling::Coupling;
use crate::plant::train::{Initial, Parameters};
use crate::scenario::Machine;
use crate::scenario::check::{axis, load, motor, sensor, train, transmission, winding};
use crate::scenario::reader::Complaints;
use crate::scenario::shape::{figure, rounded};
use crate::scenario::view::View;

/// The machine that the file describes.
pub(crate) fn machine(root: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Machine> {
    let nodes = train::nodes(root, complaints);
    let couplings = train::couplings(root, rate, complaints);
    let last_kgm2 = nodes.as_ref().and_then(|nodes| nodes.last()).map(|node| node.inertia_kgm2);
    let stiffest = last_kgm2.and_then(|inertia_kgm2| train::stiffest_nm_per_rad(inertia_kgm2, rate));
    let stops = axis::stops(root, stiffest, complaints);
    let loads = load::loads(root, rate, complaints);
    let cogging = winding::cogging(root, complaints);
    let brake = brake(root, complaints);
    let sensor = sensor::of_motor(root, rate, complaints);
    let load_sensor = sensor::of_load(root, complaints);
    let motor = motor::kind(root, complaints);
    let current_sensor = motor::current_sensor(root, complaints);
    let start_rad = axis::start_rad(root, complaints);
    let plant = (|| {
        Some(Parameters {
            motor: motor?,
            nodes: nodes?,
            couplings: couplings?,
            stops: stops?,
            loads: loads?.into_iter().chain(cogging?).collect(),
            brake: brake?.map(|(brake, _)| brake),
        })
    })();
    if let (Some(plant), Some(rate)) = (&plant, rate) {
        train::refuse_stiff_chain(root, plant, rate, complaints);
    }
    let initial = plant.as_ref().and_then(|plant| initial(root, plant, start_rad, complaints));
    Some(Machine {
        plant: plant?,
        brake_times: brake?.map(|(_, times)| times),
        sensor: sensor?,
        load_sensor: load_sensor?,
        current_sensor: current_sensor?,
        initial: initial?,
    })
}

/// `[motor] brake` or that of a node behind it: `Some(None)` where there is none.
fn brake(root: &View<'_>, complaints: &mut Complaints) -> Option<Option<(Brake, BrakeTimes)>> {
    let motor = root.view("motor");
    let trains = root.views("train");
    let braked: Vec<(usize, &View<'_>)> =
        motor.iter().chain(&trains).enumerate().filter(|(_, view)| view.has("brake")).collect();
    let Some((node, view)) = braked.first() else { return Some(None) };
    if let Some((_, second)) = braked.get(1) {
        second.refuse("brake", "a train has one brake", complaints);
    }
    let brake = view.view("brake")?;
    let times =
        BrakeTimes { opens_after_s: brake.number("opens_after_s")?, closes_after_s: brake.number("closes_after_s")? };
    let brake = Brake { node: *node, torque_nm: brake.number("torque_nm")?, drag_nm: brake.number("drag_nm")? };
    Some(Some((brake, times)))
}

/// What a right nameplate says of motor, sensor and gear: the truth of the nominal machine.
pub(crate) fn nameplate(root: &View<'_>, rate: Option<TickRate>, complaints: &mut Complaints) -> Option<Nameplate> {
    let motor = root.view("motor")?;
    let (rated_nm, peak_nm) = (motor.number("rated_torque_nm"), motor.number("peak_torque_nm"));
    if let (Some(rated_nm), Some(peak_nm)) = (rated_nm, peak_nm)
        && peak_nm < rated_nm
    {
        let allowed = format!("allowed from {} Nm (rated_torque_nm)", figure(rated_nm));
        motor.refuse("peak_torque_nm", &allowed, complaints);
    }
    let sensor = sensor::of_motor(root, rate, &mut Complaints::default())?;
    let ratios: Option<Vec<f64>> = root.views("train").iter().map(transmission::ratio).collect();
    Some(Nameplate {
        rated_torque_nm: rated_nm?,
        peak_torque_nm: peak_nm?,
        rated_speed_rad_per_s: motor.number("rated_speed_rpm")? * RPM_RAD_PER_S,
        motor_inertia_kgm2: motor.number("inertia_kgm2")?,
        counts_per_turn: sensor.counts_per_shaft_turn(),
        gear_ratio: ratios?.iter().product(),
        angle_zero_counts: sensor.sign * sensor.offset_rad * sensor.counts_per_shaft_turn() / TURN_RAD,
        sensor_sign: sensor.sign,
        winding: motor::winding_plate(root, &sensor)?,
    })
}

/// `[initial]` over the state at rest.
fn initial(
    root: &View<'_>,
    plant: &Parameters,
    start_rad: Option<f64>,
    complaints: &mut Complaints,
) -> Option<Initial> {
    let at_rest = |start_rad: f64| Initial::at_rest(plant, start_rad);
    if !root.has("initial") {
        return start_rad.map(at_rest);
    }
    let view = root.view("initial")?;
    let angles = list(&view, "angle_rad", plant.nodes.len(), "node", complaints);
    let speeds = list(&view, "speed_rad_per_s", plant.nodes.len(), "node", complaints);
    let positions = list(&view, "gap_position_rad", plant.couplings.len(), "coupling", complaints);
    if let Some(Some(positions)) = &positions {
        positions_within(&view, positions, &plant.couplings, complaints);
    }
    let mut initial = at_rest(start_rad.or(angles.is_some().then_some(0.0))?);
    if let Some(angle_rad) = angles? {
        initial.gap_position_rad = clamped_positions(&angle_rad, &plant.couplings);
        initial.angle_rad = angle_rad;
    }
    initial.speed_rad_per_s = speeds?.unwrap_or(initial.speed_rad_per_s);
    initial.gap_position_rad = positions?.unwrap_or(initial.gap_position_rad);
    Some(initial)
}

/// A list with a number for each: `Some(None)` where it is not given, `None` where it is not sound.
fn list(
    view: &View<'_>,
    key: &str,
    needed: usize,
    each: &str,
    complaints: &mut Complaints,
) -> Option<Option<Vec<f64>>> {
    if !view.has(key) {
        return Some(None);
    }
    let numbers = view.numbers(key)?;
    if numbers.len() == needed {
        return Some(Some(numbers));
    }
    let allowed = format!("one number per {each}: {needed} belong here, {} stand", numbers.len());
    view.refuse(key, &allowed, complaints);
    None
}

fn positions_within(view: &View<'_>, positions: &[f64], couplings: &[Coupling], complaints: &mut Complaints) {
    for (index, (position, coupling)) in positions.iter().zip(couplings).enumerate() {
        if coupling.half_gap_rad < position.abs() {
            let gap = figure(rounded(coupling.half_gap_rad));
            let allowed = format!("coupling {index}: allowed -{gap} to {gap} rad, half its backlash");
            view.refuse("gap_position_rad", &allowed, complaints);
        }
    }
}

/// Where the gaps stand when only angles are given: the twist, as far as the gap goes.
fn clamped_positions(angle_rad: &[f64], couplings: &[Coupling]) -> Vec<f64> {
    let twist_rad = |node: usize, coupling: &Coupling| angle_rad[node] / coupling.ratio - angle_rad[node + 1];
    let clamped = |(node, coupling): (usize, &Coupling)| {
        twist_rad(node, coupling).clamp(-coupling.half_gap_rad, coupling.half_gap_rad)
    };
    couplings.iter().enumerate().map(clamped).collect()
}
