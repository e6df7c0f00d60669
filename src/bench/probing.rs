//! What a link can carry: probes and echoes, as fast as they go and on the clock.
//!
//! Every client answers probes, so any client that was let in can be measured. What it does not: open a link or start a
//! client (`host`, `cli/probe.rs`). Start reading at [`Prober`].

use hdrhistogram::Histogram;

use crate::base::time::TickRate;
use crate::bench::port::{Gone, Link, Metronome};
use crate::bench::timing::{Timing, due_ns};
use crate::wire::codec::{decode, encode};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{
    CommandFrame, Commands, FeedbackFrame, Frame, Message, Probe, Sample, Series, TorqueCommandFrame,
    TorqueFeedbackFrame, TorqueSample, TorqueValue, Value, VoltageCommandFrame, VoltageFeedbackFrame, VoltageSample,
    VoltageValue,
};

/// Empty waits, of a tenth of a second each, after which an echo counts as lost.
const EMPTY_WAITS_MAX: u32 = 3;

/// Probes after which a client is given up that has answered none.
const REACHING_PROBES_MAX: u32 = 10;

/// Most frames that are read in one tick.
const FRAMES_PER_TICK_MAX: usize = 64;

/// From the beginning of a paced measurement to its first tick.
const LEAD_NS: u64 = 1_000_000;

/// Longest round trip that is told apart, 10 s.
const LONGEST_NS: u64 = 10_000_000_000;

/// Answers that must come within the tick, as a share: below it every thousandth command is the last one held.
const IN_TIME_FRAC: f64 = 0.999;

/// How often the bench ticks, and in how many ticks it exchanges frames once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rhythm {
    /// Ticks per second.
    pub rate: TickRate,
    /// Ticks per exchange.
    pub stride: u32,
}

impl Rhythm {
    /// Exchanges per second.
    #[must_use]
    pub fn exchanges_hz(self) -> f64 {
        f64::from(self.rate.hz) / f64::from(self.stride)
    }
}

/// The rhythms that are tried: from what any script can follow to twice the shipped scenarios' rate.
pub const RHYTHMS: [Rhythm; 8] = [
    Rhythm { rate: TickRate { hz: 1000 }, stride: 1 },
    Rhythm { rate: TickRate { hz: 2000 }, stride: 1 },
    Rhythm { rate: TickRate { hz: 4000 }, stride: 1 },
    Rhythm { rate: TickRate { hz: 4000 }, stride: 4 },
    Rhythm { rate: TickRate { hz: 8000 }, stride: 1 },
    Rhythm { rate: TickRate { hz: 8000 }, stride: 8 },
    Rhythm { rate: TickRate { hz: 16_000 }, stride: 1 },
    Rhythm { rate: TickRate { hz: 16_000 }, stride: 16 },
];

/// Probes one after the other, each sent when the echo before had come.
#[derive(Clone, Debug)]
pub struct RoundTrips {
    /// How long they took, in nanoseconds.
    pub took_ns: Histogram<u64>,
    /// Probes without an echo.
    pub lost: u64,
    /// How long the measurement lasted, in nanoseconds.
    pub lasted_ns: u64,
}

impl RoundTrips {
    /// Round trips per second.
    #[must_use]
    pub fn per_second(&self) -> f64 {
        self.took_ns.len() as f64 * 1e9 / self.lasted_ns.max(1) as f64
    }

    /// The time in microseconds that this share of the round trips does not exceed; `None` without one.
    #[must_use]
    pub fn took_us(&self, share_frac: f64) -> Option<f64> {
        (!self.took_ns.is_empty()).then(|| self.took_ns.value_at_quantile(share_frac) as f64 / 1000.0)
    }
}

/// Sends probes over a link and waits for their echoes.
pub struct Prober<'a> {
    link: &'a mut dyn Link,
    metronome: &'a mut dyn Metronome,
    /// Number of the newest probe, which is its nonce too.
    newest: u32,
}

impl<'a> Prober<'a> {
    /// A prober of a link to a client that was let in.
    #[must_use]
    pub fn new(link: &'a mut dyn Link, metronome: &'a mut dyn Metronome) -> Self {
        Self { link, metronome, newest: 0 }
    }

