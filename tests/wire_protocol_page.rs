//! The contract of the page `src/wire/PROTOCOL.md` and of `tests/data/frames.json`: their tables and frames are what
//! the code says, to the byte.
//!
//! Both are rendered from the layout's tables and the codec. A stale one fails here; with `PLANTSTAND_WRITE_PAGES=1` in
//! the environment the test writes them anew instead. What it does not: judge the page's prose.

mod wire_samples;

use std::fmt::Write;

use plantstand::drive::protection::Trip;
use plantstand::wire::codec::{Malformed, encode};
use plantstand::wire::layout::{
    self, AUTHENTICATED_KIND_BIT, CRC_BYTES, Field, FieldType, Kind, MAX_FRAME_BYTES, MAX_SEALED_FRAME_BYTES, Tail,
    header, sample, torque_sample, torque_value, value, voltage_sample, voltage_value, winding_sample,
};
use plantstand::wire::message::{
    Accept, CloseReason, Commands, Frame, HandActionKind, HandOutcome, Message, Pace, PhaseKind, RefuseReason,
    SettingOutcome, Verdict, WindingOutcome, WindingState,
};
use plantstand::wire::seal::{self, Direction, Key, Nonces, Unsealed};
use plantstand::wire::stream::stuff;
use serde_json::{Map, Value, json};

const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/src/wire/PROTOCOL.md");
const SEALED: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/sealed.json");
const FRAMES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/frames.json");

/// Each part of the page between `<!-- generated: NAME -->` and `<!-- end -->` is what this test renders.
#[test]
fn the_page_says_what_the_code_says() {
    let found = std::fs::read_to_string(PAGE).expect("the page lies beside the code");
    let mut expected = found.clone();
    for (name, part) in [
        ("header", table(header::FIELDS)),
        ("kinds", kinds()),
        ("payloads", payloads()),
        ("named values", named_values()),
        ("refusals", refusals()),
        ("on a line", on_a_line()),
        ("seal", table(layout::seal::FIELDS)),
        ("seal refusals", seal_refusals()),
        ("sealed frames", sealed_in_hex()),
        ("frames", frames_in_hex()),
    ] {
        expected = with_part(&expected, name, &part);
    }
    check_file(PAGE, &found, &expected);
}

/// The page names every trip with its number.
#[test]
fn the_page_names_every_trip() {
    let page = std::fs::read_to_string(PAGE).expect("the page lies beside the code");
    let (_, trips) = page.split_once("A **trip** is latched").expect("the page speaks of trips");
    let words = trips.split_whitespace().collect::<Vec<_>>().join(" ");
    for trip in Trip::ALL {
        assert!(words.contains(&format!(" {} {}", trip.number(), trip.name())), "{}", trip.name());
    }
}

/// The sample frames for clients in other languages: hex, and every field by name.
#[test]
fn the_frames_for_other_languages_are_the_samples() {
    let frames: Vec<Value> = wire_samples::all().iter().map(|(name, frame)| frame_as_json(name, frame)).collect();
    let what = "sample frames of the link, rendered by tests/wire_protocol_page.rs; protocol version in each header";
    let file = json!({ "what": what, "frames": frames });
    let expected = format!("{}\n", serde_json::to_string_pretty(&file).expect("plain values"));
    let found = std::fs::read_to_string(FRAMES).unwrap_or_default();
    check_file(FRAMES, &found, &expected);
}

/// Sealed frames for clients in other languages, made with a token that is no secret.
#[test]
fn the_sealed_frames_for_other_languages_are_the_codes() {
    let what = "sealed frames of the link, rendered by tests/wire_protocol_page.rs; direction 1 is to the bench";
    let frames: Vec<Value> = sealed_samples().iter().map(Sealed::as_json).collect();
    let file = json!({ "what": what, "token": hex(&TOKEN), "challenge": hex(&CHALLENGE), "frames": frames });
    let expected = format!("{}\n", serde_json::to_string_pretty(&file).expect("plain values"));
    let found = std::fs::read_to_string(SEALED).unwrap_or_default();
    check_file(SEALED, &found, &expected);
}

/// The samples have at least one frame of every kind.
#[test]
fn every_kind_has_a_sample() {
    for kind in Kind::ALL {
        assert!(wire_samples::all().iter().any(|(_, frame)| frame.message.kind() == *kind), "{kind:?}");
    }
}

