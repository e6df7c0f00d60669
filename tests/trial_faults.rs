//! The promise: whatever a method does, the trial ends with the verdict or the refusal that fits, the exit status that
//! people script against, and what was recorded until then. Nobody who is not in command can change a bit.
//!
//! Everything runs through the built program. Where a method must misbehave to the point, the test connects as the
//! method. Start reading at [`by_hand_ends`].

// Long because every way in which a method can fail is one test, side by side.

use std::net::{Ipv4Addr, UdpSocket};
use std::time::{Duration, Instant};

use plantstand::host::udp::UdpTransport;
use plantstand::method::axis::{Axis, Stop};
use plantstand::method::client::{Client, Transport};
use plantstand::trial::result::{TrialResult, TuningEnd, Verdict};
use plantstand::wire::codec::decode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{CommandFrame, Message, Phase, PhaseKind, Probe, RefuseReason, Value, Values};

#[path = "trial_runs/by_hand.rs"]
mod by_hand;
#[path = "trial_faults/flood.rs"]
mod flood;
#[path = "trial_faults/flooded.rs"]
mod flooded;
#[path = "trial_runs/hostile.rs"]
mod hostile;
#[path = "trial_runs/outsider.rs"]
mod outsider;
#[path = "trial_runs/program.rs"]
mod program;
#[path = "trial_faults/survived.rs"]
mod survived;

use by_hand::{disable, enable, turn};
use hostile::Hostile;
use outsider::{Door, Listening, framed, open};
use program::{Ground, Ran};

const DOUGH_SHEETER: &str = include_str!("../scenarios/dough-sheeter.toml");
const SWIVEL_ARM: &str = include_str!("../scenarios/swivel-arm.toml");

type UdpClient = Client<UdpTransport>;

/// A well-behaved client with any token.
fn knock(door: &Door, name: &str, token: [u8; 16]) -> Result<UdpClient, Stop> {
    Client::open(UdpTransport::towards(door.address).expect("a socket"), token, name)
}

/// A well-behaved client that is let in.
fn enter(door: &Door, name: &str) -> UdpClient {
    knock(door, name, door.token).expect("the bench lets the first one in")
}

/// A scenario with one line changed; the line must be there.
fn with(text: &str, found: &str, instead: &str) -> String {
    assert!(text.contains(found), "the scenario has no '{found}'");
    text.replace(found, instead)
}

/// The result that a run with `--json -` printed.
fn printed(ran: &Ran) -> TrialResult {
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {ran:?}"))
}

fn has_reason(result: &TrialResult, words: &str) -> bool {
    result.reasons.iter().any(|reason| reason.text.contains(words))
}

/// A method that was started: the trial ends with this status, tuning's end and a reason with these words.
fn check_method_ends(words: &[&str], status: i32, ended: TuningEnd, reason: &str) {
    let ran = Ground::new(DOUGH_SHEETER).score(&[&["--no-record", "--json", "-"], words].concat());
    check_ended(&ran, status, ended, reason);
}

fn check_ended(ran: &Ran, status: i32, ended: TuningEnd, reason: &str) -> TrialResult {
    let result = printed(ran);
    assert_eq!(ran.status, Some(status), "{ran:?}");
    assert_eq!(result.tuning_ended, ended, "{:?}", result.reasons);
    assert!(has_reason(&result, reason), "no '{reason}' among {:?}", result.reasons);
    assert_eq!(result.grade_percent.is_none(), status == 3, "a void has no grade, everything else has one");
    result
}

/// A trial that the test tunes itself.
fn by_hand_trial(scenario: &str, tune: impl FnOnce(UdpClient)) -> Ran {
    let ground = Ground::new(scenario);
    let listening = Listening::start(&ground, &["--no-record", "--json", "-"]);
    tune(enter(&listening.door, "by hand"));
    listening.finish()
}

/// It ends with this status and a reason with these words.
fn by_hand_ends(
    scenario: &str,
    status: i32,
    ended: TuningEnd,
    reason: &str,
    tune: impl FnOnce(UdpClient),
) -> TrialResult {
    check_ended(&by_hand_trial(scenario, tune), status, ended, reason)
}

/// Off, stored, done: whatever was broken before is judged.
fn finish(mut client: Client<impl Transport>) {
    disable(&mut client);
    client.store().expect("the bench stores");
    client.done().expect("the bench says its verdict");
}

