//! The promise of a trial over a serial line: the same scenario, seed and method come to the same bits as over UDP, and
//! whatever becomes of the line or the method, the trial ends with the verdict that fits and keeps what it had.
//!
//! Everything runs through the built program; the line is a pseudo-terminal. Start reading at [`by_hand`].

use std::process::Stdio;

use plantstand::method::axis::Axis;
use plantstand::method::client::{Client, Transport};
use plantstand::trial::result::{TrialResult, TuningEnd, Verdict};
use plantstand::wire::codec::encode;
use plantstand::wire::layout::MAX_FRAME_BYTES;
use plantstand::wire::message::{Frame, Message, Open, RefuseReason, Text};

#[path = "trial_runs/by_hand.rs"]
mod by_hand;
#[path = "trial_runs/cable.rs"]
mod cable;
#[path = "trial_runs/program.rs"]
mod program;

use by_hand::{disable, enable, turn};
use cable::Cable;
use program::{Ground, Ran, plantstand};

const DOUGH_SHEETER: &str = include_str!("../scenarios/dough-sheeter.toml");

fn framed(sequence: u32, message: Message) -> Vec<u8> {
    let mut bytes = [0; MAX_FRAME_BYTES];
    let length = encode(&Frame { sequence, message }, &mut bytes);
    bytes[..length].to_vec()
}

/// The result that a run with `--json -` printed.
fn printed(ran: &Ran) -> TrialResult {
    serde_json::from_str(&ran.out).unwrap_or_else(|error| panic!("{error}: {ran:?}"))
}

fn check_ended(ran: &Ran, status: i32, ended: TuningEnd, reason: &str) -> TrialResult {
    let result = printed(ran);
    assert_eq!(ran.status, Some(status), "{ran:?}");
    assert_eq!(result.tuning_ended, ended, "{:?}", result.reasons);
    let found = result.reasons.iter().any(|found| found.text.contains(reason));
    assert!(found, "no '{reason}' among {:?}", result.reasons);
    result
}

#[test]
fn carried_methods_come_to_the_same_bits_over_a_pty_as_over_udp() {
    let ground = Ground::new(DOUGH_SHEETER);
    for method in ["hasty", "careful"] {
        let run = |link: &str| ground.score(&["--by", method, "--link", link, "--no-record", "--json", "-"]);
        let [over_udp, over_pty] = ["udp", "pty"].map(|link| printed(&run(link)));
        assert!(over_pty.link.link.starts_with("serial:/dev/pts/"), "{:?}", over_pty.link);
        assert_eq!(over_pty.bits_sha256, over_udp.bits_sha256, "{method}");
        assert_eq!(over_pty.link.exchanges, over_udp.link.exchanges, "{method}");
        assert_eq!(over_pty.verdict, over_udp.verdict, "{method}");
    }
}

#[test]
fn a_bad_line_changes_no_bit_over_a_pty_either() {
    let ground = Ground::new(DOUGH_SHEETER);
    // The hasty one exchanges little, the careful one much.
    for (method, harmed) in [("hasty", 1), ("careful", 100)] {
        let run = |words: &[&str]| {
            printed(&ground.score(&[&["--by", method, "--link", "pty", "--no-record", "--json", "-"], words].concat()))
        };
        let (clean, bad) = (run(&[]), run(&["--impair", "loss=3,repeat=3,corrupt=3"]));
        assert_eq!((&bad.bits_sha256, bad.link.exchanges), (&clean.bits_sha256, clean.link.exchanges), "{method}");
        assert_eq!((clean.impairment, bad.verdict), (None, clean.verdict));
        let facts = bad.impairment.expect("the result says what was done");
        let done = [facts.frames_lost, facts.frames_repeated, facts.copies_corrupted, bad.link.resent];
        assert!(done.iter().all(|count| harmed <= *count), "{method}: {done:?}");
    }
}

#[test]
fn a_record_of_a_trial_over_a_pty_replays_to_the_same_bits() {
    let ground = Ground::new(DOUGH_SHEETER);
    ground.score(&["--by", "hasty", "--link", "pty", "--record", "r"]);
    let again = ground.run(&["replay", "r"]);
    assert_eq!(again.status, Some(0), "{again:?}");
}

#[test]
fn a_method_that_is_started_over_a_pty_and_dies_is_void_with_its_reason() {
    let ground = Ground::new(DOUGH_SHEETER);
    for (command, ended, reason) in [
        ("exit 1", TuningEnd::Left, "exited with status 1 before it connected"),
        ("exec 3<>\"$(echo $PLANTSTAND_LINK | cut -d: -f2)\"; printf 'hello' >&3; exit 5", TuningEnd::Left, "status 5"),
    ] {
        let ran = ground.score(&["--no-record", "--json", "-", "--link", "pty", "--", "sh", "-c", command]);
        check_ended(&ran, 3, ended, reason);
    }
    let silent = ["--patience", "0.5", "--no-record", "--json", "-", "--link", "pty", "--", "sleep", "60"];
    check_ended(&ground.score(&silent), 3, TuningEnd::Silent, "fell silent before it was done");
}

/// A trial that waits at the cable while the test does something with its end.
fn by_hand(ground: &Ground, token: Option<&str>, words: &[&str], act: impl FnOnce(Cable)) -> Ran {
    let cable = Cable::new();
    let mut command = plantstand(ground.folder.path());
    command.args(["score", "test.toml", "--json", "-", "--listen", &cable.link()]).args(words);
    command.envs(token.map(|token| ("PLANTSTAND_TOKEN", token)));
    let process = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts");
    act(cable);
    Ran::of(process.wait_with_output().expect("it ends"))
}

