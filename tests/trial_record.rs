//! The promise: a record holds what the run was, to the bit, in forms that other programs read; what was cut off reads up
//! to the cut; and the run's token stands nowhere in it, not even where a method put it.
//!
//! Start reading at [`check_columns`].

use std::path::Path;

use parquet::column::reader::ColumnReader;
use parquet::file::reader::{FileReader, SerializedFileReader};
use plantstand::base::recording::{Row, Signal};
use plantstand::base::time::TickRate;
use plantstand::bench::frames::{self, Entry};
use plantstand::host::files::token_to_hex;
use plantstand::method::axis::Axis;
use plantstand::method::client::{Client, Transport};
use plantstand::trial::examination::examine;
use plantstand::trial::record::columns;
use plantstand::trial::result::TrialResult;

#[path = "trial_runs/by_hand.rs"]
mod by_hand;
#[path = "trial_runs/hostile.rs"]
mod hostile;
#[path = "trial_runs/outsider.rs"]
mod outsider;
#[path = "trial_runs/program.rs"]
mod program;
#[path = "trial_runs/scenario_text.rs"]
mod scenario_text;

use outsider::Listening;
use program::Ground;
use scenario_text::{dough_sheeter, read};

const RATE: TickRate = TickRate { hz: 8000 };

/// A column of a Parquet file, whatever its type, as f64.
fn column(file: &Path, name: &str) -> Vec<f64> {
    let file = std::fs::File::open(file).expect("columns");
    let reader = SerializedFileReader::new(file).expect("a Parquet file");
    let schema = reader.metadata().file_metadata().schema_descr_ptr();
    let place = (0..schema.num_columns()).find(|place| schema.column(*place).name() == name).expect(name);
    let mut values = Vec::new();
    for group in 0..reader.num_row_groups() {
        let group = reader.get_row_group(group).expect("a group of rows");
        match group.get_column_reader(place).expect("a column") {
            ColumnReader::Int64ColumnReader(mut column) => {
                let mut read: Vec<i64> = Vec::new();
                column.read_records(usize::MAX, None, None, &mut read).expect("whole numbers");
                values.extend(read.into_iter().map(|value| value as f64));
            }
            ColumnReader::DoubleColumnReader(mut column) => {
                column.read_records(usize::MAX, None, None, &mut values).expect("reals");
            }
            _ => panic!("{name} is neither a whole number nor a real"),
        }
    }
    values
}

/// The columns of a file are these rows to the bit, with ticks and seconds from 0.
fn check_columns(file: &Path, rows: &[Row]) {
    let ticks: Vec<f64> = (0..rows.len()).map(|tick| tick as f64).collect();
    assert!(column(file, "tick") == ticks, "ticks");
    assert!(column(file, "time_s") == ticks.iter().map(|tick| tick / 8000.0).collect::<Vec<f64>>(), "seconds");
    for signal in Signal::ALL {
        let found: Vec<u64> = column(file, signal.key()).into_iter().map(f64::to_bits).collect();
        let expected: Vec<u64> = rows.iter().map(|row| row[signal as usize].to_bits()).collect();
        assert!(found == expected, "{}", signal.key());
    }
}

#[test]
fn columns_read_back_to_the_same_bits_also_beyond_one_group_of_rows() {
    let row = |tick: usize| -> Row {
        let mut row: Row = std::array::from_fn(|place| (tick * 31 + place) as f64 / 7.0 - 1000.0);
        row[Signal::Counts as usize] = 1_000_000.0 - 17.0 * tick as f64;
        row
    };
    for rows in [0, 1, 1000, (1 << 18) + 5] {
        let rows: Vec<Row> = (0..rows).map(row).collect();
        let folder = tempfile::tempdir().expect("a folder for the test");
        let file = folder.path().join("run.parquet");
        std::fs::write(&file, columns(rows.iter().copied(), RATE).expect("columns")).expect("a file");
        check_columns(&file, &rows);
    }
}