fn check_file(path: &str, found: &str, expected: &str) {
    if std::env::var_os("PLANTSTAND_WRITE_PAGES").is_some() {
        std::fs::write(path, expected).expect("the page can be written");
    } else {
        let same = found == expected;
        assert!(same, "{path} is stale: run this test with PLANTSTAND_WRITE_PAGES=1 and look at the difference");
    }
}

fn with_part(page: &str, name: &str, part: &str) -> String {
    let start = format!("<!-- generated: {name} -->\n");
    let (before, rest) = page.split_once(&start).unwrap_or_else(|| panic!("the page has no part {name}"));
    let (_, after) = rest.split_once("<!-- end -->").unwrap_or_else(|| panic!("part {name} has no end"));
    format!("{before}{start}\n{}\n\n<!-- end -->{after}", part.trim())
}

fn kinds() -> String {
    let mut out = "| kind | name | from, and what it is for |\n| ---: | --- | --- |\n".to_owned();
    for kind in Kind::ALL {
        let _ = writeln!(out, "| {} | `{}` | {} |", kind.number(), kind.name(), kind.what());
    }
    let _ = writeln!(
        out,
        "| {AUTHENTICATED_KIND_BIT} and above | | the kind without its highest bit, sealed: see [on other \
         hosts](#on-other-hosts) |"
    );
    out
}

fn payloads() -> String {
    let mut out = String::new();
    for kind in Kind::ALL {
        let (fields, tail) = layout::fields(*kind);
        let _ = writeln!(out, "#### {} · `{}`\n\n{}.\n", kind.number(), kind.name(), kind.what());
        match fields {
            [] => out.push_str("No payload.\n"),
            _ => out.push_str(&table(fields)),
        }
        let end = fields.last().map_or(header::END, |field| field.range.end);
        let _ = writeln!(out, "{}", tail_in_words(tail, end));
    }
    out
}

fn tail_in_words(tail: Tail, end: usize) -> String {
    match tail {
        Tail::None => String::new(),
        Tail::Texts(names) => {
            let names: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
            format!("\nFrom byte {end}: {} in UTF-8.\n", names.join(", then "))
        }
        Tail::Samples => items_in_words("sample", end, sample::FIELDS),
        Tail::Values => items_in_words("value", end, value::FIELDS),
        Tail::TorqueSamples => items_in_words("sample", end, torque_sample::FIELDS),
        Tail::TorqueValues => items_in_words("value", end, torque_value::FIELDS),
        Tail::VoltageSamples => items_in_words("sample", end, voltage_sample::FIELDS),
        Tail::VoltageValues => items_in_words("value", end, voltage_value::FIELDS),
        Tail::WindingSamples => items_in_words("sample", end, winding_sample::FIELDS),
    }
}

fn items_in_words(item: &str, end: usize, fields: &[Field]) -> String {
    let bytes = fields.last().map_or(0, |field| field.range.end);
    let about = format!("\nFrom byte {end}: one {item} after the other, {bytes} bytes each; offsets within a {item}:");
    format!("{about}\n\n{}", table(fields))
}

fn table(fields: &[Field]) -> String {
    let mut out = "| byte | type | field | meaning |\n| ---: | --- | --- | --- |\n".to_owned();
    for field in fields {
        let (start, kind) = (field.range.start, field.kind.name());
        let _ = writeln!(out, "| {start} | {kind} | `{}` | {} |", field.name, field.what.trim());
    }
    out
}

/// Lists a set of named values.
macro_rules! list {
    ($out:expr, $title:literal, $set:ident) => {
        let _ = writeln!($out, "\n{}\n\n| value | name | meaning |\n| ---: | --- | --- |", $title);
        for value in $set::ALL {
            let _ = writeln!($out, "| {} | `{}` | {} |", value.number(), value.name(), value.what());
        }
    };
}

