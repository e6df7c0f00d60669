//! The carried controller in a thread of its own, over channels: a link without loss and without a system in between.
//!
//! What it does not: time. Start reading at [`Carried`].

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, TryRecvError, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use plantstand::base::recording::Row;
use plantstand::bench::pacing::{Patience, Watch, lockstep};
use plantstand::bench::port::{Clock, Gone, Link, RESEND_AFTER};
use plantstand::bench::session::{End, Session};
use plantstand::method::client::{Transport, TransportError};
use plantstand::method::current_pi::CurrentPi;
use plantstand::method::outside;
use plantstand::method::outside_pi::OutsidePi;
use plantstand::scenario::{Commands, Scenario};
use plantstand::trial::phases;
use plantstand::wire::codec::{decode, encode};
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{Accept, Frame, Message};

/// A message as it leaves.
pub fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// The bench's end.
struct Line {
    out: Sender<Vec<u8>>,
    into: Receiver<Vec<u8>>,
}

impl Link for Line {
    fn send(&mut self, frame: &[u8]) -> Result<(), Gone> {
        self.out.send(frame.to_vec()).map_err(|_| Gone { cause: "hung up".to_owned() })
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        match self.into.recv_timeout(RESEND_AFTER) {
            Ok(frame) => Ok(Some(copied(&frame, buffer))),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => Err(Gone { cause: "hung up".to_owned() }),
        }
    }

    fn poll(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, Gone> {
        match self.into.try_recv() {
            Ok(frame) => Ok(Some(copied(&frame, buffer))),
            Err(TryRecvError::Empty) => Ok(None),
            Err(TryRecvError::Disconnected) => Err(Gone { cause: "hung up".to_owned() }),
        }
    }
}

fn copied(frame: &[u8], buffer: &mut [u8]) -> usize {
    buffer[..frame.len()].copy_from_slice(frame);
    frame.len()
}

/// The controller's end; an open is answered here, as a door would.
struct Far {
    out: Sender<Vec<u8>>,
    into: Receiver<Vec<u8>>,
    accept: Accept,
    accepted: Option<Vec<u8>>,
}

impl Transport for Far {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        if let Ok(Frame { sequence, message: Message::Open(_) }) = decode(frame) {
            self.accepted = Some(framed(sequence, Message::Accept(self.accept)));
            return Ok(());
        }
        self.out.send(frame.to_vec()).map_err(|_| TransportError("hung up".to_owned()))
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        if let Some(accept) = self.accepted.take() {
            return Ok(Some(copied(&accept, buffer)));
        }
        match self.into.recv_timeout(RESEND_AFTER) {
            Ok(frame) => Ok(Some(copied(&frame, buffer))),
            Err(RecvTimeoutError::Timeout) => Ok(None),
            Err(RecvTimeoutError::Disconnected) => Err(TransportError("hung up".to_owned())),
        }
    }

    fn follow(&mut self, _port: u16) -> Result<(), TransportError> {
        Ok(())
    }
}

struct Wall(Instant);

impl Clock for Wall {
    fn elapsed(&mut self) -> Duration {
        self.0.elapsed()
    }
}

struct Nobody;

impl Watch for Nobody {
    fn look(&mut self, _session: &mut Session) -> Option<End> {
        None
    }
}

/// A session with the carried controller at its other end.
pub struct Carried {
    /// The bench's side.
    pub session: Session,
    line: Line,
    _controller: JoinHandle<()>,
}

impl Carried {
    /// Before the first phase.
    pub fn start(scenario: &Scenario, seed: u64) -> Self {
        let accept = phases::accept(scenario, 1);
        let ((out, far_into), (far_out, into)) = (channel(), channel());
        let far = Far { out: far_out, into: far_into, accept, accepted: None };
        let commands = scenario.commands;
        let controller = std::thread::spawn(move || {
            // It ends when the test hangs up.
            drop(match commands {
                Commands::Voltage => outside::serve_voltage(far, [0; 16], "current_pi", &mut CurrentPi::default()),
                _ => outside::serve(far, [0; 16], "pi", &mut OutsidePi::default()),
            });
        });
        let session = phases::session(scenario, seed, accept);
        Self { session, line: Line { out, into }, _controller: controller }
    }

    /// Tuning and power cycle.
    pub fn through_tuning(&mut self) {
        assert_eq!(self.run().0, End::Done);
        self.session.prepare_power_cycle();
        assert_eq!(self.run().0, End::Finished);
    }

    /// Runs the phase that is prepared: how it ended, and its rows.
    pub fn run(&mut self) -> (End, Vec<Row>) {
        let patience = Patience { silence: Some(Duration::from_secs(60)), phase: None };
        let end = lockstep(&mut self.session, &mut self.line, &mut Wall(Instant::now()), patience, &mut Nobody);
        (end, std::mem::take(&mut self.session.taken.rows))
    }
}
