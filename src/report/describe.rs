//! A machine in numbers and words, for `describe`.
//!
//! What it does not: compute the numbers. Start reading at [`describe_text`].

use super::Style;
use super::figure::{figure, quantity, rough, shown};
use super::sheet::{Sheet, optional};

/// A machine in plain numbers. Lists may be empty.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DescribeFacts {
    /// The scenario's title.
    pub title: String,
    /// Its `about` text.
    pub about: String,
    /// The inertias of the train, motor first.
    pub nodes: Vec<NodeFacts>,
    /// What joins them, motor side first.
    pub couplings: Vec<CouplingFacts>,
    /// The nominal machine as a whole.
    pub nominal: MachineFacts,
    /// Every corner, one line each.
    pub corners: Vec<MachineFacts>,
    /// Sensor counts per turn of the motor.
    pub counts_per_turn: f64,
    /// Speed that one count in one tick stands for, in rpm.
    pub speed_resolution_rpm: f64,
    /// Rate of the timer where speed comes by the M/T method; none where it is a difference of counts.
    pub timer_hz: Option<f64>,
    /// Ticks per second.
    pub tick_hz: u32,
    /// Ticks per exchange.
    pub stride: u32,
    /// The delays from shaft to torque in order, a sentence each.
    pub delays: Vec<String>,
    /// Rated torque of the motor in Nm.
    pub rated_torque_nm: f64,
    /// The drive's torque limit in Nm.
    pub torque_limit_nm: f64,
    /// Load angles allowed in degrees; none on an endless axis.
    pub travel_deg: Option<[f64; 2]>,
    /// Places of the stops in degrees; none without stops.
    pub stops_deg: Option<[f64; 2]>,
    /// Highest speed of the axis, in rpm of the motor.
    pub max_speed_rpm: f64,
    /// Margins with the settings that were given; empty without.
    pub loops: Vec<LoopFacts>,
    /// How the nominal train swings, by rising frequency.
    pub shapes: Vec<ShapeFacts>,
    /// Times that the loop has to do with, the shortest first.
    pub times: Vec<TimeFacts>,
    /// What the bus leaves of the torque; none without data of the winding.
    pub reach: Option<ReachFacts>,
    /// What the sensor's noise does.
    pub noise: NoiseFacts,
}

/// One natural frequency.
#[derive(Clone, Debug, PartialEq)]
pub struct ShapeFacts {
    /// Undamped, in Hz, gaps closed.
    pub hz: f64,
    /// How far each node swings, referred to the motor; the largest is 1.
    pub swing: Vec<f64>,
}

/// A time of the machine or its drive.
#[derive(Clone, Debug, PartialEq)]
pub struct TimeFacts {
    /// What it is.
    pub name: String,
    /// In seconds.
    pub time_s: f64,
}

/// What the voltage of the bus leaves of the torque.
#[derive(Clone, Debug, PartialEq)]
pub struct ReachFacts {
    /// Voltage of the bus in V.
    pub bus_v: f64,
    /// Up to here the motor has its peak torque, in rpm.
    pub peak_until_rpm: f64,
    /// From here on it has no torque left, in rpm.
    pub idle_rpm: f64,
}

/// What the sensor's noise does to speed and torque.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NoiseFacts {
    /// Deviation of the measured speed without a filter, in rpm rms.
    pub speed_rms_rpm: f64,
    /// The share of the rated torque that noise may have, in percent.
    pub torque_percent: f64,
    /// Whether a limit of the scenario says so; else it is what the shipped scenarios allow.
    pub asked_by_limit: bool,
    /// Corner of a torque low-pass in Hz (0: none) and the highest speed gain with it, in Nms/rad.
    pub gains: Vec<(f64, f64)>,
}

