//! The promise: what a network, a debugger or a dying method does to a link over UDP is survived. A stopped method is
//! waited for when patience is off; one that dies in the middle of a frame leaves an axis at rest and a void; the time of
//! day enters nothing but the names of records.
//!
//! Loss, repetition, corruption and truncation stand in `trial_faults.rs`, `link_session.rs` and `link_pacing.rs`, floods
//! in `flooded.rs`. Start reading at [`stopped_in_the_middle`].

use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

use plantstand::host::files::token_to_hex;
use plantstand::host::udp::UdpTransport;
use plantstand::method::axis::Axis;
use plantstand::method::client::{Client, Transport, TransportError};
use plantstand::trial::result::{TrialResult, TuningEnd, Verdict};
use plantstand::wire::message::Value;

use super::DOUGH_SHEETER;
use super::by_hand::{disable, enable, turn};
use super::outsider::Listening;
use super::program::{Ground, Ran, plantstand};

/// The dough sheeter with a bench that waits three tenths of a second and no longer, unless it is told otherwise.
fn impatient() -> Ground {
    Ground::new(&super::with(DOUGH_SHEETER, "stride = 8 ", "patience_s = 0.3\nstride = 8 "))
}

/// `careful` as a process of its own, which the test can stop.
fn careful(ground: &Ground, listening: &Listening) -> Child {
    plantstand(ground.folder.path())
        .args(["method", "careful"])
        .env("PLANTSTAND_LINK", format!("udp:{}", listening.door.address))
        .env("PLANTSTAND_TOKEN", token_to_hex(&listening.door.token))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the method starts")
}

fn signal(process: &Child, signal: nix::sys::signal::Signal) {
    let id = nix::unistd::Pid::from_raw(i32::try_from(process.id()).expect("an id"));
    nix::sys::signal::kill(id, signal).expect("it runs");
}

/// A trial by `careful` whose process is stopped for a second as soon as ticks were recorded.
fn stopped_in_the_middle(words: &[&str]) -> (Ran, TrialResult) {
    let ground = impatient();
    let listening = Listening::start(&ground, &[&["--record", "r"], words].concat());
    let mut method = careful(&ground, &listening);
    let limit = Instant::now() + Duration::from_secs(60);
    while std::fs::metadata(ground.path("r/tuning.journal")).map_or(0, |kept| kept.len()) < 100_000 {
        assert!(Instant::now() < limit, "nothing is recorded");
        std::thread::yield_now();
    }
    signal(&method, nix::sys::signal::Signal::SIGSTOP);
    // What is tested is this second.
    std::thread::sleep(Duration::from_secs(1));
    signal(&method, nix::sys::signal::Signal::SIGCONT);
    let ran = listening.finish();
    method.wait().expect("it ends");
    let result = ground.result("r");
    (ran, result)
}

#[test]
fn a_method_that_a_debugger_stops_is_waited_for_when_patience_is_off() {
    let ground = impatient();
    let listening = Listening::start(&ground, &["--record", "r", "--patience", "off"]);
    let mut method = careful(&ground, &listening);
    assert_eq!(listening.finish().status, Some(0));
    method.wait().expect("it ends");
    let undisturbed = ground.result("r");
    let (ran, stopped) = stopped_in_the_middle(&["--patience", "off"]);
    assert_eq!((ran.status, stopped.verdict), (Some(0), Verdict::Pass));
    assert_eq!(stopped.bits_sha256, undisturbed.bits_sha256);
    assert!(5 <= stopped.link.resent, "the feedback was not said again: {:?}", stopped.link);
    // Each copy that waited for the method was answered alike and acted once.
    assert_eq!(stopped.link.exchanges, undisturbed.link.exchanges);
}

#[test]
fn the_same_stop_is_a_void_when_patience_is_not_off() {
    let (ran, stopped) = stopped_in_the_middle(&[]);
    assert_eq!((ran.status, stopped.tuning_ended), (Some(3), TuningEnd::Silent), "{ran:?}");
}

/// Passes frames on until it is told to die: then half of the next one goes out, and nothing more.
struct Dying {
    inner: UdpTransport,
    frames: u32,
}