#[test]
fn a_method_that_never_connects_is_void() {
    check_method_ends(&["--method", "false"], 3, TuningEnd::Left, "exited with status 1 before it connected");
    check_method_ends(&["--method", "true"], 3, TuningEnd::Left, "exited with status 0 before it connected");
    let sleeps = ["--patience", "0.5", "--", "sleep", "60"];
    check_method_ends(&sleeps, 3, TuningEnd::Silent, "fell silent before it was done");
}

#[test]
fn a_method_that_cannot_be_started_is_a_mistake_in_the_command_and_leaves_no_record() {
    let ground = Ground::new(DOUGH_SHEETER);
    for words in
        [["--method", "no-such-program"], ["--method", "'open quote"], ["--by", "nobody"], ["--patience", "-1"]]
    {
        let ran = ground.score(&[words.as_slice(), &["--record", "r"]].concat());
        assert_eq!(ran.status, Some(2), "{ran:?}");
        assert!(!ground.path("r").exists(), "{words:?} left a record of nothing");
    }
}

/// A started program that keeps alive as long as a file is missing and then exits with 7, while the test speaks for it.
const STAND_IN: &str = "echo \"$PLANTSTAND_LINK $PLANTSTAND_TOKEN\" > it.tmp; mv it.tmp it; echo my last words; \
                        while [ ! -e go ]; do sleep 0.01; done; exit 7";

#[test]
fn a_method_that_dies_while_it_tunes_is_void_and_its_record_is_kept() {
    let ground = Ground::new(DOUGH_SHEETER);
    let process = program::plantstand(ground.folder.path())
        .args(["score", "test.toml", "--record", "r", "--json", "-", "--", "sh", "-c", STAND_IN])
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("the program starts");
    let door = Door::told_in(&ground.path("it"));
    let mut client = enter(&door, "stand-in");
    enable(&mut client);
    client.log("so far so good").expect("the bench listens");
    turn(&mut client, 20.0, 300);
    std::fs::write(ground.path("go"), "").expect("the stand-in's cue");
    let ran = Ran::of(process.wait_with_output().expect("it ends"));
    let result = check_ended(&ran, 3, TuningEnd::Left, "exited with status 7");
    assert_eq!(result.verdict, Verdict::VoidMethod);
    assert_eq!(result.method.said_name.as_deref(), Some("stand-in"));
    for name in ["frames.bin", "tuning.parquet", "report.html", "scenario.toml", "settings.toml"] {
        assert!(0 < std::fs::metadata(ground.path("r").join(name)).expect(name).len(), "{name} is empty");
    }
    let kept = |name: &str| std::fs::read_to_string(ground.path("r").join(name)).expect(name);
    assert!(kept("method.log").contains("so far so good"));
    assert_eq!(kept("method.out.txt"), "my last words\n");
    assert!(!ground.path("r").join("tuning.journal").exists());
    // What a dead method left can be run again to the same bits.
    let again = ground.run(&["replay", "r"]);
    assert_eq!(again.status, Some(0), "{again:?}");
}

#[test]
fn a_method_is_gone_when_it_exits_although_a_program_of_its_own_holds_its_output() {
    for left_behind in ["sleep 60 & exit 5", "setsid sleep 6 & exit 5"] {
        let started = Instant::now();
        check_method_ends(&["--", "sh", "-c", left_behind], 3, TuningEnd::Left, "exited with status 5");
        assert!(started.elapsed() < Duration::from_secs(5), "waited for {left_behind}");
    }
}

#[test]
fn a_method_that_falls_silent_is_void_after_the_patience() {
    let impatient = with(DOUGH_SHEETER, "stride = 8 ", "patience_s = 1\nstride = 8 ");
    let result = by_hand_ends(&impatient, 3, TuningEnd::Silent, "fell silent before it was done", |mut client| {
        enable(&mut client);
        turn(&mut client, 20.0, 300);
    });
    assert!(result.conduct.faults.iter().any(|fault| fault.name.contains("silent")), "{:?}", result.conduct.faults);
    assert!(2 <= result.link.resent, "the feedback was said again: {:?}", result.link);
    assert!(result.machines.is_empty() && result.limits.is_empty(), "nothing was examined");
}

#[test]
fn a_method_that_stores_nothing_fails_with_that_reason() {
    by_hand_ends(DOUGH_SHEETER, 1, TuningEnd::Done, "were not stored", |mut client| {
        client.write("speed_gain_nms_per_rad", 0.2).expect("in range");
        client.done().expect("the bench says its verdict");
    });
}