/// One inertia.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeFacts {
    /// Its name: `motor`, or that of the train's part.
    pub name: String,
    /// Inertia at its own side in kgm².
    pub inertia_kgm2: f64,
    /// Inertia referred to the motor in kgm².
    pub inertia_at_motor_kgm2: f64,
    /// Coulomb friction in motion in Nm, own side.
    pub kinetic_nm: f64,
    /// Breakaway torque in Nm, own side.
    pub static_nm: f64,
    /// Viscous friction in Nms/rad, own side.
    pub viscous_nms_per_rad: f64,
}

/// One coupling.
#[derive(Clone, Debug, PartialEq)]
pub struct CouplingFacts {
    /// Its name.
    pub name: String,
    /// Turns of its motor side per turn of its load side.
    pub ratio: f64,
    /// Stiffness in Nm/rad, load side.
    pub stiffness_nm_per_rad: f64,
    /// Damping in Nms/rad, load side.
    pub damping_nms_per_rad: f64,
    /// The whole free angle in minutes of arc, load side.
    pub backlash_arcmin: f64,
}

/// A machine as a whole: nominal or a corner.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MachineFacts {
    /// `nominal` or the corner's name.
    pub name: String,
    /// What the corner changes, in words; empty for nominal.
    pub changes: String,
    /// Frequencies at which the motor is held by the load, in Hz, gaps closed.
    pub antiresonances_hz: Vec<f64>,
    /// Frequencies at which the train swings freely, in Hz, gaps closed.
    pub resonances_hz: Vec<f64>,
    /// Everything beyond the motor over the motor, referred to the motor.
    pub inertia_ratio: f64,
    /// Coulomb friction of all nodes in motion, referred to the motor, in Nm.
    pub total_friction_nm: f64,
}

/// Margins of one loop.
#[derive(Clone, Debug, PartialEq)]
pub struct LoopFacts {
    /// `nominal` or the corner's name.
    pub machine: String,
    /// Whether the gaps are taken open.
    pub gaps_open: bool,
    /// Whether the closed loop is stable.
    pub stable: bool,
    /// First crossover in Hz.
    pub crossover_hz: Option<f64>,
    /// Phase margin in degrees.
    pub phase_margin_deg: Option<f64>,
    /// Gain margin in dB.
    pub gain_margin_db: Option<f64>,
    /// Ms, a plain ratio.
    pub sensitivity_peak: Option<f64>,
}

/// The machine's numbers as text; the Bode plot is drawn by [`super::dots::terminal_bode`].
#[must_use]
pub fn describe_text(facts: &DescribeFacts, style: Style) -> String {
    let mut sheet = Sheet::new(style);
    sheet.heading(&shown(&facts.title));
    sheet.sentence(0, &shown(&facts.about));
    for table in tables(facts).into_iter().chain(tables_for_pictures(facts)) {
        sheet.heading(table.heading);
        sheet.table(table.header, table.rows, &[]);
        table.remarks.iter().for_each(|remark| sheet.sentence(2, remark));
    }
    sheet.heading("Axis, sensor, drive");
    sentences(facts).iter().for_each(|words| sheet.sentence(2, words));
    sheet.finish()
}

/// A table of facts, for text and page alike.
pub(super) struct FactTable {
    pub heading: &'static str,
    pub header: &'static [&'static str],
    pub rows: Vec<Vec<String>>,
    /// Sentences below it.
    pub remarks: Vec<String>,
}

/// The tables that have rows, for text and page.
pub(super) fn tables(facts: &DescribeFacts) -> Vec<FactTable> {
    let all =
        [nodes(&facts.nodes), couplings(&facts.couplings), machines(facts), gains(&facts.noise), loops(&facts.loops)];
    all.into_iter().filter(|table| !table.rows.is_empty()).collect()
}

/// The tables that a page has pictures for instead.
fn tables_for_pictures(facts: &DescribeFacts) -> impl Iterator<Item = FactTable> {
    [shapes(facts), times(&facts.times)].into_iter().filter(|table| !table.rows.is_empty())
}

