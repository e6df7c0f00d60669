//! The checksum against values from outside the project: every `crc32-…` row of `data/check-values.json`, part N.
//!
//! The rows' source: check value of the catalogue of parametrised CRC algorithms, polynomial of RFC 3720.

use plantstand::wire::checksum::checksum;
use serde_json::Value;

/// Check value 0xE3069283 of `123456789`: catalogue of parametrised CRC algorithms.
#[test]
fn crc32_check() {
    check_row("crc32-check");
}

/// Nothing has checksum 0: start and final exclusive-or cancel (RFC 3720).
#[test]
fn crc32_empty() {
    check_row("crc32-empty");
}

/// One zero byte (RFC 3720's polynomial, bit by bit).
#[test]
fn crc32_zero() {
    check_row("crc32-zero");
}

/// Two bytes of ones (RFC 3720's polynomial, bit by bit).
#[test]
fn crc32_ff() {
    check_row("crc32-ff");
}

/// The letter A (RFC 3720's polynomial, bit by bit).
#[test]
fn crc32_a() {
    check_row("crc32-a");
}

/// Every byte value once, in order (RFC 3720's polynomial, bit by bit).
#[test]
fn crc32_ramp() {
    check_row("crc32-ramp");
}

/// Data followed by its own checksum, low byte first, as our frames have it: always the same residue.
#[test]
fn crc32_residue() {
    check_row("crc32-residue");
}

/// Every checksum row of the file has its test above.
#[test]
fn no_row_is_left_out() {
    let names: Vec<String> = rows().iter().map(|row| text(row, "id").to_owned()).collect();
    let tested = ["crc32-check", "crc32-empty", "crc32-zero", "crc32-ff", "crc32-a", "crc32-ramp", "crc32-residue"];
    assert_eq!(names, tested);
}

fn check_row(id: &str) {
    let rows = rows();
    let row = rows.iter().find(|row| text(row, "id") == id).unwrap_or_else(|| panic!("no row {id}"));
    let bytes = bytes_of(text(&row["inputs"], "bytes_hex"));
    let found = format!("0x{:08X}", checksum(&bytes));
    assert_eq!(found, text(row, "expected"), "{id}, {}", text(row, "source"));
}

fn rows() -> Vec<Value> {
    let file: Value = serde_json::from_str(include_str!("data/check-values.json")).expect("the file is JSON");
    let rows = file["rows"].as_array().expect("rows").iter();
    rows.filter(|row| text(row, "id").starts_with("crc32-")).cloned().collect()
}

fn text<'a>(row: &'a Value, key: &str) -> &'a str {
    row[key].as_str().unwrap_or_else(|| panic!("{key} of {row}"))
}

fn bytes_of(hex: &str) -> Vec<u8> {
    let digits = hex.as_bytes().chunks(2).map(|pair| std::str::from_utf8(pair).expect("hex"));
    digits.map(|pair| u8::from_str_radix(pair, 16).expect("hex")).collect()
}