/// A short tuning that ends well; the cable is held until the bench has said its verdict.
fn tune_shortly(mut client: Client<impl Transport>) {
    enable(&mut client);
    for speed_rad_per_s in [10.0, -10.0, 0.0] {
        turn(&mut client, speed_rad_per_s, 60);
    }
    disable(&mut client);
    client.store().expect("the bench stores");
    client.done().expect("the bench says its verdict");
}

#[test]
fn a_board_on_a_line_is_waited_for_and_let_in_with_any_token() {
    let ground = Ground::new(DOUGH_SHEETER);
    let ran = by_hand(&ground, None, &["--no-record"], |mut cable| {
        cable.say_bytes(b"boot loader 3\r\n\xFF\xFE\x01garbage\0\0");
        tune_shortly(Client::open(cable, [0; 16], "board").expect("let in"));
    });
    let result = printed(&ran);
    assert_eq!((result.tuning_ended, result.verdict), (TuningEnd::Done, Verdict::Fail), "{:?}", result.reasons);
    assert_eq!(result.method.said_name.as_deref(), Some("board"));
    assert!(0 < result.link.refused["stream_code"], "{:?}", result.link);
    assert!(!ran.error.contains("PLANTSTAND_TOKEN"), "a token that nobody needs was shown: {}", ran.error);
    let over_pty = result.link.link.starts_with("serial:/dev/pts/");
    assert!(over_pty && ran.error.contains(&result.link.link), "{}", ran.error);
}

#[test]
fn a_token_that_was_chosen_is_asked_for_on_a_line_too() {
    let ground = Ground::new(DOUGH_SHEETER);
    let chosen = "00112233445566778899aabbccddeeff";
    let ran = by_hand(&ground, Some(chosen), &["--no-record"], |mut cable| {
        let open = |token| Message::Open(Open { token, name: Text::new("board") });
        cable.say(1, open([0; 16]));
        assert!(matches!(cable.heard(), Message::Refuse(refuse) if refuse.reason == RefuseReason::Token));
        let token = u128::from_str_radix(chosen, 16).expect("hexadecimal").to_be_bytes();
        tune_shortly(Client::open(cable, token, "board").expect("let in"));
    });
    assert_eq!(printed(&ran).tuning_ended, TuningEnd::Done, "{ran:?}");
    assert!(!ran.error.contains(chosen), "{}", ran.error);
}

#[test]
fn a_line_that_is_pulled_out_while_tuning_leaves_an_axis_at_rest_a_void_trial_and_its_record() {
    let ground = Ground::new(DOUGH_SHEETER);
    let ran = by_hand(&ground, None, &["--record", "r"], |cable| {
        let mut client = Client::open(cable, [0; 16], "board").expect("let in");
        enable(&mut client);
        turn(&mut client, 20.0, 300);
    });
    let result = check_ended(&ran, 3, TuningEnd::Left, "lost its line: /dev/pts/");
    assert_eq!(result.verdict, Verdict::VoidMethod);
    assert!(result.conduct.faults.iter().any(|fault| fault.name.contains("silent")), "{:?}", result.conduct.faults);
    assert!(0 < std::fs::metadata(ground.path("r").join("tuning.parquet")).expect("columns").len());
    assert_eq!(ground.result("r").tuning_ended, TuningEnd::Left);
    let again = ground.run(&["replay", "r"]);
    assert_eq!(again.status, Some(0), "{again:?}");
}

#[test]
fn a_line_that_is_pulled_out_before_anybody_opened_is_void() {
    let ran = by_hand(&Ground::new(DOUGH_SHEETER), None, &["--no-record"], |cable| {
        // Once a frame was refused the bench is there.
        let mut cable = cable;
        let mut future = framed(1, Message::Open(Open { token: [0; 16], name: Text::new("board") }));
        future[2] = 9;
        let body = future.len() - 4;
        let sum = plantstand::wire::checksum::checksum(&future[..body]);
        future[body..].copy_from_slice(&sum.to_le_bytes());
        Transport::send(&mut cable, &future).expect("the cable takes it");
        assert!(matches!(cable.heard(), Message::Refuse(_)));
    });
    check_ended(&ran, 3, TuningEnd::Left, "lost its line");
}

/// The command is refused with this status and these words, and no record is begun.
fn check_refused(words: &[&str], status: i32, says: &[&str]) {
    let ground = Ground::new(DOUGH_SHEETER);
    let ran = ground.score(&[words, &["--record", "r"]].concat());
    assert_eq!(ran.status, Some(status), "{ran:?}");
    for say in says {
        assert!(ran.error.contains(say), "no '{say}' in {}", ran.error);
    }
    assert!(!ground.path("r").exists(), "{words:?} left a record of nothing");
}

#[test]
fn what_is_wrong_with_a_line_is_said_before_anything_is_begun() {
    check_refused(&["--listen", "serial:/dev/ttyNOSUCH7:115200"], 4, &["/dev/ttyNOSUCH7", "this machine has"]);
    check_refused(&["--listen", "serial:/dev/null:115200"], 4, &["no serial line"]);
    check_refused(&["--listen", "serial:/dev/ttyUSB0"], 2, &["has no rate"]);
    check_refused(&["--listen", "serial:/dev/ttyUSB0:100"], 2, &["allowed: 300 to"]);
    check_refused(&["--listen", "udp:127.0.0.1:0", "--link", "pty"], 2, &["--link"]);
    check_refused(&["--link", "carrier-pigeon"], 2, &["udp", "pty"]);
}