#[test]
fn a_method_that_leaves_its_window_or_path_fails_with_that_reason() {
    let narrow = with(DOUGH_SHEETER, "[-720, 720]", "[-90, 90]");
    by_hand_ends(&narrow, 1, TuningEnd::Done, "degrees beyond its window", |mut client| {
        enable(&mut client);
        turn(&mut client, 20.0, 400);
        finish(client);
    });
    let short = with(DOUGH_SHEETER, "path_deg = 20000", "path_deg = 90");
    by_hand_ends(&short, 1, TuningEnd::Done, "degrees in all, allowed were 90", |mut client| {
        enable(&mut client);
        turn(&mut client, 20.0, 400);
        finish(client);
    });
}

#[test]
fn a_method_that_turns_too_fast_trips_the_drive_and_fails_with_that_reason() {
    let result = by_hand_ends(DOUGH_SHEETER, 1, TuningEnd::Done, "faster than the axis may", |mut client| {
        enable(&mut client);
        turn(&mut client, 200.0, 400);
        finish(client);
    });
    assert!(result.conduct.faults.iter().any(|fault| fault.name == "overspeed"), "{:?}", result.conduct.faults);
}

#[test]
fn a_method_that_reaches_the_travel_limit_trips_the_drive() {
    let result = by_hand_ends(SWIVEL_ARM, 1, TuningEnd::Done, "degrees beyond its window", |mut client| {
        enable(&mut client);
        turn(&mut client, -60.0, 1000);
        finish(client);
    });
    assert!(result.conduct.faults.iter().any(|fault| fault.name.contains("travel")), "{:?}", result.conduct.faults);
    assert_eq!(result.conduct.stop_strikes, 0, "the quick stop comes before the stop");
}

#[test]
fn a_method_that_takes_the_travel_limit_away_strikes_the_stop_and_fails_with_that_reason() {
    let result = by_hand_ends(SWIVEL_ARM, 1, TuningEnd::Done, "a stop was struck", |mut client| {
        client.write("travel_min_deg", -1e9).expect("no limit is in range");
        enable(&mut client);
        turn(&mut client, -60.0, 1000);
        finish(client);
    });
    assert!(0 < result.conduct.stop_strikes && 0.0 < result.conduct.stop_energy_j);
}

#[test]
fn a_method_that_uses_up_its_simulated_time_is_void() {
    let short = with(DOUGH_SHEETER, "time_s = 60 ", "time_s = 0.2 ");
    let result = by_hand_ends(&short, 3, TuningEnd::OutOfTime, "used up its simulated time", |mut client| {
        enable(&mut client);
        turn(&mut client, 20.0, 400);
    });
    assert!((0.2..0.5).contains(&result.conduct.tuning_time_s), "{}", result.conduct.tuning_time_s);
}

#[test]
fn a_method_that_uses_up_its_time_on_the_wall_is_void() {
    let short = with(DOUGH_SHEETER, "time_s = 60 ", "wall_s = 1\ntime_s = 3600 ");
    by_hand_ends(&short, 3, TuningEnd::OutOfWallTime, "used up its time on the wall", |mut client| {
        enable(&mut client);
        turn(&mut client, 0.0, u32::MAX);
    });
}

/// A short tuning: a move there and back, a setting, stored, done.
fn tune_shortly(mut client: Client<impl Transport>) {
    enable(&mut client);
    for speed_rad_per_s in [10.0, -10.0, 0.0] {
        turn(&mut client, speed_rad_per_s, 60);
    }
    client.write("speed_gain_nms_per_rad", 0.2).expect("in range");
    finish(client);
}

/// What the same tuning comes to when nobody disturbs.
fn undisturbed() -> (Option<i32>, TrialResult) {
    let ran = by_hand_trial(DOUGH_SHEETER, tune_shortly);
    (ran.status, printed(&ran))
}

/// A method that sends more than it should comes to the same bits, and what was refused is counted under `reason`.
fn check_same_bits(reason: &str, times: u32, before: impl FnMut(&[u8]) -> Vec<Vec<u8>>) {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--no-record", "--json", "-"]);
    let inner = UdpTransport::towards(listening.door.address).expect("a socket");
    let client = Client::open(Hostile { inner, before, times }, listening.door.token, "by hand").expect("let in");
    tune_shortly(client);
    let ran = listening.finish();
    let (status, clean) = undisturbed();
    let result = printed(&ran);
    assert_eq!(ran.status, status);
    assert_eq!(result.bits_sha256, clean.bits_sha256);
    assert_eq!((&result.limits, &result.measures, result.verdict), (&clean.limits, &clean.measures, clean.verdict));
    assert!(100 < result.link.refused.get(reason).copied().unwrap_or(0), "{reason}: {:?}", result.link.refused);
    assert_eq!(result.link.exchanges, clean.link.exchanges);
}