fn named_values() -> String {
    let mut out = String::new();
    list!(out, "`commands` in an accept:", Commands);
    list!(out, "`pace` in an accept:", Pace);
    list!(out, "`reason` in a refuse:", RefuseReason);
    list!(out, "`reason` in a close:", CloseReason);
    list!(out, "`phase` in a phase:", PhaseKind);
    list!(out, "`verdict` in a result:", Verdict);
    list!(out, "`outcome` in a setting answer:", SettingOutcome);
    list!(out, "`action` in a hand action:", HandActionKind);
    list!(out, "`outcome` in a hand answer:", HandOutcome);
    list!(out, "`outcome` in a winding answer:", WindingOutcome);
    list!(out, "`state` in a winding answer:", WindingState);
    out
}

/// The name of a value in a field of named values; `None` for any other field.
fn named(kind: Kind, field: &str, number: u8) -> Option<&'static str> {
    let name = match (kind, field) {
        (Kind::Accept, "commands") => Commands::from_number(number)?.name(),
        (Kind::Accept, "pace") => Pace::from_number(number)?.name(),
        (Kind::Refuse, "reason") => RefuseReason::from_number(number)?.name(),
        (Kind::Close, "reason") => CloseReason::from_number(number)?.name(),
        (Kind::Phase, "phase") => PhaseKind::from_number(number)?.name(),
        (Kind::Result, "verdict") => Verdict::from_number(number)?.name(),
        (Kind::SettingAnswer, "outcome") => SettingOutcome::from_number(number)?.name(),
        (Kind::HandAction, "action") => HandActionKind::from_number(number)?.name(),
        (Kind::HandAnswer, "outcome") => HandOutcome::from_number(number)?.name(),
        (Kind::WindingAnswer, "outcome") => WindingOutcome::from_number(number)?.name(),
        (Kind::WindingAnswer, "state") => WindingState::from_number(number)?.name(),
        _ => return None,
    };
    Some(name)
}

fn refusals() -> String {
    let keys: Vec<String> = Malformed::KEYS.iter().map(|key| format!("`{key}`")).collect();
    format!("{}.", keys.join(", "))
}

/// One sample as it goes over a serial line, eight bytes a row.
fn on_a_line() -> String {
    let (name, frame) = wire_samples::all().into_iter().find(|(name, _)| *name == "done").expect("a sample");
    let plain = bytes_of(&frame);
    let mut stuffed = Vec::new();
    stuff(&plain, &mut stuffed);
    let rows = |bytes: &[u8]| -> String {
        let digits = |chunk: &[u8]| chunk.iter().map(|byte| format!("{byte:02x}")).collect::<Vec<_>>().join(" ");
        bytes.chunks(8).map(digits).collect::<Vec<_>>().join("\n                ")
    };
    let (plain, stuffed) = (rows(&plain), rows(&stuffed));
    format!("```text\nframe {name}      {plain}\non the line     {stuffed}\n```")
}

fn seal_refusals() -> String {
    let keys: Vec<String> = Unsealed::KEYS.iter().map(|key| format!("`{key}`")).collect();
    format!("{}.", keys.join(", "))
}

const TOKEN: [u8; 16] = *b"\x00\x11\x22\x33\x44\x55\x66\x77\x88\x99\xaa\xbb\xcc\xdd\xee\xff";
const CHALLENGE: [u8; 16] = *b"\xf0\xe1\xd2\xc3\xb4\xa5\x96\x87\x78\x69\x5a\x4b\x3c\x2d\x1e\x0f";

/// A frame of a sealed opening.
struct Sealed {
    name: &'static str,
    direction: Direction,
    nonce: u64,
    counter: u64,
    frame: Frame,
}

impl Sealed {
    fn bytes(&self) -> Vec<u8> {
        let nonces = Nonces { challenge: CHALLENGE, nonce: self.nonce };
        let mut out = [0; MAX_SEALED_FRAME_BYTES];
        let (key, plain) = (Key::new(&TOKEN), bytes_of(&self.frame));
        let length = seal::seal(&plain, &key, self.direction, &nonces, self.counter, &mut out).expect("a plain frame");
        out[..length].to_vec()
    }

    fn as_json(&self) -> Value {
        json!({
            "name": self.name, "direction": self.direction as u8, "nonce": self.nonce, "counter": self.counter,
            "plain": hex(&bytes_of(&self.frame)), "sealed": hex(&self.bytes()),
        })
    }
}

