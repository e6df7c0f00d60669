//! A machine described in the terminal: tables, and a Bode plot drawn with characters.

use crate::fabricated;
use plantstand::base::real;
use plantstand::report::Style;
use plantstand::report::describe::{
    CouplingFacts, DescribeFacts, LoopFacts, MachineFacts, NodeFacts, NoiseFacts, ReachFacts, ShapeFacts, TimeFacts,
    describe_text,
};
use plantstand::report::dots::terminal_bode;
use plantstand::report::machine_curves::{Curve, MachineCurves};
use plantstand::report::machine_page::{PlantCurve, machine_page};

fn points() -> Vec<(f64, f64, f64)> {
    let trial = fabricated::passed();
    let picture = &trial.pictures().loops[0];
    picture.points.iter().map(|point| (point.hz, point.magnitude_db, point.phase_deg)).collect()
}

fn style(width: usize, unicode: bool) -> Style {
    Style { width: Some(width), colour: false, unicode }
}

#[test]
fn a_bode_plot_has_two_pictures_with_numbers_and_units() {
    let plot = terminal_bode(&points(), style(100, true));
    for words in ["gain in dB\n", "phase in degrees\n", "   0 ┤", "-180 ┤", "frequency in Hz, from 1 to 4000\n"] {
        assert!(plot.contains(words), "{words} in\n{plot}");
    }
    assert_eq!(plot.lines().count(), 1 + 12 + 1 + 8 + 2);
    assert!(plot.chars().any(|c| ('\u{2801}'..='\u{28ff}').contains(&c)));
}

#[test]
fn a_bode_plot_keeps_to_width_and_characters() {
    for width in [30, 60, 80, 132, 400] {
        for unicode in [true, false] {
            let plot = terminal_bode(&points(), style(width, unicode));
            assert!(plot.lines().all(|line| line.chars().count() <= width.max(45)), "{width}\n{plot}");
            assert!(unicode || (plot.is_ascii() && plot.contains('*')), "{plot}");
        }
    }
}

/// 1/s at 1 rad/s is -20 dB a decade: the curve falls from the upper left to the lower right corner, the phase is level.
#[test]
fn an_integrator_is_a_falling_line() {
    let points: Vec<_> =
        (0..=30).map(|place| (real::pow(10.0, f64::from(place) / 10.0), -2.0 * f64::from(place), -90.0)).collect();
    let plot = terminal_bode(&points, style(80, false));
    let columns: Vec<usize> = plot.lines().skip(1).take(12).filter_map(|line| line.find('*')).collect();
    assert_eq!(columns.len(), 12, "{plot}");
    assert!(columns.windows(2).all(|pair| pair[0] < pair[1]), "{columns:?}");
}

#[test]
fn without_a_response_there_is_a_sentence() {
    for points in [vec![], vec![(1.0, 0.0, 0.0)], vec![(f64::NAN, 0.0, 0.0), (-1.0, 0.0, 0.0), (2.0, f64::NAN, 0.0)]] {
        assert_eq!(terminal_bode(&points, Style::PLAIN), "There is no frequency response to draw.\n");
    }
}