#[test]
fn a_record_holds_every_examination_to_the_bit() {
    let ground = Ground::new(&dough_sheeter());
    let ran = ground.score(&["--by", "hasty", "--record", "r", "--json", "same.json"]);
    assert_eq!(ran.status, Some(1), "{ran:?}");
    let result = ground.result("r");
    let scenario = read(&dough_sheeter());
    let mut stored = scenario.settings;
    for fact in &result.settings {
        stored.set(plantstand::drive::setting::Setting::from_name(&fact.name).expect("a setting"), fact.value);
    }
    for (number, file) in ["nominal.parquet", "corner-1.parquet", "corner-2.parquet"].into_iter().enumerate() {
        let run = examine(&scenario, number, &stored, result.scenario.seed).expect("a machine");
        check_columns(&ground.path("r").join(file), &run.rows().collect::<Vec<Row>>());
    }
    let texts = ["r/result.json", "same.json"].map(|name| std::fs::read_to_string(ground.path(name)).expect(name));
    assert_eq!(texts[0], texts[1]);
    check_result(&ground, &texts[0]);
    assert_eq!(std::fs::read_to_string(ground.path("r/scenario.toml")).expect("the scenario"), dough_sheeter());
    let settings = ground.run(&["describe", "test.toml", "--settings", "r"]);
    assert_eq!(settings.status, Some(0), "the record's settings read back: {settings:?}");
}

/// A result reads and writes to the same text, and has the keys that its schema asks for and no others.
fn check_result(ground: &Ground, text: &str) {
    let result: TrialResult = serde_json::from_str(text).expect("a result");
    let again = serde_json::to_value(&result).expect("a result is JSON");
    let found: serde_json::Value = serde_json::from_str(text).expect("JSON");
    assert_eq!(again, found);
    let schema = ground.run(&["schema", "result"]);
    let schema: serde_json::Value = serde_json::from_str(&schema.out).expect("a schema");
    check_shape(&schema, &schema, &found, "result");
}

/// The part of JSON Schema that says which keys there are.
fn check_shape(root: &serde_json::Value, schema: &serde_json::Value, found: &serde_json::Value, path: &str) {
    if let Some(place) = schema["$ref"].as_str() {
        let schema = root.pointer(place.trim_start_matches('#')).expect(place);
        return check_shape(root, schema, found, path);
    }
    if let Some(items) = found.as_array() {
        items.iter().for_each(|item| check_shape(root, &schema["items"], item, path));
    }
    let (Some(object), Some(properties)) = (found.as_object(), schema["properties"].as_object()) else { return };
    for key in schema["required"].as_array().into_iter().flatten().filter_map(serde_json::Value::as_str) {
        assert!(object.contains_key(key), "{path}.{key} is required");
    }
    for (key, value) in object {
        let schema = properties.get(key).unwrap_or_else(|| panic!("{path}.{key} is not in the schema"));
        check_shape(root, schema, value, &format!("{path}.{key}"));
    }
}

#[test]
fn recorded_frames_that_are_cut_off_read_up_to_the_cut() {
    let frames = [
        (0, Entry::Frame(b"x")),
        (0, Entry::Mark),
        (8, Entry::Frame(b"a longer frame")),
        (9, Entry::OpenedAgain),
        (u64::MAX, Entry::Frame(b"last")),
    ];
    let mut bytes = frames::TITLE.to_vec();
    let mut ends = vec![bytes.len()];
    for (tick, frame) in frames {
        frames::keep(&mut bytes, tick, frame);
        ends.push(bytes.len());
    }
    assert_eq!(frames::read(&bytes).as_deref(), Some(frames.as_slice()));
    for cut in 0..bytes.len() {
        let whole = ends.iter().rposition(|end| *end <= cut);
        assert_eq!(frames::read(&bytes[..cut]).as_deref(), whole.map(|whole| &frames[..whole]), "cut at {cut}");
    }
}

#[test]
fn what_is_longer_than_a_frame_is_kept_as_far_as_it_can_matter() {
    let mut bytes = frames::TITLE.to_vec();
    frames::keep(&mut bytes, 3, Entry::Frame(&vec![7; 100_000]));
    let read = frames::read(&bytes).expect("frames of a record");
    let kept = vec![7; plantstand::wire::layout::MAX_FRAME_BYTES + 1];
    assert_eq!(read, [(3, Entry::Frame(&kept))]);
}

