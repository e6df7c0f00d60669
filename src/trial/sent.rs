//! What a method sent, frame by frame, in the form in which two runs are compared.
//!
//! Left out is what differs from run to run without moving anything: token, counter, `compute_us`, log lines, probes, and
//! frames that were sent again. What it does not: files. Start reading at [`read`]; [`first_difference`] compares.

use std::collections::{BTreeMap, VecDeque};
use std::fmt;

use sha2::{Digest, Sha256};

use crate::bench::frames::{self, Entry};
use crate::trial::bits::hex;
use crate::wire::codec::decode;
use crate::wire::message::{Message, Phase, PhaseKind};

/// Ticks of a block: 32 ms at 8 kHz, short enough to be looked through, long enough for a small file.
pub const BLOCK_TICKS: u64 = 256;

/// Frames among which a repetition is looked for: as many as are on their way at once, with room.
const REPEATED_WITHIN: usize = 16;

/// One frame of the method.
#[derive(Clone, Debug, PartialEq)]
pub struct Sent {
    /// The part of the trial: `tuning`, `examination, nominal`, `examination, corner 1`, ...
    pub part: String,
    /// The tick at whose start it was read, from 0 in every part.
    pub tick: u64,
    /// What kind of frame it is, with the exchange that it answers: `torque command 17`.
    pub kind: String,
    /// What it says, in the order of the frame.
    pub fields: Vec<Field>,
}

/// One field of a frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Field {
    /// Its name, as in the protocol.
    pub name: &'static str,
    /// Which tick of the exchange it is for, from 0.
    pub place: usize,
    /// What it holds.
    pub content: Content,
}

/// What a field holds.
#[derive(Clone, Copy, Debug)]
pub enum Content {
    /// A real number.
    Number(f64),
    /// A word, a number of something.
    Whole(u64),
}

impl Content {
    /// The bits that are compared.
    #[must_use]
    pub fn bits(self) -> u64 {
        match self {
            Self::Number(number) => number.to_bits(),
            Self::Whole(whole) => whole,
        }
    }
}

impl PartialEq for Content {
    /// To the bit.
    fn eq(&self, other: &Self) -> bool {
        self.bits() == other.bits()
    }
}

impl fmt::Display for Content {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(number) => write!(out, "{number:?}"),
            Self::Whole(whole) => write!(out, "{whole}"),
        }
    }
}

/// The frames in a record's `frames.bin`; `None` when the bytes are no record of frames.
#[must_use]
pub fn read(bytes: &[u8]) -> Option<Vec<Sent>> {
    let mut sent = Vec::new();
    let mut part = "tuning".to_owned();
    let mut recent: VecDeque<&[u8]> = VecDeque::with_capacity(REPEATED_WITHIN);
    for (tick, entry) in frames::read(bytes)? {
        let frame = match entry {
            Entry::Mark => continue,
            Entry::OpenedAgain => {
                sent.push(Sent { part: part.clone(), tick, kind: "open".to_owned(), fields: Vec::new() });
                // It counts its frames from 1 again.
                recent.clear();
                continue;
            }
            Entry::Frame(frame) => frame,
        };
        if recent.contains(&frame) {
            continue;
        }
        let Ok(read) = decode(frame) else { continue };
        if recent.len() == REPEATED_WITHIN {
            recent.pop_front();
        }
        recent.push_back(frame);
        if let Message::PhaseAcknowledgement(phase) = &read.message {
            part = part_of(*phase).unwrap_or(part);
        }
        if let Some((kind, fields)) = content(&read.message) {
            sent.push(Sent { part: part.clone(), tick, kind, fields });
        }
    }
    Some(sent)
}

/// The part that a phase opens; `None` for one in the middle of a part.
fn part_of(phase: Phase) -> Option<String> {
    match (phase.phase, phase.corner) {
        (PhaseKind::Tuning, _) => Some("tuning".to_owned()),
        (PhaseKind::PowerCycle, _) => Some("power cycle".to_owned()),
        (PhaseKind::Examination, 0) => Some("examination, nominal".to_owned()),
        (PhaseKind::Examination, corner) => Some(format!("examination, corner {corner}")),
        (PhaseKind::Over | PhaseKind::Reset, _) => None,
    }
}