// Long because it is one literal with every member.
fn facts() -> DescribeFacts {
    let machine = |name: &str, changes: &str, hz: [f64; 2], ratio| MachineFacts {
        name: name.into(),
        changes: changes.into(),
        antiresonances_hz: vec![hz[0]],
        resonances_hz: vec![hz[1]],
        inertia_ratio: ratio,
        total_friction_nm: 0.29,
    };
    DescribeFacts {
        title: "Dough sheeter, upper roll".into(),
        about: "A bakery line's roll, driven through a toothed belt.\n".into(),
        nodes: vec![
            NodeFacts {
                name: "motor".into(),
                inertia_kgm2: 4.2e-4,
                inertia_at_motor_kgm2: 4.2e-4,
                kinetic_nm: 0.04,
                static_nm: 0.05,
                viscous_nms_per_rad: 1.1e-4,
            },
            NodeFacts {
                name: "belt and roll".into(),
                inertia_kgm2: 3.4e-3,
                inertia_at_motor_kgm2: 3.4e-3,
                kinetic_nm: 0.25,
                static_nm: 0.38,
                viscous_nms_per_rad: 1e-3,
            },
        ],
        couplings: vec![CouplingFacts {
            name: "belt and roll".into(),
            ratio: 1.0,
            stiffness_nm_per_rad: 260.0,
            damping_nms_per_rad: 0.02,
            backlash_arcmin: 0.0,
        }],
        nominal: machine("nominal", "", [44.01, 132.7], 8.095),
        corners: vec![
            machine("worn belt", "stiffness × 0.6, backlash 12 arcmin", [34.1, 102.8], 8.095),
            machine("big roll", "inertia × 1.8", [32.8, 129.5], 14.57),
        ],
        counts_per_turn: 1_048_576.0,
        speed_resolution_rpm: 60.0 * 8000.0 / 1_048_576.0,
        timer_hz: None,
        tick_hz: 8000,
        stride: 8,
        delays: vec!["Delay: 1 tick of the sensor, 1 tick of the drive, 0.19 ms of lag.".into()],
        rated_torque_nm: 4.1,
        torque_limit_nm: 8.0,
        travel_deg: None,
        stops_deg: None,
        max_speed_rpm: 900.0,
        loops: vec![LoopFacts {
            machine: "nominal".into(),
            gaps_open: false,
            stable: true,
            crossover_hz: Some(13.6),
            phase_margin_deg: Some(49.3),
            gain_margin_db: None,
            sensitivity_peak: Some(1.606),
        }],
        shapes: vec![ShapeFacts { hz: 132.7, swing: vec![1.0, -0.12345] }],
        times: vec![TimeFacts { name: "one tick".into(), time_s: 1.25e-4 }],
        reach: Some(ReachFacts { bus_v: 560.0, peak_until_rpm: 3200.0, idle_rpm: 6542.0 }),
        noise: NoiseFacts {
            speed_rms_rpm: 3.89,
            torque_percent: 2.0,
            asked_by_limit: true,
            gains: vec![(0.0, 0.2012), (500.0, 0.6)],
        },
    }
}

fn curves() -> MachineCurves {
    let line =
        |low: f64, high: f64| (0..=10).map(|step| (10.0 + f64::from(step), low + high * f64::from(step))).collect();
    MachineCurves {
        friction: vec![Curve { name: "whole train".into(), points: line(0.3, -0.01) }],
        torque: line(12.0, -1.0),
        plate: [4.1, 12.0, 3000.0, 900.0],
        speed_noise: line(0.1, 0.2),
        gain: line(2.0, -0.1),
        setting: (500.0, 0.05),
    }
}

#[test]
fn a_machine_is_described_in_numbers() {
    let text = describe_text(&facts(), Style::PLAIN);
    for words in [
        "Dough sheeter, upper roll\nA bakery line's roll, driven through a toothed belt.\n",
        "\nInertias and friction\n",
        "  1 belt and roll   0.0034 ",
        "  big roll    32.8 ",
        "  worn belt: stiffness × 0.6, backlash 12 arcmin.\n",
        "Travel of the load: endless, no stops; highest motor speed 900 rpm.",
        "Sensor: 1048576 counts a turn; one count in one tick is 0.4578 rpm.",
        "Time: 8000 ticks a second, 8 an exchange.",
        "  132.7   motor 1, belt and roll -0.123",
        "A bus of 560 V leaves the peak torque up to 3200 rpm and no torque from 6542 rpm on.",
        "Noise alone then moves the torque by 2 % rms of the rated one (the scenario's limit).",
        "  nominal   closed   stable   13.6 Hz     49.3°          none          1.606",
    ] {
        assert!(text.contains(words), "{words} in\n{text}");
    }
}

#[test]
fn a_description_keeps_to_the_terminal() {
    for width in [60, 80, 120] {
        let text = describe_text(&facts(), style(width, false));
        assert!(text.is_ascii() && text.lines().all(|line| line.len() <= width), "{width}\n{text}");
    }
}

#[test]
fn a_machine_has_a_page_that_fetches_nothing() {
    let trial = fabricated::passed();
    let pictures = trial.pictures();
    let curve = |place: usize| PlantCurve {
        machine: pictures.loops[place].machine.clone(),
        points: pictures.loops[place].points.clone(),
    };
    let page = machine_page(&facts(), &curves(), &[curve(0), curve(2)]);
    for words in [
        "<h1>Dough sheeter, upper roll</h1>",
        "big roll",
        "132.7",
        "Phase",
        "0.4578\u{a0}rpm",
        "Inertia at the motor",
        "How it swings",
        "Friction, referred to the motor",
        "The most torque that drives",
        "Noise of the measured speed",
        "the settings shown: 0.05\u{a0}Nms/rad",
    ] {
        assert!(page.contains(words), "{words}");
    }
    for way_out in ["http:", "https:", "src=", "url(", "<script"] {
        assert!(!page.contains(way_out), "{way_out}");
    }
    let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("report-machine.html");
    std::fs::write(path, page).expect("the target folder can be written");
    assert!(machine_page(&facts(), &MachineCurves::default(), &[]).contains("There is no frequency response to draw."));
}