impl Transport for Dying {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        if self.frames == 0 {
            self.inner.send(&frame[..frame.len() / 2])?;
            return Err(TransportError("died".to_owned()));
        }
        self.frames -= 1;
        self.inner.send(frame)
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        self.inner.receive(buffer)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        self.inner.follow(port)
    }
}

#[test]
fn a_method_that_dies_in_the_middle_of_a_frame_leaves_an_axis_at_rest_and_a_void() {
    let ground = impatient();
    let listening = Listening::start(&ground, &["--no-record", "--json", "-", "--patience", "1"]);
    let inner = UdpTransport::towards(listening.door.address).expect("a socket");
    let dying = Dying { inner, frames: 150 };
    let mut client = Client::open(dying, listening.door.token, "dying").expect("let in");
    // Enabled and turning when it dies.
    enable(&mut client);
    let mut exchanges = 0;
    while client.command(0x0F, &[turning()]).is_ok() {
        exchanges += 1;
    }
    assert!(20 < exchanges, "it died too early to be turning");
    let ran = listening.finish();
    let result: TrialResult = serde_json::from_str(&ran.out).expect("a result");
    assert_eq!((ran.status, result.tuning_ended), (Some(3), TuningEnd::Silent));
    let truncated = ["length", "too_short"].iter().filter_map(|reason| result.link.refused.get(*reason)).sum::<u64>();
    assert_eq!(truncated, 1, "{:?}", result.link.refused);
    assert!(result.conduct.faults.iter().any(|fault| fault.name.contains("silent")), "{:?}", result.conduct.faults);
}

fn turning() -> Value {
    Value { speed_rad_per_s: 20.0, ..Value::default() }
}

/// Waits before each frame, or says each ten times.
struct Tempo {
    inner: UdpTransport,
    slow: bool,
}

impl Transport for Tempo {
    fn send(&mut self, frame: &[u8]) -> Result<(), TransportError> {
        if self.slow {
            // An exchange of this bench is a thousandth of a second.
            std::thread::sleep(Duration::from_millis(10));
            return self.inner.send(frame);
        }
        (0..10).try_for_each(|_| self.inner.send(frame))
    }

    fn receive(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, TransportError> {
        self.inner.receive(buffer)
    }

    fn follow(&mut self, port: u16) -> Result<(), TransportError> {
        self.inner.follow(port)
    }
}

/// The bits of a short tuning at a tempo.
fn bits_at(slow: bool) -> String {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--no-record", "--json", "-"]);
    let inner = UdpTransport::towards(listening.door.address).expect("a socket");
    let mut client = Client::open(Tempo { inner, slow }, listening.door.token, "tempo").expect("let in");
    enable(&mut client);
    turn(&mut client, 10.0, 40);
    disable(&mut client);
    client.store().expect("the bench stores");
    client.done().expect("the bench says its verdict");
    let ran = listening.finish();
    serde_json::from_str::<TrialResult>(&ran.out).expect("a result").bits_sha256
}

#[test]
fn a_method_ten_times_too_fast_and_one_ten_times_too_slow_come_to_the_same_bits_in_lockstep() {
    assert_eq!(bits_at(false), bits_at(true));
}

#[test]
fn a_step_of_the_time_of_day_can_touch_nothing_but_names_and_dates() {
    // Time since a moment comes from the monotonic clock, which no step reaches; the time of day is asked for in the one
    // file that names a record's folder and dates a line of a suite's history.
    let mut asking = Vec::new();
    let mut folders = vec![std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("src")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder of the sources") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|ending| ending == "rs") {
                let text = std::fs::read_to_string(&path).expect("a source");
                let places = ["SystemTime", "UNIX_EPOCH", "CLOCK_REALTIME"].map(|word| text.matches(word).count());
                asking.extend((places != [0; 3]).then_some((path, places)));
            }
        }
    }
    let [(path, places)] = &asking[..] else { panic!("the time of day is asked for in {asking:?}") };
    assert!(path.ends_with("src/host/files.rs"), "{path:?}");
    assert_eq!(*places, [3, 0, 0], "an import and two uses");
}
