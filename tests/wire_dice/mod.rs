//! Random frames from a seed, any kind, any numbers that the types allow.
//!
//! What it does not: frames that a bench would find sensible. Start reading at [`Dice::frame`].

use plantstand::base::random::Stream;
use plantstand::wire::layout::Kind;
use plantstand::wire::message::{
    Accept, Close, CloseReason, CommandFrame, Commands, FeedbackFrame, Frame, HandAction, HandActionKind, HandAnswer,
    HandOutcome, Log, Message, Open, Pace, Phase, PhaseKind, Probe, Refuse, RefuseReason, ResultFrame, Sample, Samples,
    SettingAnswer, SettingList, SettingOutcome, SettingRead, SettingRow, SettingWrite, Text, TorqueCommandFrame,
    TorqueFeedbackFrame, TorqueSample, TorqueSamples, TorqueValue, TorqueValues, Value, Values, Verdict,
    VoltageCommandFrame, VoltageFeedbackFrame, VoltageSample, VoltageSamples, VoltageValue, VoltageValues,
    WindingAnswer, WindingOutcome, WindingRead, WindingSample, WindingSamples, WindingState, WindingTest,
};

/// A stream that throws frames.
pub struct Dice(pub Stream);

impl Dice {
    /// A random frame of a kind.
    pub fn frame(&mut self, kind: Kind) -> Frame {
        Frame { sequence: self.u32(), message: self.message(kind) }
    }

    /// A whole number from 0 to below the limit.
    pub fn below(&mut self, limit: usize) -> usize {
        (self.0.uniform() * limit as f64) as usize
    }

    /// So many random bytes.
    pub fn bytes(&mut self, count: usize) -> Vec<u8> {
        (0..count).map(|_| self.below(256) as u8).collect()
    }

    fn message(&mut self, kind: Kind) -> Message {
        match kind {
            Kind::Open => Message::Open(Open { token: self.token(), name: self.text() }),
            Kind::Accept => Message::Accept(self.accept()),
            Kind::Refuse => Message::Refuse(Refuse {
                reason: self.one_of(RefuseReason::ALL),
                version_min: self.u32() as u8,
                version_max: self.u32() as u8,
                detail: self.text(),
            }),
            Kind::Close => Message::Close(Close { reason: self.one_of(CloseReason::ALL) }),
            Kind::Phase => Message::Phase(Phase { phase: self.one_of(PhaseKind::ALL), corner: self.u16() }),
            Kind::Feedback => Message::Feedback(self.feedback()),
            Kind::Command => Message::Command(self.command()),
            Kind::Done => Message::Done,
            Kind::Result => Message::Result(ResultFrame {
                verdict: self.one_of(Verdict::ALL),
                grade_percent: self.f64(),
                text: self.text(),
            }),
            Kind::Log => Message::Log(Log { text: self.text() }),
            Kind::Probe => Message::Probe(Probe { nonce: self.u64() }),
            Kind::Echo => Message::Echo(Probe { nonce: self.u64() }),
            Kind::SettingList => Message::SettingList(SettingList { index: self.u16() }),
            Kind::SettingRow => Message::SettingRow(self.setting_row()),
            Kind::SettingRead => Message::SettingRead(SettingRead { number: self.u16() }),
            Kind::SettingWrite => Message::SettingWrite(SettingWrite { number: self.u16(), value: self.f64() }),
            Kind::Store => Message::Store,
            Kind::SettingAnswer => Message::SettingAnswer(SettingAnswer {
                request: self.u32(),
                number: self.u16(),
                outcome: self.one_of(SettingOutcome::ALL),
                value: self.f64(),
            }),
            Kind::HandAction => Message::HandAction(HandAction { action: self.one_of(HandActionKind::ALL) }),
            Kind::HandAnswer => {
                Message::HandAnswer(HandAnswer { request: self.u32(), outcome: self.one_of(HandOutcome::ALL) })
            }
            Kind::TorqueFeedback => Message::TorqueFeedback(self.torque_feedback()),
            Kind::TorqueCommand => Message::TorqueCommand(self.torque_command()),
            Kind::VoltageFeedback => Message::VoltageFeedback(self.voltage_feedback()),
            Kind::VoltageCommand => Message::VoltageCommand(self.voltage_command()),
            Kind::WindingTest => Message::WindingTest(WindingTest { axis_d_voltage_v: self.f64(), time_s: self.f64() }),
            Kind::WindingRead => Message::WindingRead(WindingRead { first: self.u16() }),
            Kind::WindingAnswer => Message::WindingAnswer(self.winding_answer()),
            Kind::PhaseAcknowledgement => {
                Message::PhaseAcknowledgement(Phase { phase: self.one_of(PhaseKind::ALL), corner: self.u16() })
            }
        }
    }

    fn accept(&mut self) -> Accept {
        Accept {
            port: self.u16(),
            version_min: self.u32() as u8,
            version_max: self.u32() as u8,
            commands: self.one_of(Commands::ALL),
            pace: self.one_of(Pace::ALL),
            tick_hz: self.u32().max(1),
            stride_ticks: 1 + self.below(64) as u16,
            endless: self.below(2) == 1,
            travel_deg: [self.f64(), self.f64()],
            window_deg: [self.f64(), self.f64()],
            path_deg: self.f64(),
            max_speed_rad_per_s: self.f64(),
            time_s: self.f64(),
            nonce: self.u64(),
            title: self.text(),
        }
    }

    fn feedback(&mut self) -> FeedbackFrame {
        let samples: Vec<Sample> = (0..1 + self.below(64)).map(|_| self.sample()).collect();
        FeedbackFrame {
            exchange: self.u32(),
            first_tick: self.u64(),
            trip: self.u16(),
            statusword: self.u16(),
            samples: Samples::from_slice(&samples).expect("at most 64"),
        }
    }