fn nodes(nodes: &[NodeFacts]) -> FactTable {
    let row = |(place, node): (usize, &NodeFacts)| {
        vec![
            format!("{place} {}", shown(&node.name)),
            figure(node.inertia_kgm2),
            figure(node.inertia_at_motor_kgm2),
            figure(node.kinetic_nm),
            figure(node.static_nm),
            figure(node.viscous_nms_per_rad),
        ]
    };
    FactTable {
        heading: "Inertias and friction",
        header: &["node", "inertia kgm²", "at the motor kgm²", "friction Nm", "breakaway Nm", "viscous Nms/rad"],
        rows: nodes.iter().enumerate().map(row).collect(),
        remarks: vec![],
    }
}

fn couplings(couplings: &[CouplingFacts]) -> FactTable {
    let row = |(place, coupling): (usize, &CouplingFacts)| {
        vec![
            format!("{place} {}", shown(&coupling.name)),
            figure(coupling.ratio),
            figure(coupling.stiffness_nm_per_rad),
            figure(coupling.damping_nms_per_rad),
            figure(coupling.backlash_arcmin),
        ]
    };
    FactTable {
        heading: "Couplings, values at their load side",
        header: &["coupling", "ratio", "stiffness Nm/rad", "damping Nms/rad", "backlash arcmin"],
        rows: couplings.iter().enumerate().map(row).collect(),
        remarks: vec![],
    }
}

fn machines(facts: &DescribeFacts) -> FactTable {
    let row = |machine: &MachineFacts| {
        vec![
            shown(&machine.name),
            listed(&machine.antiresonances_hz),
            listed(&machine.resonances_hz),
            figure(machine.inertia_ratio),
            figure(machine.total_friction_nm),
        ]
    };
    let changes = |corner: &MachineFacts| format!("{}: {}.", shown(&corner.name), shown(&corner.changes));
    FactTable {
        heading: "The machine and its corners, gaps closed, friction at the motor",
        header: &["machine", "antiresonance Hz", "resonance Hz", "inertia ratio", "friction Nm"],
        rows: [&facts.nominal].into_iter().chain(&facts.corners).map(row).collect(),
        remarks: facts.corners.iter().map(changes).collect(),
    }
}

/// Natural frequencies shown: beyond these nobody tunes.
const SHAPES_SHOWN: usize = 6;

fn shapes(facts: &DescribeFacts) -> FactTable {
    let row = |shape: &ShapeFacts| vec![figure(shape.hz), swings(&shape.swing, &facts.nodes)];
    let left_out = facts.shapes.len().saturating_sub(SHAPES_SHOWN);
    let more = format!("{left_out} higher ones are not shown.");
    FactTable {
        heading: "How the train swings when nothing drives it",
        header: &["Hz", "swing of each part, referred to the motor"],
        rows: facts.shapes.iter().take(SHAPES_SHOWN).map(row).collect(),
        remarks: if left_out == 0 { vec![] } else { vec![more] },
    }
}

/// `motor 1, node 1 -0.12`; of a long train the parts that swing most.
fn swings(swing: &[f64], nodes: &[NodeFacts]) -> String {
    const MOST: usize = 4;
    let mut parts: Vec<(usize, f64)> = swing.iter().copied().enumerate().collect();
    parts.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()));
    parts.truncate(MOST);
    parts.sort_by_key(|(place, _)| *place);
    let name = |place: usize| nodes.get(place).map_or_else(|| format!("node {place}"), |node| shown(&node.name));
    parts.iter().map(|(place, share)| format!("{} {}", name(*place), rough(*share))).collect::<Vec<_>>().join(", ")
}

fn times(times: &[TimeFacts]) -> FactTable {
    FactTable {
        heading: "Times, the shortest first",
        header: &["time", "s"],
        rows: times.iter().map(|time| vec![shown(&time.name), figure(time.time_s)]).collect(),
        remarks: vec![],
    }
}

