//! Round syntax errors: which line is to blame, and the text without it, so that the rest is read as it was meant.
//!
//! The parser goes on after an error, but an array that is never closed swallows the lines behind it, and a broken
//! header puts its keys into another section. So one line is blamed at a time and mended or blanked, and the text is
//! parsed again. What it does not: make a tree. Start reading at [`mended`].

use toml::de::DeTable;

use crate::scenario::file::SyntaxError;
use crate::scenario::shape::{Section, Shape};

/// Broken lines that are named before the rest is left alone.
const MAX_ERRORS: usize = 50;

/// The text with every broken line mended or blanked, line for line, and what was wrong.
pub(crate) fn mended(text: &str, root: &Section) -> (String, Vec<SyntaxError>) {
    let mut lines: Vec<String> = text.split('\n').map(str::to_owned).collect();
    let mut errors: Vec<SyntaxError> = Vec::new();
    while let Some(found) = first_error(&lines) {
        let opener = if found.is_long_text { opener(&lines) } else { None };
        let blamed = opener.or_else(|| blamed(&lines, found.line)).filter(|_| errors.len() < MAX_ERRORS);
        let Some(line) = blamed else {
            errors.push(SyntaxError { line: found.line + 1, message: found.message, lost: String::new() });
            break;
        };
        let seen = if line == found.line { String::new() } else { format!("; noticed in line {}", found.line + 1) };
        let message = format!("{}{seen}", found.message);
        let is_known = errors.iter().any(|error| error.line == line + 1);
        let lost = match opener {
            Some(_) => blank_long_text(&mut lines, line),
            None if is_known => blank_section(&mut lines, line),
            None => mend_line(&mut lines, line, root),
        };
        match errors.iter_mut().find(|error| error.line == line + 1) {
            Some(error) => error.lost.push_str(&lost),
            None => errors.push(SyntaxError { line: line + 1, message, lost }),
        }
    }
    (lines.join("\n"), errors)
}

/// The first error of the parser, its line from 0.
struct Found {
    line: usize,
    message: String,
    /// Whether it is a text over several lines that is never closed; the error shows where the file ends.
    is_long_text: bool,
}

fn first_error(lines: &[String]) -> Option<Found> {
    let text = lines.join("\n");
    let (_, errors) = DeTable::parse_recoverable(&text);
    let place = |error: &toml::de::Error| error.span().map_or(0, |span| span.start.min(text.len()));
    let first = errors.iter().min_by_key(|error| place(error))?;
    let line = text.as_bytes()[..place(first)].iter().filter(|byte| **byte == b'\n').count();
    let message = first.message().to_owned();
    Some(Found { line, is_long_text: message.starts_with("invalid multi-line"), message })
}

fn errors_in(lines: &[String]) -> usize {
    DeTable::parse_recoverable(&lines.join("\n")).1.len()
}

/// The line whose blanking leaves the fewest errors: the one where the error shows, or one before it that opened what
/// is never closed. `None` when there is no line to blank.
fn blamed(lines: &[String], shown: usize) -> Option<usize> {
    let is_written = |line: &usize| !lines[*line].trim().is_empty();
    let before = (0..shown.min(lines.len())).rev().filter(is_written).take(2);
    [shown].into_iter().filter(is_written).chain(before).min_by_key(|line| {
        let mut without = lines.to_vec();
        without[*line].clear();
        errors_in(&without)
    })
}

/// The last line that opens or closes a text over several lines.
fn opener(lines: &[String]) -> Option<usize> {
    lines.iter().rposition(|line| line.contains("\"\"\"") || line.contains("'''"))
}

/// Blanks the beginning of a text that is never closed, as far as it looks like one: up to an empty line, a header or a
/// key. Gives back what is lost.
fn blank_long_text(lines: &mut [String], line: usize) -> String {
    let looks_like_text = |line: &str| {
        let name = line.split_once('=').map_or("", |(name, _)| name.trim());
        let is_key = !name.is_empty() && name.chars().all(|letter| letter.is_ascii_alphanumeric() || letter == '_');
        !line.trim().is_empty() && !is_header(line) && !is_key
    };
    let mut lost = std::mem::take(&mut lines[line]);
    for line in lines.iter_mut().skip(line + 1).take_while(|line| looks_like_text(line)) {
        lost.push('\n');
        lost.push_str(&std::mem::take(line));
    }
    lost
}

/// Mends a header, blanks any other line; gives back what is lost.
fn mend_line(lines: &mut [String], line: usize, root: &Section) -> String {
    if !is_header(&lines[line]) {
        return std::mem::take(&mut lines[line]);
    }
    match mended_header(&lines[line], root).filter(|mended| *mended != lines[line].trim()) {
        Some(header) => {
            lines[line] = header;
            String::new()
        }
        None => blank_section(lines, line),
    }
}

/// Blanks a header with all that stands under it, or any other line; gives back what is lost.
fn blank_section(lines: &mut [String], line: usize) -> String {
    let is_section = is_header(&lines[line]);
    let mut lost = std::mem::take(&mut lines[line]);
    let under = lines.iter_mut().skip(line + 1).take_while(|line| is_section && !is_header(line));
    for line in under {
        lost.push('\n');
        lost.push_str(&std::mem::take(line));
    }
    lost
}

fn is_header(line: &str) -> bool {
    line.trim_start().starts_with('[')
}

/// The header that a broken one was meant to be, by the name in it; `None` when it has none.
fn mended_header(line: &str, root: &Section) -> Option<String> {
    let rest = line.trim_start().trim_start_matches(['[', ' ']);
    let length = rest.find(|letter: char| !letter.is_ascii_alphanumeric() && !matches!(letter, '_' | '-' | '.'));
    let name = &rest[..length.unwrap_or(rest.len())];
    let is_sound = !name.is_empty() && name.split('.').all(|part| !part.is_empty());
    let is_list =
        root.keys.iter().any(|key| key.name == name && matches!(key.shape, Shape::Tables(_) | Shape::TaggedTables(_)));
    is_sound.then(|| if is_list { format!("[[{name}]]") } else { format!("[{name}]") })
}