    /// Whether the client answers at all. One that was let in a moment ago may not yet listen on its new port; ten probes
    /// that are lost mean that nobody answers.
    ///
    /// # Errors
    /// [`Gone`] when nothing can arrive any more.
    pub fn reaches(&mut self) -> Result<bool, Gone> {
        for _ in 0..REACHING_PROBES_MAX {
            self.send()?;
            if self.wait()? {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Sends probes for so long, each when the echo before has come or is lost.
    ///
    /// # Errors
    /// [`Gone`] when nothing can arrive any more.
    ///
    /// # Panics
    /// Never: the histogram's bounds are constants that it accepts.
    pub fn round_trips(&mut self, for_ns: u64) -> Result<RoundTrips, Gone> {
        let took_ns = Histogram::new_with_bounds(1, LONGEST_NS, 3).expect("constant bounds in order");
        let mut found = RoundTrips { took_ns, lost: 0, lasted_ns: 0 };
        let started_ns = self.metronome.now_ns();
        while found.lasted_ns < for_ns {
            let sent_ns = self.metronome.now_ns();
            self.send()?;
            let came = self.wait()?;
            let now_ns = self.metronome.now_ns();
            if came {
                found.took_ns.saturating_record(now_ns - sent_ns);
            } else {
                found.lost += 1;
            }
            found.lasted_ns = now_ns - started_ns;
        }
        Ok(found)
    }

    /// Ticks for so many nanoseconds in a rhythm, sends a probe in the first tick of each exchange, and takes what has
    /// come at the start of every tick.
    ///
    /// # Errors
    /// [`Gone`] when nothing can arrive any more.
    pub fn paced(&mut self, rhythm: Rhythm, for_ns: u64) -> Result<Paced, Gone> {
        let ticks = u64::from(rhythm.rate.hz) * for_ns / 1_000_000_000;
        let stride = u64::from(rhythm.stride);
        let open = vec![true; ticks.div_ceil(stride) as usize];
        let mut echoes = Echoes { open, first: self.newest + 1, stride, in_time: 0, late: 0 };
        let mut timing = Timing::new();
        let start_ns = self.metronome.now_ns() + LEAD_NS;
        for tick in 0..=ticks {
            let due = |tick| start_ns + due_ns(rhythm.rate, tick);
            let woke_ns = self.metronome.wait_until_ns(due(tick));
            echoes.poll(self.link, tick)?;
            if tick == ticks {
                // Only the answer to the tick before was waited for.
                break;
            }
            if tick.is_multiple_of(stride) {
                self.send()?;
            }
            timing.tick(woke_ns.saturating_sub(due(tick)), due(tick + 1) < self.metronome.now_ns());
        }
        let mut buffer = [0; MAX_FRAME_BYTES + 1];
        while let Some(length) = self.link.receive(&mut buffer)? {
            echoes.take(&buffer[..length], u64::MAX);
        }
        let sent = u64::from(self.newest + 1 - echoes.first);
        Ok(Paced { rhythm, timing, sent, in_time: echoes.in_time, late: echoes.late })
    }

    fn send(&mut self) -> Result<(), Gone> {
        self.newest += 1;
        let mut bytes = [0; MAX_FRAME_BYTES];
        let message = Message::Probe(Probe { nonce: u64::from(self.newest) });
        let length = encode(&Frame { sequence: self.newest, message }, &mut bytes);
        self.link.send(&bytes[..length])
    }

    /// Whether the echo to the newest probe came. Others, late ones of lost probes, are passed over.
    fn wait(&mut self) -> Result<bool, Gone> {
        let mut buffer = [0; MAX_FRAME_BYTES + 1];
        let mut empty_waits = 0;
        while empty_waits < EMPTY_WAITS_MAX {
            match self.link.receive(&mut buffer)? {
                Some(length) if echo(&buffer[..length]) == Some(self.newest) => return Ok(true),
                Some(_) => {}
                None => empty_waits += 1,
            }
        }
        Ok(false)
    }
}

/// Probes on the clock, one an exchange, as a paced run would send its feedback.
#[derive(Clone, Debug)]
pub struct Paced {
    /// The rhythm.
    pub rhythm: Rhythm,
    /// How late the ticks were, and which were missed.
    pub timing: Timing,
    /// Probes sent.
    pub sent: u64,
    /// Echoes that were there when the next tick began.
    pub in_time: u64,
    /// Echoes that came later.
    pub late: u64,
}

impl Paced {
    /// Probes whose echo never came.
    #[must_use]
    pub fn lost(&self) -> u64 {
        self.sent - self.in_time - self.late
    }

    /// Share of the probes whose echo was there when the next tick began; 1 without a probe.
    #[must_use]
    pub fn in_time_frac(&self) -> f64 {
        if self.sent == 0 { 1.0 } else { self.in_time as f64 / self.sent as f64 }
    }

    /// Why the rhythm does not suit a link that carries so many bytes a second (as many as it likes without) while the
    /// outside commands this, and at most so many ticks in a million may be missed; `None` when it suits.
    #[must_use]
    pub fn objection(&self, commands: Commands, line: Option<Line>, allowed_missed_per_million: u32) -> Option<String> {
        let rhythm = self.rhythm;
        let wire = Wire::of(commands, rhythm.stride);
        if let Some(line) = line {
            let asked = wire.largest() as f64 * rhythm.exchanges_hz();
            if line.bytes_per_s < asked {
                return Some(format!("{asked:.0} bytes/s each way; the line carries {:.0}", line.bytes_per_s));
            }
            let crossing_us = wire.both() as f64 * 1e6 / line.bytes_per_s;
            let tick_us = 1e6 * rhythm.rate.period_s();
            if tick_us < crossing_us {
                return Some(format!("both frames take {crossing_us:.0} µs, a tick {tick_us:.1} µs"));
            }
        }
        if 0 < self.lost() {
            return Some(format!("{} of {} probes lost", self.lost(), self.sent));
        }
        if self.in_time_frac() < IN_TIME_FRAC {
            return Some(format!("{:.2} % of the answers after the next tick", 100.0 * (1.0 - self.in_time_frac())));
        }
        let missed = self.timing.missed_per_million();
        (f64::from(allowed_missed_per_million) < missed).then(|| format!("{missed:.0} in a million ticks missed"))
    }
}

/// What a line is known to carry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Bytes per second in each direction, framing taken off.
    pub bytes_per_s: f64,
}

/// Bytes of one exchange.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wire {
    /// From the bench: a sample for each tick.
    pub feedback_bytes: usize,
    /// From the client, at most: a value for each tick.
    pub command_bytes: usize,
}

impl Wire {
    /// The frames of an exchange of so many ticks, at most [`STRIDE_TICKS_MAX`](crate::wire::message::STRIDE_TICKS_MAX).
    #[must_use]
    pub fn of(commands: Commands, stride: u32) -> Self {
        let (feedback, command) = match commands {
            Commands::Torque => (
                Message::TorqueFeedback(TorqueFeedbackFrame {
                    exchange: 0,
                    first_tick: 0,
                    trip: 0,
                    statusword: 0,
                    samples: filled(TorqueSample::default(), stride),
                }),
                Message::TorqueCommand(TorqueCommandFrame {
                    exchange: 0,
                    controlword: 0,
                    compute_us: 0,
                    values: filled(TorqueValue::default(), stride),
                }),
            ),
            Commands::Voltage => (
                Message::VoltageFeedback(VoltageFeedbackFrame {
                    exchange: 0,
                    first_tick: 0,
                    trip: 0,
                    statusword: 0,
                    samples: filled(VoltageSample::default(), stride),
                }),
                Message::VoltageCommand(VoltageCommandFrame {
                    exchange: 0,
                    controlword: 0,
                    compute_us: 0,
                    values: filled(VoltageValue::default(), stride),
                }),
            ),
            Commands::Speed => (
                Message::Feedback(FeedbackFrame {
                    exchange: 0,
                    first_tick: 0,
                    trip: 0,
                    statusword: 0,
                    samples: filled(Sample::default(), stride),
                }),
                Message::Command(CommandFrame {
                    exchange: 0,
                    controlword: 0,
                    compute_us: 0,
                    values: filled(Value::default(), stride),
                }),
            ),
        };
        Self { feedback_bytes: bytes(feedback), command_bytes: bytes(command) }
    }