fn gains(noise: &NoiseFacts) -> FactTable {
    let low_pass = |hz: f64| if hz == 0.0 { "none".to_owned() } else { quantity(hz, "Hz") };
    let whose = if noise.asked_by_limit {
        "the scenario's limit"
    } else {
        "no limit asks for less; taken as in the shipped scenarios"
    };
    let percent = quantity(noise.torque_percent, "%");
    FactTable {
        heading: "Speed gain that the sensor's noise allows",
        header: &["torque low-pass", "highest speed gain Nms/rad"],
        rows: noise.gains.iter().map(|(hz, gain)| vec![low_pass(*hz), figure(*gain)]).collect(),
        remarks: vec![
            format!("Noise alone then moves the torque by {percent} rms of the rated one ({whose})."),
            format!("Measured speed at rest, without a filter: {} rms.", quantity(noise.speed_rms_rpm, "rpm")),
        ],
    }
}

fn loops(loops: &[LoopFacts]) -> FactTable {
    let row = |found: &LoopFacts| {
        let margin = |text: String| if found.stable { text } else { "unstable".to_owned() };
        vec![
            shown(&found.machine),
            if found.gaps_open { "open" } else { "closed" }.to_owned(),
            if found.stable { "stable" } else { "unstable" }.to_owned(),
            optional(found.crossover_hz, "Hz"),
            margin(optional(found.phase_margin_deg, "°")),
            margin(optional(found.gain_margin_db, "dB")),
            margin(optional(found.sensitivity_peak, "")),
        ]
    };
    FactTable {
        heading: "Speed loop with these settings",
        header: &["machine", "gaps", "loop", "crossover", "phase margin", "gain margin", "Ms"],
        rows: loops.iter().map(row).collect(),
        remarks: vec![],
    }
}

fn listed(values: &[f64]) -> String {
    if values.is_empty() {
        return "none".to_owned();
    }
    values.iter().map(|value| figure(*value)).collect::<Vec<_>>().join(", ")
}

/// What is no table: axis, sensor, torque, time.
pub(super) fn sentences(facts: &DescribeFacts) -> Vec<String> {
    let span = |[low, high]: [f64; 2]| format!("{}° to {}°", figure(low), figure(high));
    let travel = facts.travel_deg.map_or_else(|| "endless".to_owned(), span);
    let stops = facts.stops_deg.map_or_else(|| "no stops".to_owned(), |stops| format!("stops at {}", span(stops)));
    let speed = quantity(facts.max_speed_rpm, "rpm");
    let resolution = quantity(facts.speed_resolution_rpm, "rpm");
    let (rated, most) = (quantity(facts.rated_torque_nm, "Nm"), quantity(facts.torque_limit_nm, "Nm"));
    let mut sentences = vec![
        format!("Travel of the load: {travel}, {stops}; highest motor speed {speed}."),
        format!("Sensor: {} counts a turn; one count in one tick is {resolution}.", figure(facts.counts_per_turn)),
        format!("Torque: rated {rated}, limited to {most}."),
        format!("Time: {} ticks a second, {} an exchange.", facts.tick_hz, facts.stride),
    ];
    if let Some(timer_hz) = facts.timer_hz {
        let steps = figure((timer_hz / f64::from(facts.tick_hz)).floor());
        sentences.insert(
            2,
            format!("Speed by the M/T method: in steps of 1/{steps} of itself where edges come in every tick."),
        );
    }
    if let Some(reach) = &facts.reach {
        sentences.push(format!(
            "A bus of {} leaves the peak torque up to {} and no torque from {} on.",
            quantity(reach.bus_v, "V"),
            quantity(reach.peak_until_rpm, "rpm"),
            quantity(reach.idle_rpm, "rpm")
        ));
    }
    sentences.extend(facts.delays.iter().map(|delay| shown(delay)));
    sentences
}
