//! The firmware's controller gives the torque of the bench's own drive, to the bit, from the same counts and setpoints.
//!
//! What it does not: say whether that torque is a good one. The settings are those that are compiled in.

use plantstand::base::random::Stream;
use plantstand::base::time::TickRate;
use plantstand::base::units::TURN_RAD;
use plantstand::drive::filter::{LowPassCoefficients, NotchCoefficients};
use plantstand::drive::measured_speed::{SpeedMeter, SpeedMeterCoefficients};
use plantstand::drive::speed_loop::{PiCoefficients, SpeedLoop, SpeedLoopCoefficients, SpeedLoopInput};

use crate::filter::filtered;
use crate::wire_dice::Dice;

const SEED: u64 = 34;
const TICKS: u64 = 200_000;
const RATE: TickRate = TickRate { hz: 8000 };

/// A walk of counts from end to end of what a motor does, setpoints that jump, and torques at their limit and off it.
#[test]
fn the_controller_gives_the_drives_torque_to_the_bit() {
    let mut dice = Dice(Stream::new(SEED, "walk"));
    let (mut meter, mut speed_loop) = drive();
    let (mut counts, mut setpoint, mut limited) = (-5_000_000_i64, 0.0, 0);
    let (mut input, mut expected) = (Vec::new(), Vec::new());
    for tick in 0..TICKS {
        if tick.is_multiple_of(700) {
            setpoint = 100.0 * (dice.below(2001) as f64 / 1000.0 - 1.0);
        }
        // A motor that follows with some slack, so that the torque leaves its limit again and again.
        counts += (0.9 * setpoint * 20.86) as i64 + dice.below(41) as i64 - 20;
        for number in [tick.to_ne_bytes(), counts.to_ne_bytes(), f64::to_ne_bytes(setpoint)] {
            input.extend(number);
        }
        let output = speed_loop.step(&SpeedLoopInput {
            setpoint_rad_per_s: setpoint,
            setpoint_slope_rad_per_s2: 0.0,
            measured_rad_per_s: meter.sample(counts).measured_rad_per_s,
            torque_offset_nm: 0.0,
        });
        limited += u64::from(output.limited);
        expected.push(output.torque_command_nm);
    }
    let torques = filtered("controller", &input);
    assert_eq!(torques.len(), 8 * expected.len());
    for (tick, (bytes, expected)) in torques.chunks_exact(8).zip(&expected).enumerate() {
        let torque = f64::from_ne_bytes(bytes.try_into().expect("eight bytes"));
        assert_eq!(torque.to_bits(), expected.to_bits(), "seed {SEED}, tick {tick}: {torque} Nm for {expected} Nm");
    }
    assert!(TICKS / 20 < limited && limited < TICKS - TICKS / 20, "at the limit in {limited} ticks of {TICKS}");
}

/// The drive's speed meter and speed loop with what `tools/firmware/settings.h` holds.
fn drive() -> (SpeedMeter, SpeedLoop) {
    let meter = SpeedMeterCoefficients {
        count_per_tick_rad_per_s: TURN_RAD / 1_048_576.0 * f64::from(RATE.hz),
        filter: LowPassCoefficients::new(0.0, RATE),
    };
    let speed_loop = SpeedLoopCoefficients {
        pi: PiCoefficients { gain_nms_per_rad: 0.35, period_over_reset_time: RATE.period_s() / 0.05 },
        inertia_feedforward_kgm2: 0.0,
        notches: [NotchCoefficients::OFF; 2],
        torque_lowpass: LowPassCoefficients::new(800.0, RATE),
        torque_limit_nm: 8.0,
    };
    (SpeedMeter::new(meter, RATE), SpeedLoop::new(speed_loop))
}