/// No file of a folder holds a token, as bytes or as hex digits in either case.
fn check_no_token(folder: &Path, token: &[u8; 16]) {
    let hex = token_to_hex(token);
    let spellings = [token.to_vec(), hex.clone().into_bytes(), hex.to_uppercase().into_bytes()];
    for file in std::fs::read_dir(folder).expect("a record") {
        let path = file.expect("a file of the record").path();
        let bytes = std::fs::read(&path).expect("a file of the record");
        for spelling in &spellings {
            let found = bytes.windows(spelling.len()).any(|window| window == spelling);
            assert!(!found, "{} holds the token", path.display());
        }
    }
}

/// Prints all that it was told, once in two halves, and waits for its cue.
const TALKATIVE: &str = "env; printf '%.9s' \"$PLANTSTAND_TOKEN\"; echo \"$PLANTSTAND_TOKEN\" | tr a-f A-F >&2; \
                         echo \"$PLANTSTAND_LINK $PLANTSTAND_TOKEN\" > ../it.tmp; mv ../it.tmp ../it; \
                         while [ ! -e ../go ]; do sleep 0.01; done; echo \"${PLANTSTAND_TOKEN#?????????}\"";

#[test]
fn a_token_that_a_method_prints_stands_nowhere_in_the_record() {
    let ground = Ground::new(&dough_sheeter());
    std::fs::create_dir(ground.path("below")).expect("a folder");
    let process = program::plantstand(&ground.path("below"))
        .args(["score", "../test.toml", "--record", "r", "--", "sh", "-c", TALKATIVE])
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn();
    let mut process = process.expect("the program starts");
    let door = outsider::Door::told_in(&ground.path("it"));
    std::fs::write(ground.path("go"), "").expect("the method's cue");
    assert_eq!(process.wait().expect("it ends").code(), Some(3));
    check_no_token(&ground.path("below/r"), &door.token);
    let printed = std::fs::read_to_string(ground.path("below/r/method.out.txt")).expect("what it printed");
    assert!(printed.contains(&format!("PLANTSTAND_TOKEN={}", "0".repeat(32))), "{printed}");
    assert!(printed.contains("PLANTSTAND_LINK=udp:127.0.0.1:"), "what is no secret stays");
}

#[test]
fn a_token_that_a_method_sends_stands_nowhere_in_the_record() {
    let ground = Ground::new(&dough_sheeter());
    let listening = Listening::start(&ground, &["--record", "r"]);
    let door = listening.door;
    let hex = token_to_hex(&door.token);
    let inner = plantstand::host::udp::UdpTransport::towards(door.address).expect("a socket");
    // Opens on the link, whole and spoiled, beside every frame.
    let (whole, mut spoiled) = (outsider::open(door.token), outsider::open(door.token));
    *spoiled.last_mut().expect("bytes") ^= 1;
    let before = move |_: &[u8]| vec![whole.clone(), spoiled.clone(), door.token.to_vec()];
    let client = Client::open(hostile::Hostile { inner, before, times: 1 }, door.token, &hex).expect("let in");
    talk_and_finish(client, &hex);
    let ran = listening.finish();
    assert_eq!(ran.status, Some(1), "{ran:?}");
    check_no_token(&ground.path("r"), &door.token);
    assert!(!ran.out.contains(&hex) && !ran.error.contains(&hex), "{ran:?}");
    assert_eq!(ground.run(&["replay", "r"]).status, Some(0), "what was struck moves nothing");
}

fn talk_and_finish(mut client: Client<impl Transport>, hex: &str) {
    by_hand::enable(&mut client);
    client.log(&format!("my token is {hex}, or {}", hex.to_uppercase())).expect("the bench listens");
    by_hand::turn(&mut client, 5.0, 20);
    by_hand::disable(&mut client);
    client.store().expect("the bench stores");
    client.done().expect("the bench says its verdict");
}