/// The kind and the fields that are compared; `None` for a frame that moves nothing.
fn content(message: &Message) -> Option<(String, Vec<Field>)> {
    let whole = |name, whole: u64| Field { name, place: 0, content: Content::Whole(whole) };
    let number = |name, place, number| Field { name, place, content: Content::Number(number) };
    let plain = |kind: &str| Some((kind.to_owned(), Vec::new()));
    match message {
        Message::Command(command) => {
            let mut fields = vec![whole("controlword", command.controlword.into())];
            for (place, value) in command.values.as_slice().iter().enumerate() {
                fields.push(number("speed_rad_per_s", place, value.speed_rad_per_s));
                fields.push(number("speed_offset_rad_per_s", place, value.speed_offset_rad_per_s));
                fields.push(number("torque_offset_nm", place, value.torque_offset_nm));
            }
            Some((format!("command {}", command.exchange), fields))
        }
        Message::TorqueCommand(command) => {
            let mut fields = vec![whole("controlword", command.controlword.into())];
            for (place, value) in command.values.as_slice().iter().enumerate() {
                fields.push(number("torque_nm", place, value.torque_nm));
                fields.push(number("feedforward_nm", place, value.feedforward_nm));
            }
            Some((format!("torque command {}", command.exchange), fields))
        }
        Message::VoltageCommand(command) => {
            let mut fields = vec![whole("controlword", command.controlword.into())];
            for (place, value) in command.values.as_slice().iter().enumerate() {
                fields.push(number("voltage_d_v", place, value.voltage_d_v));
                fields.push(number("voltage_q_v", place, value.voltage_q_v));
            }
            Some((format!("voltage command {}", command.exchange), fields))
        }
        Message::WindingTest(test) => Some((
            "winding test".to_owned(),
            vec![number("axis_d_voltage_v", 0, test.axis_d_voltage_v), number("time_s", 0, test.time_s)],
        )),
        Message::WindingRead(read) => Some(("winding read".to_owned(), vec![whole("first", read.first.into())])),
        Message::SettingWrite(write) => Some((
            "setting write".to_owned(),
            vec![whole("setting_number", write.number.into()), number("setting_value", 0, write.value)],
        )),
        Message::SettingRead(read) => {
            Some(("setting read".to_owned(), vec![whole("setting_number", read.number.into())]))
        }
        Message::SettingList(list) => Some(("setting list".to_owned(), vec![whole("index", list.index.into())])),
        Message::HandAction(action) => {
            Some(("hand action".to_owned(), vec![whole("action", action.action.number().into())]))
        }
        Message::PhaseAcknowledgement(phase) => {
            Some((format!("phase acknowledgement, {}", phase.phase.name()), vec![whole("corner", phase.corner.into())]))
        }
        Message::Store => plain("store"),
        Message::Done => plain("done"),
        Message::Close(_) => plain("close"),
        _ => None,
    }
}

/// Where two runs say something else for the first time.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// Place of the frame among the known-good ones.
    pub place: usize,
    /// The part of the trial.
    pub part: String,
    /// The tick at whose start the frame was read.
    pub tick: u64,
    /// The field; `frame` where a frame is missing, of another kind, or came in another tick.
    pub field: String,
    /// What it held in the known-good run.
    pub known: String,
    /// What it holds now.
    pub now: String,
}

/// The first frame and field in which two runs differ; `None` when they say the same to the bit.
#[must_use]
pub fn first_difference(known: &[Sent], now: &[Sent]) -> Option<Difference> {
    let length = known.len().max(now.len());
    let place = (0..length).find(|place| known.get(*place) != now.get(*place))?;
    let (before, after) = (known.get(place), now.get(place));
    let at = before.or(after)?;
    let named = |field: &str, known: String, now: String| Difference {
        place,
        part: at.part.clone(),
        tick: at.tick,
        field: field.to_owned(),
        known,
        now,
    };
    let whole =
        |sent: Option<&Sent>| sent.map_or("none".to_owned(), |sent| format!("{} in tick {}", sent.kind, sent.tick));
    let (Some(before), Some(after)) = (before, after) else { return Some(named("frame", whole(before), whole(after))) };
    let same_frame = (&before.part, before.tick, &before.kind) == (&after.part, after.tick, &after.kind);
    if !same_frame || before.fields.len() != after.fields.len() {
        return Some(named("frame", whole(Some(before)), whole(Some(after))));
    }
    let (old, new) = before.fields.iter().zip(&after.fields).find(|(old, new)| old != new)?;
    let mut found = named(old.name, old.content.to_string(), new.content.to_string());
    found.tick += old.place as u64;
    Some(found)
}

/// SHA-256 over everything that is compared, in hex.
#[must_use]
pub fn sha256(sent: &[Sent]) -> String {
    let mut hash = Sha256::new();
    for frame in sent {
        hash.update(frame.part.as_bytes());
        hash.update(frame.tick.to_le_bytes());
        hash.update(frame.kind.as_bytes());
        for field in &frame.fields {
            hash.update(field.name.as_bytes());
            hash.update((field.place as u64).to_le_bytes());
            hash.update(field.content.bits().to_le_bytes());
        }
    }
    hex(&hash.finalize())
}

/// Hashes of a run: for every part and every field one for each [`BLOCK_TICKS`] ticks, eight hex digits, with the number
/// of blocks in a row that have it (`1f2e3d4c*93`).
pub type Blocks = BTreeMap<String, BTreeMap<String, Vec<String>>>;