    fn largest(self) -> usize {
        self.feedback_bytes.max(self.command_bytes)
    }

    fn both(self) -> usize {
        self.feedback_bytes + self.command_bytes
    }
}

fn filled<T: Copy + Default>(item: T, stride: u32) -> Series<T> {
    let mut series = Series::new();
    while series.len() < stride as usize && series.push(item) {}
    series
}

fn bytes(message: Message) -> usize {
    encode(&Frame { sequence: 0, message }, &mut [0; MAX_FRAME_BYTES])
}

/// Which probes of a paced measurement wait for their echo.
struct Echoes {
    open: Vec<bool>,
    /// Number of the first probe.
    first: u32,
    stride: u64,
    in_time: u64,
    late: u64,
}

impl Echoes {
    fn poll(&mut self, link: &mut dyn Link, tick: u64) -> Result<(), Gone> {
        let mut buffer = [0; MAX_FRAME_BYTES + 1];
        for _ in 0..FRAMES_PER_TICK_MAX {
            let Some(length) = link.poll(&mut buffer)? else { break };
            self.take(&buffer[..length], tick);
        }
        Ok(())
    }

    /// Takes a frame at the start of a tick. An echo that comes twice counts once.
    fn take(&mut self, frame: &[u8], tick: u64) {
        let place = echo(frame).and_then(|number| number.checked_sub(self.first));
        let Some(exchange) = place else { return };
        let Some(open) = self.open.get_mut(exchange as usize).filter(|open| **open) else { return };
        *open = false;
        if tick <= u64::from(exchange) * self.stride + 1 {
            self.in_time += 1;
        } else {
            self.late += 1;
        }
    }
}

/// The number of the probe that a frame is the echo of; `None` for any other frame.
fn echo(frame: &[u8]) -> Option<u32> {
    match decode(frame).ok()?.message {
        Message::Echo(probe) => u32::try_from(probe.nonce).ok(),
        _ => None,
    }
}