/// An opening as it crosses: the second open is the first one sent again.
fn sealed_samples() -> Vec<Sealed> {
    let sample = |wanted: &str| {
        let found = wire_samples::all().into_iter().find(|(name, _)| *name == wanted);
        found.expect("a sample").1
    };
    let mut open = sample("open");
    let Message::Open(fields) = &mut open.message else { panic!("not an open") };
    fields.token = CHALLENGE;
    let accept = sample("accept");
    let Message::Accept(Accept { nonce, .. }) = accept.message else { panic!("not an accept") };
    let mut probe = sample("probe");
    probe.sequence = 2;
    let (to_bench, to_client) = (Direction::ToBench, Direction::ToClient);
    let sealed = |name, direction, nonce, counter, frame: &Frame| Sealed {
        name,
        direction,
        nonce,
        counter,
        frame: frame.clone(),
    };
    vec![
        sealed("open", to_bench, 0, 1, &open),
        sealed("open_again", to_bench, 0, 2, &open),
        sealed("accept", to_client, 0, 1, &accept),
        sealed("probe", to_bench, nonce, 1, &probe),
        sealed("echo", to_client, nonce, 1, &sample("echo")),
        sealed("feedback", to_client, nonce, 3, &sample("feedback")),
        sealed("command", to_bench, nonce, 2, &sample("command_held")),
        sealed("done", to_bench, nonce, 3, &sample("done")),
    ]
}

/// The sealed open and the sealed probe, every field on a line.
fn sealed_in_hex() -> String {
    let mut out = String::new();
    let samples = sealed_samples();
    for sealed in samples.iter().filter(|sealed| ["open", "probe"].contains(&sealed.name)) {
        let bytes = sealed.bytes();
        let _ = writeln!(out, "#### sealed {}, {} bytes\n\n```text", sealed.name, bytes.len());
        let mut fields = fields_of(&sealed.frame, &bytes_of(&sealed.frame));
        let crc = fields.pop().expect("a checksum");
        for field in &mut fields {
            match field.name.as_str() {
                "kind" => field.shown = format!("{AUTHENTICATED_KIND_BIT} + {}", field.shown),
                "payload_bytes" => field.shown = format!("{} + {}", field.shown, layout::seal::END),
                "token" => field.shown = "the challenge".to_owned(),
                _ => {}
            }
            field.write_lines(&bytes, &mut out);
        }
        for field in layout::seal::FIELDS {
            read(sealed.frame.message.kind(), field, crc.start, "", &bytes).write_lines(&bytes, &mut out);
        }
        let end = bytes.len() - CRC_BYTES;
        let sum = u32::from_le_bytes(bytes[end..].try_into().expect("four bytes"));
        let shown = format!("{sum:#010x}");
        Found { start: end, end: bytes.len(), name: "crc".into(), shown, value: json!(sum) }
            .write_lines(&bytes, &mut out);
        let _ = writeln!(out, "```\n");
    }
    out
}

/// The samples short enough for a page, every field on a line.
fn frames_in_hex() -> String {
    let mut out = String::new();
    for (name, frame) in wire_samples::all() {
        let bytes = bytes_of(&frame);
        if bytes.len() <= 200 {
            let _ = writeln!(out, "#### {name}, {} bytes\n\n```text", bytes.len());
            for field in fields_of(&frame, &bytes) {
                field.write_lines(&bytes, &mut out);
            }
            let _ = writeln!(out, "```\n");
        }
    }
    out
}

/// A field of a certain frame: where it stands, what it is called, and its value.
struct Found {
    start: usize,
    end: usize,
    name: String,
    shown: String,
    value: Value,
}

impl Found {
    /// Eight bytes a line; name and value on the first.
    fn write_lines(&self, bytes: &[u8], out: &mut String) {
        for (row, chunk) in bytes[self.start..self.end].chunks(8).enumerate() {
            let digits: Vec<String> = chunk.iter().map(|byte| format!("{byte:02x}")).collect();
            let legend = if row == 0 { format!("{:<26}{}", self.name, self.shown) } else { String::new() };
            let line = format!("{:4}  {:<24} {legend}", self.start + 8 * row, digits.join(" "));
            let _ = writeln!(out, "{}", line.trim_end());
        }
    }
}