#[test]
fn a_method_that_says_everything_fifty_times_changes_no_bit() {
    check_same_bits("stale_command", 50, |_| Vec::new());
}

#[test]
fn garbage_between_the_frames_changes_no_bit() {
    check_same_bits("magic", 1, |_| vec![vec![0xEE; 100], Vec::new(), vec![0x50; 3200], vec![0x50, 0x53]]);
    check_same_bits("crc", 1, |frame| {
        let mut spoiled = frame.to_vec();
        spoiled[7] ^= 0x10;
        vec![spoiled]
    });
}

#[test]
fn commands_that_are_not_a_number_change_no_bit() {
    let mut exchange = 0;
    check_same_bits("not_finite", 1, move |_| {
        exchange += 1;
        let value = Value { torque_offset_nm: f64::NAN, ..Value::default() };
        let values = Values::from_slice(&[value]).expect("one value");
        vec![framed(exchange, Message::Command(CommandFrame { exchange, controlword: 0x0F, compute_us: 0, values }))]
    });
}

/// A socket of the test's own, which never waits long.
fn socket() -> UdpSocket {
    let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).expect("a socket");
    socket.set_read_timeout(Some(Duration::from_secs(10))).expect("a time limit");
    socket
}

/// The next frame at a socket.
fn heard(socket: &UdpSocket) -> Message {
    let mut buffer = [0; MAX_FRAME_BYTES];
    let length = socket.recv(&mut buffer).expect("the bench says something within ten seconds");
    decode(&buffer[..length]).expect("it speaks the protocol").message
}

/// Opens with a token from a socket of its own; what the bench says to it.
fn refused(door: &Door, bytes: &[u8]) -> RefuseReason {
    let stranger = socket();
    stranger.send_to(bytes, door.address).expect("loopback takes it");
    match heard(&stranger) {
        Message::Refuse(refuse) => refuse.reason,
        other => panic!("not refused: {other:?}"),
    }
}

#[test]
fn who_comes_second_or_with_a_wrong_word_is_refused_and_harms_nobody() {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--no-record", "--json", "-"]);
    let door = listening.door;
    let mut wrong = door.token;
    wrong[15] ^= 1;
    assert_eq!(refused(&door, &open(wrong)), RefuseReason::Token);
    assert!(knock(&door, "wrong", wrong).expect_err("a wrong token").reason.contains("token"));
    let client = enter(&door, "by hand");
    assert_eq!(refused(&door, &open(door.token)), RefuseReason::Busy);
    assert!(knock(&door, "second", door.token).expect_err("somebody is inside").reason.contains("in command"));
    assert_eq!(refused(&door, &open(wrong)), RefuseReason::Token);
    let mut future = open(door.token);
    future[2] = 9;
    let body = future.len() - 4;
    let sum = plantstand::wire::checksum::checksum(&future[..body]);
    future[body..].copy_from_slice(&sum.to_le_bytes());
    assert_eq!(refused(&door, &future), RefuseReason::Version);
    tune_shortly(client);
    let ran = listening.finish();
    let (status, clean) = undisturbed();
    let result = printed(&ran);
    assert_eq!((ran.status, &result.bits_sha256), (status, &clean.bits_sha256));
    assert_eq!(result.link.second_opens_refused, 2);
}

#[test]
fn a_method_that_is_done_hears_every_phase_and_then_the_result() {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--no-record", "--json", "-"]);
    let method = socket();
    method.send_to(&open(listening.door.token), listening.door.address).expect("loopback takes it");
    let Message::Accept(accept) = heard(&method) else { panic!("not accepted") };
    method.connect((Ipv4Addr::LOCALHOST, accept.port)).expect("the link's port");
    let say = |sequence, message| assert!(0 < method.send(&framed(sequence, message)).expect("loopback takes it"));
    say(2, Message::Probe(Probe { nonce: accept.nonce }));
    let phase = |phase, corner| Message::Phase(Phase { phase, corner });
    let opening = [heard(&method), heard(&method), heard(&method)];
    assert!(opening.contains(&phase(PhaseKind::Tuning, 0)), "{opening:?}");
    assert!(opening.iter().any(|message| matches!(message, Message::Feedback(_))), "{opening:?}");
    say(3, Message::Done);
    let mut said: Vec<Message> = std::iter::repeat_with(|| heard(&method)).take(6).collect();
    // A copy of the feedback may have been on its way.
    said.retain(|message| !matches!(message, Message::Feedback(_)));
    let examinations = (0..3).map(|corner| phase(PhaseKind::Examination, corner));
    let expected = [phase(PhaseKind::PowerCycle, 0)].into_iter().chain(examinations).chain([phase(PhaseKind::Over, 0)]);
    assert!(said.iter().zip(expected).all(|(said, expected)| *said == expected), "{said:?}");
    assert!(said.iter().any(|message| matches!(message, Message::Result(_))) || said.len() < 6, "{said:?}");
    assert_eq!(listening.finish().status, Some(1), "the settings of a new drive do not pass");
}