    fn sample(&mut self) -> Sample {
        Sample {
            counts: self.u64() as i64,
            setpoint_rad_per_s: self.f64(),
            measured_speed_rad_per_s: self.f64(),
            controller_torque_nm: self.f64(),
            summed_torque_nm: self.f64(),
            torque_command_nm: self.f64(),
        }
    }

    fn command(&mut self) -> CommandFrame {
        let values: Vec<Value> = (0..self.below(65)).map(|_| self.value()).collect();
        CommandFrame {
            exchange: self.u32(),
            controlword: self.u16(),
            compute_us: self.u32(),
            values: Values::from_slice(&values).expect("at most 64"),
        }
    }

    fn value(&mut self) -> Value {
        Value { speed_rad_per_s: self.f64(), speed_offset_rad_per_s: self.f64(), torque_offset_nm: self.f64() }
    }

    fn torque_feedback(&mut self) -> TorqueFeedbackFrame {
        let samples: Vec<TorqueSample> = (0..1 + self.below(64)).map(|_| self.torque_sample()).collect();
        TorqueFeedbackFrame {
            exchange: self.u32(),
            first_tick: self.u64(),
            trip: self.u16(),
            statusword: self.u16(),
            samples: TorqueSamples::from_slice(&samples).expect("at most 64"),
        }
    }

    fn torque_sample(&mut self) -> TorqueSample {
        TorqueSample {
            counts: self.u64() as i64,
            setpoint_rad_per_s: self.f64(),
            measured_speed_rad_per_s: self.f64(),
            torque_nm: self.f64(),
        }
    }

    fn torque_command(&mut self) -> TorqueCommandFrame {
        let count = self.below(65);
        let values: Vec<TorqueValue> =
            (0..count).map(|_| TorqueValue { torque_nm: self.f64(), feedforward_nm: self.f64() }).collect();
        TorqueCommandFrame {
            exchange: self.u32(),
            controlword: self.u16(),
            compute_us: self.u32(),
            values: TorqueValues::from_slice(&values).expect("at most 64"),
        }
    }

    fn voltage_feedback(&mut self) -> VoltageFeedbackFrame {
        let samples: Vec<VoltageSample> = (0..1 + self.below(64)).map(|_| self.voltage_sample()).collect();
        VoltageFeedbackFrame {
            exchange: self.u32(),
            first_tick: self.u64(),
            trip: self.u16(),
            statusword: self.u16(),
            samples: VoltageSamples::from_slice(&samples).expect("at most 64"),
        }
    }

    fn voltage_sample(&mut self) -> VoltageSample {
        VoltageSample {
            counts: self.u64() as i64,
            setpoint_rad_per_s: self.f64(),
            measured_speed_rad_per_s: self.f64(),
            electrical_angle_rad: self.f64(),
            current_d_a: self.f64(),
            current_q_a: self.f64(),
            bus_v: self.f64(),
            voltage_d_v: self.f64(),
            voltage_q_v: self.f64(),
        }
    }

    fn voltage_command(&mut self) -> VoltageCommandFrame {
        let count = self.below(65);
        let values: Vec<VoltageValue> =
            (0..count).map(|_| VoltageValue { voltage_d_v: self.f64(), voltage_q_v: self.f64() }).collect();
        VoltageCommandFrame {
            exchange: self.u32(),
            controlword: self.u16(),
            compute_us: self.u32(),
            values: VoltageValues::from_slice(&values).expect("at most 64"),
        }
    }

    fn winding_answer(&mut self) -> WindingAnswer {
        let count = self.below(65);
        let samples: Vec<WindingSample> = (0..count)
            .map(|_| WindingSample {
                voltage_d_v: self.f64(),
                current_d_a: self.f64(),
                current_q_a: self.f64(),
                bus_v: self.f64(),
            })
            .collect();
        WindingAnswer {
            request: self.u32(),
            outcome: self.one_of(WindingOutcome::ALL),
            state: self.one_of(WindingState::ALL),
            total: self.u16(),
            first: self.u16(),
            samples: WindingSamples::from_slice(&samples).expect("at most 64"),
        }
    }

    fn setting_row(&mut self) -> SettingRow {
        SettingRow {
            request: self.u32(),
            index: self.u16(),
            total: self.u16(),
            number: self.u16(),
            writable_while_enabled: self.below(2) == 1,
            low: self.f64(),
            high: self.f64(),
            value: self.f64(),
            default: self.f64(),
            name: self.text(),
            unit: self.text(),
        }
    }

    fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }

    fn text(&mut self) -> Text {
        let characters = ['a', '_', '7', ' ', 'ä', '°', '²', '→', '\u{1F39A}'];
        let length = self.below(80);
        Text::new(&(0..length).map(|_| self.one_of(&characters)).collect::<String>())
    }

    fn u16(&mut self) -> u16 {
        self.u32() as u16
    }

    fn u32(&mut self) -> u32 {
        (self.0.uniform() * (1_u64 << 32) as f64) as u32
    }

    fn u64(&mut self) -> u64 {
        u64::from(self.u32()) << 32 | u64::from(self.u32())
    }

    fn token(&mut self) -> [u8; 16] {
        (u128::from(self.u64()) << 64 | u128::from(self.u64())).to_le_bytes()
    }

    /// Any finite double by its bits, signed zeros and subnormal numbers among them; one in eight is a round number.
    fn f64(&mut self) -> f64 {
        let any = f64::from_bits(self.u64());
        let round = [0.0, -0.0, 1.0, f64::MAX, f64::MIN, f64::MIN_POSITIVE, 5e-324][self.below(7)];
        if any.is_finite() && self.below(8) != 0 { any } else { round }
    }
}
