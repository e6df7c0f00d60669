//! What a link can carry: probes and echoes, as fast as they go and on the clock.
//!
//! Every client answers probes, so any client that was let in can be measured. What it does not: open a link or start a
//! client (`host`, `cli/probe.rs`). Start reading at [`round_trips`] and [`paced`].

use hdrhistogram::Histogram;

use crate::base::time::TickRate;
use crate::bench::port::{Gone, Link, Metronome};
use crate::bench::timing::{Timing, due_ns};
use crate::wire::codec::{decode, encode};
use crate::wire::layout::MAX_FRAME_BYTES;
use crate::wire::message::{
    CommandFrame, Commands, FeedbackFrame, Frame, Message, Probe, Sample, Series, TorqueCommandFrame,
    TorqueFeedbackFrame, TorqueSample, TorqueValue, Value,
};

/// Empty waits, of a tenth of a second each, after which an echo counts as lost.
const EMPTY_WAITS_MAX: u32 = 3;

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

/// Sends probes for so long, each when the echo before has come or is lost.
///
/// # Errors
/// [`Gone`] when nothing can arrive any more.
///
/// # Panics
/// Never: the histogram's bounds are constants that it accepts.
pub fn round_trips(link: &mut dyn Link, metronome: &mut dyn Metronome, for_ns: u64) -> Result<RoundTrips, Gone> {
    let took_ns = Histogram::new_with_bounds(1, LONGEST_NS, 3).expect("constant bounds in order");
    let mut found = RoundTrips { took_ns, lost: 0, lasted_ns: 0 };
    let started_ns = metronome.now_ns();
    let mut nonce = 0;
    while metronome.now_ns() - started_ns < for_ns {
        nonce += 1;
        let sent_ns = metronome.now_ns();
        send(link, nonce)?;
        if wait_for(link, nonce)? {
            found.took_ns.saturating_record(metronome.now_ns() - sent_ns);
        } else {
            found.lost += 1;
        }
    }
    found.lasted_ns = metronome.now_ns() - started_ns;
    Ok(found)
}

/// Whether the echo to this probe came. Others, late ones of lost probes, are passed over.
fn wait_for(link: &mut dyn Link, nonce: u64) -> Result<bool, Gone> {
    let mut buffer = [0; MAX_FRAME_BYTES + 1];
    let mut empty_waits = 0;
    while empty_waits < EMPTY_WAITS_MAX {
        match link.receive(&mut buffer)? {
            Some(length) if echo(&buffer[..length]) == Some(nonce) => return Ok(true),
            Some(_) => {}
            None => empty_waits += 1,
        }
    }
    Ok(false)
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
            _ => (
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
    (0..stride).for_each(|_| drop(series.push(item)));
    series
}

fn bytes(message: Message) -> usize {
    encode(&Frame { sequence: 0, message }, &mut [0; MAX_FRAME_BYTES])
}

/// Ticks for so many nanoseconds in a rhythm, sends a probe in the first tick of each exchange, and takes what has come at
/// the start of every tick.
///
/// # Errors
/// [`Gone`] when nothing can arrive any more.
pub fn paced(
    link: &mut dyn Link,
    metronome: &mut dyn Metronome,
    rhythm: Rhythm,
    for_ns: u64,
) -> Result<Paced, Gone> {
    let ticks = u64::from(rhythm.rate.hz) * for_ns / 1_000_000_000;
    let stride = u64::from(rhythm.stride);
    let mut echoes = Echoes { open: vec![true; (ticks / stride + 1) as usize], stride, in_time: 0, late: 0 };
    let mut timing = Timing::new();
    let mut sent = 0;
    let start_ns = metronome.now_ns() + LEAD_NS;
    for tick in 0..ticks {
        let (due_ns, next_due_ns) = (start_ns + due_ns(rhythm.rate, tick), start_ns + due_ns(rhythm.rate, tick + 1));
        let woke_ns = metronome.wait_until_ns(due_ns);
        echoes.poll(link, tick)?;
        if tick.is_multiple_of(stride) {
            send(link, FIRST_NONCE + sent)?;
            sent += 1;
        }
        timing.tick(woke_ns.saturating_sub(due_ns), next_due_ns < metronome.now_ns());
    }
    // What is still on its way: the last one may be in time.
    echoes.poll_at(link, metronome, start_ns + due_ns(rhythm.rate, ticks), ticks)?;
    let mut buffer = [0; MAX_FRAME_BYTES + 1];
    while let Some(length) = link.receive(&mut buffer)? {
        echoes.take(&buffer[..length], u64::MAX);
    }
    Ok(Paced { rhythm, timing, sent, in_time: echoes.in_time, late: echoes.late })
}

/// Nonces of paced probes; smaller ones belong to the round trips before.
const FIRST_NONCE: u64 = 1 << 32;

/// Which probes wait for their echo.
struct Echoes {
    open: Vec<bool>,
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

    fn poll_at(
        &mut self,
        link: &mut dyn Link,
        metronome: &mut dyn Metronome,
        due_ns: u64,
        tick: u64,
    ) -> Result<(), Gone> {
        metronome.wait_until_ns(due_ns);
        self.poll(link, tick)
    }

    /// Takes a frame at the start of a tick. An echo that comes twice counts once.
    fn take(&mut self, frame: &[u8], tick: u64) {
        let place = echo(frame).and_then(|nonce| nonce.checked_sub(FIRST_NONCE));
        let Some(exchange) = place else { return };
        let Some(open) = self.open.get_mut(exchange as usize).filter(|open| **open) else { return };
        *open = false;
        if tick <= exchange * self.stride + 1 {
            self.in_time += 1;
        } else {
            self.late += 1;
        }
    }
}

fn send(link: &mut dyn Link, nonce: u64) -> Result<(), Gone> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    // The number of a probe tells nothing that its nonce does not.
    let frame = Frame { sequence: nonce as u32, message: Message::Probe(Probe { nonce }) };
    let length = encode(&frame, &mut bytes);
    link.send(&bytes[..length])
}

/// The nonce of an echo; `None` for any other frame.
fn echo(frame: &[u8]) -> Option<u64> {
    match decode(frame).ok()?.message {
        Message::Echo(probe) => Some(probe.nonce),
        _ => None,
    }
}