/// The hashes of a run's blocks.
#[must_use]
pub fn blocks(sent: &[Sent]) -> Blocks {
    let mut hashes: BTreeMap<&str, BTreeMap<&str, Vec<Sha256>>> = BTreeMap::new();
    for frame in sent {
        let fields = hashes.entry(&frame.part).or_default();
        let block = (frame.tick / BLOCK_TICKS).min(BLOCKS_MAX) as usize;
        let mut add = |name, bytes: &[u8]| {
            let blocks: &mut Vec<Sha256> = fields.entry(name).or_default();
            if blocks.len() <= block {
                blocks.resize(block + 1, Sha256::new());
            }
            blocks[block].update(bytes);
        };
        // A kind with its exchange differs in every frame: within its block it is counted, so that runs of hashes stay.
        let kind = frame.kind.trim_end_matches(|c: char| c.is_ascii_digit());
        add(FRAME, kind.as_bytes());
        add(FRAME, &(frame.tick % BLOCK_TICKS).to_le_bytes());
        for field in &frame.fields {
            add(field.name, &field.content.bits().to_le_bytes());
        }
    }
    let text = |hash: Sha256| hex(&hash.finalize()[..4]);
    let in_rows = |blocks: Vec<Sha256>| in_rows(blocks.into_iter().map(text));
    let of_part = |fields: BTreeMap<&str, Vec<Sha256>>| {
        fields.into_iter().map(|(name, blocks)| (name.to_owned(), in_rows(blocks))).collect()
    };
    hashes.into_iter().map(|(part, fields)| (part.to_owned(), of_part(fields))).collect()
}

/// The name under which kinds and ticks of frames are hashed.
pub const FRAME: &str = "frame";

fn in_rows(hashes: impl Iterator<Item = String>) -> Vec<String> {
    let mut rows: Vec<(String, usize)> = Vec::new();
    for hash in hashes {
        match rows.last_mut() {
            Some((last, count)) if *last == hash => *count += 1,
            _ => rows.push((hash, 1)),
        }
    }
    rows.into_iter().map(|(hash, count)| if count == 1 { hash } else { format!("{hash}*{count}") }).collect()
}

/// One by one what [`Blocks`] holds in rows. A count that is none, or absurd, counts as 1: the file was edited by hand.
fn one_by_one(rows: &[String]) -> Vec<&str> {
    let one = |row: &'_ String| {
        let (hash, count) = row.split_once('*').unwrap_or((row, "1"));
        let count = count.parse::<u64>().ok().filter(|count| *count <= BLOCKS_MAX).unwrap_or(1);
        (hash.len(), count as usize)
    };
    rows.iter()
        .flat_map(|row| {
            let (length, count) = one(row);
            std::iter::repeat_n(&row[..length], count)
        })
        .collect()
}

/// More blocks than the longest run has: 600 s at 64 kHz.
const BLOCKS_MAX: u64 = 150_000;

/// The first block in which two runs differ.
#[derive(Clone, Debug, PartialEq)]
pub struct BlockDifference {
    /// The part of the trial.
    pub part: String,
    /// First and last tick of the block.
    pub ticks: [u64; 2],
    /// The fields that differ in it; `frame` first, where kinds or ticks do.
    pub fields: Vec<String>,
}

/// The first block and its fields in which two runs differ; `order` gives the parts as the run came to them.
#[must_use]
pub fn first_block(known: &Blocks, now: &Blocks, order: &[Sent]) -> Option<BlockDifference> {
    let mut parts: Vec<&str> = Vec::new();
    for part in order.iter().map(|sent| sent.part.as_str()).chain(known.keys().map(String::as_str)) {
        if !parts.contains(&part) {
            parts.push(part);
        }
    }
    let nothing = BTreeMap::new();
    let nobody = Vec::new();
    for part in parts {
        let (before, after) = (known.get(part).unwrap_or(&nothing), now.get(part).unwrap_or(&nothing));
        let names: std::collections::BTreeSet<&String> = before.keys().chain(after.keys()).collect();
        let first_of = |name: &String| {
            let old = one_by_one(before.get(name).unwrap_or(&nobody));
            let new = one_by_one(after.get(name).unwrap_or(&nobody));
            (0..old.len().max(new.len())).find(|block| old.get(*block) != new.get(*block))
        };
        let found: Vec<(usize, &String)> =
            names.into_iter().filter_map(|name| first_of(name).map(|block| (block, name))).collect();
        let Some(block) = found.iter().map(|(block, _)| *block).min() else { continue };
        let mut fields: Vec<String> =
            found.into_iter().filter(|(at, _)| *at == block).map(|(_, name)| name.clone()).collect();
        fields.sort_by_key(|name| name != FRAME);
        let first = block as u64 * BLOCK_TICKS;
        return Some(BlockDifference { part: part.to_owned(), ticks: [first, first + BLOCK_TICKS - 1], fields });
    }
    None
}