/// Asks a process to end as Ctrl-C does.
fn interrupt(process: &std::process::Child) {
    let id = nix::unistd::Pid::from_raw(i32::try_from(process.id()).expect("an id"));
    nix::sys::signal::kill(id, nix::sys::signal::Signal::SIGINT).expect("it runs");
}

#[test]
fn an_interrupted_trial_keeps_its_record() {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--record", "r", "--json", "-"]);
    let mut client = enter(&listening.door, "by hand");
    enable(&mut client);
    turn(&mut client, 20.0, 300);
    interrupt(&listening.process);
    turn(&mut client, 20.0, u32::MAX);
    let ran = listening.finish();
    assert_eq!((ran.status, printed(&ran).tuning_ended), (Some(130), TuningEnd::Interrupted));
    assert!(0 < std::fs::metadata(ground.path("r").join("tuning.parquet")).expect("columns").len());
    assert_eq!(ground.result("r").tuning_ended, TuningEnd::Interrupted);
    let again = ground.run(&["replay", "r"]);
    assert_eq!(again.status, Some(0), "{again:?}");
}

#[test]
fn an_interrupt_while_nobody_has_come_ends_the_wait() {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--no-record"]);
    interrupt(&listening.process);
    assert_eq!(listening.finish().status, Some(130));
}

/// The command is refused with this status and all of these words, before anything was started.
fn check_refused(ground: &Ground, words: &[&str], status: i32, says: &[&str]) {
    let ran = ground.score(&[words, &["--method", "touch started"]].concat());
    assert_eq!(ran.status, Some(status), "{ran:?}");
    for say in says {
        assert!(ran.error.contains(say), "no '{say}' in {}", ran.error);
    }
    assert!(!ground.path("started").exists(), "{words:?}: the method was started");
}

#[test]
fn a_broken_scenario_gives_every_complaint() {
    let broken = with(DOUGH_SHEETER, "inertia_kgm2 = 3.4e-3", "inertia_kgm2 = -3.4e-3");
    let broken = with(&broken, "tick_hz = 8000", "tick_hz = 1\nspeling = 3");
    let broken = with(&broken, "during = \"dough enters\"\nmax = 45", "during = \"nothing\"\nmax = 45");
    check_refused(&Ground::new(&broken), &[], 2, &["inertia_kgm2", "tick_hz", "speling", "nothing", "nothing was run"]);
    let missing = Ground::new(DOUGH_SHEETER).run(&["score", "gone.toml"]);
    assert_eq!(missing.status, Some(2), "{missing:?}");
}

#[test]
fn a_port_that_is_taken_is_named_with_the_cure_and_leaves_no_record() {
    let taken = socket();
    let link = format!("udp:{}", taken.local_addr().expect("an address"));
    let ground = Ground::new(DOUGH_SHEETER);
    let ran = ground.score(&["--listen", &link, "--record", "r"]);
    assert_eq!(ran.status, Some(4), "{ran:?}");
    assert!(ran.error.contains("taken") && ran.error.contains("port 0"), "{}", ran.error);
    assert!(!ground.path("r").exists());
    let abroad = ground.score(&["--listen", "udp:0.0.0.0:0", "--record", "r"]);
    assert_eq!(abroad.status, Some(2), "{abroad:?}");
    assert!(!ground.path("r").exists());
}

#[test]
fn outputs_are_tried_before_the_run() {
    let ground = Ground::new(DOUGH_SHEETER);
    std::fs::create_dir(ground.path("there")).expect("a folder");
    check_refused(&ground, &["--no-record", "--json", "gone/result.json"], 4, &["gone", "does the folder exist?"]);
    check_refused(&ground, &["--no-record", "--html", "there"], 4, &["there", "is a folder"]);
    check_refused(&ground, &["--record", "there"], 4, &["exists already", "--record"]);
    check_refused(&ground, &["--corner", "gone", "--record", "r"], 2, &["worn belt"]);
    assert!(!ground.path("r").exists());
}
