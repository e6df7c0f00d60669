//! A whole trial inside the process: a carried method on a session, no socket, no file, no clock.
//!
//! What it does not: misbehave. Start reading at [`tune`].

use plantstand::bench::frames::TITLE;
use plantstand::bench::memory::Direct;
use plantstand::bench::session::End;
use plantstand::method::Carried;
use plantstand::method::client::{Client, Transport, TransportError};
use plantstand::scenario::Scenario;
use plantstand::trial::bits::Bits;
use plantstand::trial::judgement::judge;
use plantstand::trial::phases::{self, Examined, Identity, Tuned};
use plantstand::trial::result::{MethodFacts, Program, ScenarioFacts, TrialResult};

/// Lends a session to a client, so that it can be looked at afterwards.
struct Lent<'a>(&'a mut Direct);

impl Transport for Lent<'_> {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        self.0.send(frame)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        self.0.receive(buffer)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        self.0.follow(port)
    }
}

/// Tunes with a carried method: what it left behind, and the frames as a record keeps them.
pub fn tune(scenario: &Scenario, seed: u64, method: Carried) -> (Tuned, Vec<u8>) {
    let mut direct = Direct::new(phases::tuning(scenario, seed), phases::accept(scenario, 1));
    let mut client = Client::open(Lent(&mut direct), [0; 16], method.name()).expect("nobody refuses in memory");
    method.run(&mut client).expect("the method gets to its end");
    client.done().expect_err("in memory nobody says a verdict");
    let mut session = direct.session;
    assert_eq!(session.end(), Some(&End::Done));
    let mut bits = Bits::default();
    bits.rows(&session.taken.rows);
    let frames = [TITLE, &session.taken.frames].concat();
    (phases::power_cycle(scenario, &mut session, End::Done, bits, "memory".to_owned()), frames)
}

/// The machines of a scenario by number.
pub fn all_machines(scenario: &Scenario) -> Vec<usize> {
    phases::machines(scenario, None).expect("all machines exist")
}

/// The result, under a name that plays no part in it.
pub fn judged(scenario: &Scenario, seed: u64, tuned: &Tuned, examined: Option<&Examined>) -> TrialResult {
    let identity = Identity {
        program: Program { name: "test".to_owned(), version: String::new(), sha256: None },
        scenario: ScenarioFacts {
            title: scenario.title.clone(),
            about: scenario.about.clone(),
            file: "test.toml".to_owned(),
            sha256: String::new(),
            seed,
            tick_hz: scenario.timing.rate.hz,
            stride: scenario.timing.stride,
        },
        method: MethodFacts { name: "test".to_owned(), command: None, said_name: None },
    };
    judge(scenario, &identity, tuned, examined)
}