fn fields_of(frame: &Frame, bytes: &[u8]) -> Vec<Found> {
    let kind = frame.message.kind();
    let (fields, tail) = layout::fields(kind);
    let mut found: Vec<Found> =
        header::FIELDS.iter().chain(fields).map(|field| read(kind, field, 0, "", bytes)).collect();
    let mut end = found.last().map_or(0, |field| field.end);
    let number = |name: &str, found: &[Found]| {
        let field = found.iter().find(|field| field.name == name);
        field.and_then(|field| field.value.as_u64()).unwrap_or_else(|| panic!("no {name}")) as usize
    };
    let (items, item_name, item_fields) = match tail {
        Tail::Samples => (number("sample_count", &found), "sample", sample::FIELDS),
        Tail::Values => (number("value_count", &found), "value", value::FIELDS),
        Tail::TorqueSamples => (number("sample_count", &found), "sample", torque_sample::FIELDS),
        Tail::TorqueValues => (number("value_count", &found), "value", torque_value::FIELDS),
        Tail::VoltageSamples => (number("sample_count", &found), "sample", voltage_sample::FIELDS),
        Tail::VoltageValues => (number("value_count", &found), "value", voltage_value::FIELDS),
        Tail::WindingSamples => (number("sample_count", &found), "sample", winding_sample::FIELDS),
        Tail::None | Tail::Texts(_) => (0, "", value::FIELDS),
    };
    for item in 0..items {
        let prefix = format!("{item_name} {item} ");
        found.extend(item_fields.iter().map(|field| read(kind, field, end, &prefix, bytes)));
        end = found.last().map_or(end, |field| field.end);
    }
    for name in if let Tail::Texts(names) = tail { names } else { &[] } {
        let (start, length) = (end, number(&format!("{name}_bytes"), &found));
        end = start + length;
        let text = std::str::from_utf8(&bytes[start..end]).expect("a sample's text");
        let (shown, value) = (format!("{text:?}"), json!(text));
        found.push(Found { start, end, name: (*name).to_owned(), shown, value });
    }
    assert_eq!(end + CRC_BYTES, bytes.len(), "the tables account for every byte");
    let crc = u32::from_le_bytes(bytes[end..].try_into().expect("four bytes"));
    found.push(Found {
        start: end,
        end: bytes.len(),
        name: "crc".into(),
        shown: format!("{crc:#010x}"),
        value: json!(crc),
    });
    found
}

fn read(kind: Kind, field: &Field, offset: usize, prefix: &str, bytes: &[u8]) -> Found {
    let (start, end) = (offset + field.range.start, offset + field.range.end);
    let raw = &bytes[start..end];
    let mut wide = [0; 8];
    wide[..raw.len().min(8)].copy_from_slice(&raw[..raw.len().min(8)]);
    let unsigned = u64::from_le_bytes(wide);
    let value = match field.kind {
        FieldType::Bytes2 | FieldType::Bytes16 => json!(hex(raw)),
        FieldType::F64 => json!(f64::from_le_bytes(wide)),
        FieldType::I64 => json!(unsigned as i64),
        FieldType::Flag => json!(unsigned == 1),
        FieldType::U8 | FieldType::U16 | FieldType::U32 | FieldType::U64 => json!(unsigned),
    };
    let shown = match (field.kind, field.name) {
        (FieldType::Bytes2 | FieldType::Bytes16, _) => String::new(),
        (_, "statusword" | "controlword") => format!("{unsigned:#06x}"),
        (FieldType::F64, _) => f64::from_le_bytes(wide).to_string(),
        (FieldType::U8, "kind") => format!("{unsigned}, {}", kind.name()),
        (FieldType::U8, name) => match named(kind, name, unsigned as u8) {
            Some(name) => format!("{unsigned}, {name}"),
            None => unsigned.to_string(),
        },
        _ => value.to_string(),
    };
    Found { start, end, name: format!("{prefix}{}", field.name), shown, value }
}

fn frame_as_json(name: &str, frame: &Frame) -> Value {
    let bytes = bytes_of(frame);
    let mut fields = Map::new();
    for field in fields_of(frame, &bytes) {
        fields.insert(field.name, field.value);
    }
    json!({ "name": name, "kind": frame.message.kind().name(), "hex": hex(&bytes), "fields": fields })
}

fn bytes_of(frame: &Frame) -> Vec<u8> {
    let mut out = [0; MAX_FRAME_BYTES];
    let length = encode(frame, &mut out);
    out[..length].to_vec()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
