//! The promise: a hundred thousand datagrams a second from a second sender, at the door and at the link, change no byte
//! of the score in lockstep, stop nothing in real time, and do not make the bench grow.
//!
//! Through the built program, over UDP; the method runs in the test. Start reading at
//! [`a_flood_changes_no_byte_of_the_score`].

use std::net::SocketAddr;

use plantstand::host::udp::UdpTransport;
use plantstand::method::Carried;
use plantstand::method::axis::Axis;
use plantstand::method::client::Client;
use plantstand::trial::result::{TrialResult, TuningEnd};
use plantstand::wire::message::{Close, CloseReason, CommandFrame, Message, Probe, Value, Values};

use super::by_hand::{disable, enable, turn};
use super::flood::Flood;
use super::outsider::{Door, Listening, framed, open};
use super::program::Ground;
use super::{DOUGH_SHEETER, with};

/// Datagrams that a flood must have thrown, so that a test which hardly had one does not pass.
const THROWN_MIN: u64 = 20_000;

/// What a stranger may throw: opens with the right and with a wrong token, frames that would act if they came from the
/// one in command, garbage, nothing.
fn everything(door: &Door, link: SocketAddr) -> Vec<(SocketAddr, Vec<u8>)> {
    let values = Values::from_slice(&[Value { speed_rad_per_s: 90.0, ..Value::default() }]).expect("one value");
    let command = CommandFrame { exchange: 0, controlword: 0x0F, compute_us: 0, values };
    let leave = Message::Close(Close { reason: CloseReason::Leaving });
    vec![
        (door.address, open(door.token)),
        (door.address, open([7; 16])),
        (door.address, vec![0xAA; 2000]),
        (door.address, Vec::new()),
        (link, framed(1, Message::Command(command))),
        (link, framed(2, Message::Done)),
        (link, framed(3, leave)),
        (link, framed(4, Message::Probe(Probe { nonce: 1 }))),
        (link, vec![0xAA; 2000]),
        (link, Vec::new()),
    ]
}

fn enter(door: &Door) -> (Client<UdpTransport>, SocketAddr) {
    let transport = UdpTransport::towards(door.address).expect("a socket");
    let client = Client::open(transport, door.token, "careful").expect("the bench lets the first one in");
    let mut link = door.address;
    link.set_port(client.accept().port);
    (client, link)
}

/// `result.json` of a trial tuned by `careful`, without the counts of the link.
fn result_of(flooded: bool) -> String {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--record", "r"]);
    let (mut client, link) = enter(&listening.door);
    let flood = flooded.then(|| Flood::start(everything(&listening.door, link)));
    Carried::Careful.run(&mut client).expect("careful gets to its end");
    client.done().expect("the bench says its verdict");
    if let Some(flood) = flood {
        while flood.sent() < THROWN_MIN {
            std::thread::yield_now();
        }
        let (sent, rate_hz) = flood.stop();
        println!("{sent} datagrams from strangers, {rate_hz:.0} a second");
    }
    assert_eq!(listening.finish().status, Some(0), "careful passes");
    let text = std::fs::read_to_string(ground.path("r/result.json")).expect("a result");
    let mut result: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let link = result.as_object_mut().and_then(|result| result.remove("link")).expect("counts of the link");
    assert_eq!(flooded, 0 < link["second_opens_refused"].as_u64().expect("a count"), "{link}");
    // The system itself drops what strangers send to the link: none of it was even refused. On a busy machine a feedback
    // may be said twice and answered twice.
    assert!(link["refused"].as_object().expect("counts").keys().all(|reason| reason == "stale_command"), "{link}");
    result.to_string()
}

#[test]
fn a_flood_changes_no_byte_of_the_score() {
    let (undisturbed, flooded) = (result_of(false), result_of(true));
    assert!(undisturbed.contains("\"verdict\":\"pass\""), "{undisturbed}");
    assert_eq!(flooded, undisturbed);
}

#[test]
fn a_flood_stops_nothing_in_real_time() {
    // What a busy machine does to a clock is not what is tested: it may miss ticks and hear commands late.
    let patient = with(DOUGH_SHEETER, "allowed_missed_per_million = 200 ", "allowed_missed_per_million = 1000000 ");
    let patient = with(&patient, "silent_ticks_before_quick_stop = 40", "silent_ticks_before_quick_stop = 8000");
    let ground = Ground::new(&patient);
    let listening = Listening::start(&ground, &["--no-record", "--json", "-", "--pace", "real-time"]);
    let (mut client, link) = enter(&listening.door);
    let flood = Flood::start(everything(&listening.door, link));
    enable(&mut client);
    turn(&mut client, 10.0, 300);
    disable(&mut client);
    client.store().expect("the bench stores");
    while flood.sent() < THROWN_MIN {
        std::thread::yield_now();
    }
    client.done().expect("the bench says its verdict");
    let (sent, rate_hz) = flood.stop();
    println!("{sent} datagrams from strangers, {rate_hz:.0} a second");
    let ran = listening.finish();
    let result: TrialResult = serde_json::from_str(&ran.out).expect("a result");
    assert_eq!((result.pace.as_str(), result.tuning_ended), ("real-time", TuningEnd::Done));
    assert!(result.conduct.faults.is_empty() && result.conduct.moves == 1, "{:?}", result.conduct);
    assert!(300 < result.link.exchanges && 0 < result.link.second_opens_refused, "{:?}", result.link);
    assert!(result.link.refused.keys().all(|reason| reason == "stale_command"), "{:?}", result.link);
}

/// Resident memory of a process in KiB, as Linux tells it.
fn resident_kib(process: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).expect("it runs");
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("it has memory");
    line.trim().trim_end_matches(" kB").parse().expect("a number of KiB")
}

#[test]
fn a_flood_does_not_make_the_bench_grow() {
    let ground = Ground::new(DOUGH_SHEETER);
    let listening = Listening::start(&ground, &["--no-record", "--patience", "off"]);
    let (client, link) = enter(&listening.door);
    let flood = Flood::start(everything(&listening.door, link));
    let wait_for = |sent: u64| {
        while flood.sent() < sent {
            std::thread::yield_now();
        }
    };
    // The first ones fill what is allocated once.
    wait_for(20_000);
    let before_kib = resident_kib(listening.process.id());
    wait_for(220_000);
    let after_kib = resident_kib(listening.process.id());
    flood.stop();
    // One byte kept of each would be 200 KiB; one datagram kept of each, a hundred megabytes.
    assert!(after_kib < before_kib + 200, "from {before_kib} KiB to {after_kib} KiB under 200000 datagrams");
    // The one in command is still heard.
    drop(client);
    let mut process = listening.process;
    process.kill().expect("it runs");
    process.wait().expect("it ends");
}
