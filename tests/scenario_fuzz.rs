//! Whatever a file holds, reading it ends in a scenario or in complaints, never in a panic; every complaint has a line
//! of the file and something to say.

use plantstand::base::random::Stream;
use plantstand::scenario::{MAX_BYTES, read};

const SHIPPED: [&str; 4] = [
    include_str!("../scenarios/dough-sheeter.toml"),
    include_str!("../scenarios/swivel-arm.toml"),
    include_str!("../scenarios/sluice-gate.toml"),
    include_str!("../scenarios/torque/swivel-arm.toml"),
];

/// Pieces that mean something in a file, to be put where they do not belong.
const PIECES: [&str; 22] = [
    "[",
    "]",
    "[[",
    "{",
    "}",
    "\"",
    "\"\"\"",
    "=",
    ",",
    "\n",
    "-1",
    "0",
    "1e400",
    "nan",
    "inf",
    "true",
    "x = 1\n",
    "[motor]\n",
    "[[train]]\n",
    "kind = \"none\"",
    "[]",
    "\u{e9}",
];

fn below(random: &mut Stream, end: usize) -> usize {
    (random.uniform() * end as f64) as usize
}

/// One seeded change: bytes or lines taken out, doubled or exchanged, or a piece put in or in the place of a value.
fn mutated(text: &str, random: &mut Stream) -> String {
    let mut lines: Vec<String> = text.split('\n').map(str::to_owned).collect();
    let (one, other) = (below(random, lines.len()), below(random, lines.len()));
    let piece = PIECES[below(random, PIECES.len())];
    match below(random, 7) {
        0 => drop(lines.remove(one)),
        1 => lines.swap(one, other),
        2 => lines.insert(other, lines[one].clone()),
        3 => {
            let kept: String = lines[one].chars().filter(|_| 0.1 <= random.uniform()).collect();
            lines[one] = kept;
        }
        4 => {
            let letters = lines[one].chars().count();
            let at = below(random, letters + 1);
            let head: String = lines[one].chars().take(at).collect();
            let tail: String = lines[one].chars().skip(at + below(random, 2)).collect();
            lines[one] = format!("{head}{piece}{tail}");
        }
        5 => {
            let key = lines[one].split('=').next().unwrap_or_default().to_owned();
            lines[one] = format!("{key}= {piece}");
        }
        _ => lines.truncate(one),
    }
    lines.join("\n")
}

fn check_ends_well(case: u64, text: &str) {
    if let Err(complaints) = read("x.toml", text) {
        assert!(!complaints.is_empty(), "case {case}: refused without a complaint:\n{text}");
        for complaint in complaints {
            assert!(1 <= complaint.line && complaint.line <= text.split('\n').count(), "case {case}: {complaint}");
            assert!(!complaint.allowed.is_empty(), "case {case}: {complaint}");
        }
    }
}

/// A few thousand broken versions of the shipped scenarios, one to four changes each.
#[test]
fn mutated_scenarios_never_panic() {
    for case in 0..4000 {
        let mut random = Stream::new(case, "mutation");
        let mut text = SHIPPED[below(&mut random, SHIPPED.len())].to_owned();
        for _ in 0..=below(&mut random, 4) {
            text = mutated(&text, &mut random);
        }
        check_ends_well(case, &text);
    }
}

/// Bytes without any sense.
#[test]
fn noise_never_panics() {
    for case in 0..200 {
        let mut random = Stream::new(case, "noise");
        let letters = below(&mut random, 400);
        let text: String = (0..letters).map(|_| char::from((32.0 + 96.0 * random.uniform()) as u8)).collect();
        check_ends_well(case, &text);
    }
    check_ends_well(0, "");
    check_ends_well(1, &"[[a.".repeat(1000));
    check_ends_well(2, &format!("a = {}", "[".repeat(5000)));
}

/// A file that is too long is not looked at.
#[test]
fn long_files_are_refused() {
    let complaints = read("x.toml", &"#".repeat(MAX_BYTES + 1)).expect_err("it is too long");
    assert_eq!(complaints[0].to_string(), "x.toml:1: 131073 bytes; allowed up to 131072");
}
