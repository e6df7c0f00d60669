//! Tests of the rules themselves: snippets that each rule must refuse, and neighbours that it must let pass.
//!
//! What it does not: look at the project. Start reading anywhere.

use super::tree::{Complaint, Source};
use super::{floors, pages, purity, shape};

type Rule = fn(&Source) -> Vec<Complaint>;

fn check_refused(rule: Rule, path: &str, text: &str, words: &str) {
    let complaints: Vec<String> = rule(&Source::new(path, text)).iter().map(ToString::to_string).collect();
    assert!(complaints.iter().any(|says| says.contains(words)), "{path}: {text:?} gave {complaints:?}, not {words:?}");
}

fn check_passes(rule: Rule, path: &str, text: &str) {
    let complaints: Vec<String> = rule(&Source::new(path, text)).iter().map(ToString::to_string).collect();
    assert!(complaints.is_empty(), "{path}: {text:?} gave {complaints:?}");
}

#[test]
fn imports_upward_and_sideways_are_refused() {
    let check = |path, text, words| check_refused(floors::check, path, text, words);
    check("src/drive/state.rs", "use crate::plant::train::Node;", "drive must not see plant");
    check("src/base/time.rs", "use crate::score::Answer;", "base must not see score");
    check("src/report/html.rs", "fn f() { crate::host::udp::open() }", "report must not see host");
    check("src/score/step.rs", "use crate::{base::time::TickRate, wire::message::Frame};", "score must not see wire");
    check("src/plant/train.rs", "fn f() { vec![crate::trial::result::SCHEMA_VERSION] }", "plant must not see trial");
    check("src/method/careful.rs", "use crate::plant::sensor::Sensor;", "method must not see plant");
    check("src/method/careful.rs", "use crate::drive::setting::Setting;", "method must not see drive");
    check("src/main.rs", "fn main() { plantstand::host::run() }", "main.rs must not see host");
    check("src/plant/train.rs", "pub(in crate::drive) struct A;", "plant must not see drive");
    check("src/oddments/mod.rs", "", "has no floor");
}

#[test]
fn imports_downward_and_within_a_folder_pass() {
    let check = |path, text| check_passes(floors::check, path, text);
    check(
        "src/linear/model.rs",
        "use crate::{plant::train::Node, drive::setting::Setting, wire::codec, score::margins};",
    );
    check("src/method/careful.rs", "use crate::wire::message::{Frame, Message}; use crate::method::client;");
    check("src/cli/mod.rs", "use crate::host::udp; use crate::base::time::TickRate;");
    check("src/plant/train.rs", "pub(crate) struct A; use super::friction::Friction; mod tests { use super::A; }");
    check("src/plant/mod.rs", "/// crate::drive is a neighbour\npub mod train; mod tests { use super::train; }");
    check("src/main.rs", "fn main() -> std::process::ExitCode { plantstand::cli::run() }");
    check("src/drive/state.rs", "const NOTE: &str = \"crate::plant::train\";");
}

#[test]
fn ways_round_the_floors_are_refused() {
    let check = |path, text, words| check_refused(floors::check, path, text, words);
    check("src/plant/train.rs", "use super::super::drive::Drive;", "super::super");
    check("src/plant/train.rs", "use super::{super::drive::Drive};", "super::super");
    check("src/plant/mod.rs", "use super::drive::Drive;", "leaves the folder");
    check("src/plant/train.rs", "use crate as root;", "stands alone");
    check("src/plant/train.rs", "use crate::*;", "comes a folder");
    check("src/plant/train.rs", "use crate::Drive;", "comes a folder");
    check("src/plant/train.rs", "extern crate plantstand;", "second name");
    check("src/plant/train.rs", "include!(\"../drive/state.rs\");", "include!");
    check("src/lib.rs", "pub mod drive; pub use drive::Drive;", "re-exports");
}

#[test]
fn a_core_that_touches_the_machine_is_refused() {
    let check = |text, words| check_refused(purity::check, "src/bench/tick.rs", text, words);
    check("use std::time::{Duration, Instant};", "no clock");
    check("fn f() { std::time::SystemTime::now(); }", "no clock");
    check("use std::{fs, collections::BTreeMap};", "files belong to host");
    check("fn f() { ::std::net::UdpSocket::bind(a) }", "sockets belong to host");
    check("fn f() -> String { std::env::var(\"A\").unwrap() }", "environment belongs to cli");
    check("use std::thread;", "threads belong to host");
    check("use std::process::Command;", "processes belong to host");
    check("use std::io; fn f() { io::stdout() }", "standard output belongs to cli");
    check("async fn f() { tokio::time::sleep(d).await }", "operating system");
    check("fn f() { eprintln!(\"a\"); }", "screen belongs to cli");
    check("fn f() { dbg!(1); }", "screen belongs to cli");
    check("use std::collections::HashMap;", "order differs");
    check("use std::collections::*;", "name what is used");
    check("macro_rules! m { () => { std::fs::read(p) } }", "files belong to host");
}

#[test]
fn a_core_with_the_platforms_functions_is_refused() {
    let check = |text| check_refused(purity::check, "src/score/noise.rs", text, "use base::real");
    check("fn f(x: f64) -> f64 { x.sin() }");
    check("fn f(x: f64) -> f64 { (x + 1.0).exp() }");
    check("fn f(x: f64) -> f64 { f64::powf(x, 0.5) }");
    check("fn f(x: &[f64]) -> Vec<f64> { x.iter().copied().map(f64::ln).collect() }");
    check("fn f(x: f64) -> f64 { x.powi(2).mul_add(x, x) }");
    check("fn f(x: f64) -> String { format!(\"{}\", x.log10()) }");
}

#[test]
fn a_core_that_only_computes_passes() {
    check_passes(purity::check, "src/base/real.rs", "use libm as portable; fn sin(x: f64) -> f64 { portable::sin(x) }");
    check_passes(
        purity::check,
        "src/score/step.rs",
        "use crate::base::real; fn f(x: f64) -> f64 { real::exp(x).sqrt() }",
    );
    check_passes(
        purity::check,
        "src/wire/codec.rs",
        "const V: &str = env!(\"CARGO_PKG_VERSION\"); use std::time::Duration;",
    );
    check_passes(purity::check, "src/score/step.rs", "struct A { exp: f64 } fn f(a: A) -> f64 { a.exp }");
    check_passes(purity::check, "src/host/udp.rs", "use std::net::UdpSocket; fn f() { println!(\"a\") }");
}

#[test]
fn leftovers_are_refused() {
    let check = |text, words| check_refused(shape::leftovers, "tests/a.rs", text, words);
    check("fn f() { unsafe { g() } }", "unsafe");
    check("unsafe impl Send for A {}", "unsafe");
    check("#[unsafe(no_mangle)] fn f() {}", "unsafe");
    check("fn f() { todo!() }", "unfinished");
    check("fn f() { std::unimplemented!() }", "unfinished");
    check_passes(shape::leftovers, "tests/a.rs", "#![forbid(unsafe_code)] /// unsafe todo!()\nfn todo() {}");
}

#[test]
fn what_is_switched_off_is_refused() {
    let check = |path, text, words| check_refused(shape::switched_off, path, text, words);
    check("tests/a.rs", "#[test] #[ignore] fn f() {}", "ignored test");
    check("tests/a.rs", "mod m { #[ignore = \"slow\"] fn f() {} }", "ignored test");
    check("src/plant/train.rs", "#![allow(dead_code)]", "without `reason");
    check("src/plant/train.rs", "#[expect(clippy::too_many_arguments)] fn f() {}", "without `reason");
    check_passes(
        shape::switched_off,
        "src/a.rs",
        "#[expect(clippy::float_cmp, reason = \"exact by design\")] fn f() {}",
    );
    check_passes(shape::switched_off, "src/lib.rs", "#[allow(clippy::disallowed_methods)] pub mod host;");
}

#[test]
fn a_file_without_its_page_is_refused() {
    let check = |path, text, words| check_refused(pages::front_page, path, text, words);
    check("tests/a.rs", "fn f() {}", "no `//!` page");
    check("tests/a.rs", "// An ordinary comment that is long enough to be a page.\n", "no `//!` page");
    check("src/plant/train.rs", "//! (to be written)\n", "no `//!` page");
    check("src/plant/train.rs", "//! A chain of inertias with couplings from the motor outwards.\n", "does not");
    check("src/plant/mod.rs", "//! The machine. What it does not: anything about a controller.\n", "start reading");
    check_passes(
        pages::front_page,
        "src/plant/train.rs",
        "//! A chain of inertias.\n//!\n//! What it does not: motors.\n",
    );
    check_passes(pages::front_page, "tests/a.rs", "//! The promise that this file keeps, in a sentence.\n");
}

#[test]
fn a_map_that_does_not_match_the_tree_is_refused() {
    let entries = ["src/plant", "src/plant/train.rs", "tests/tidy.rs"].map(str::to_owned);
    let dead = |text| pages::dead_paths("DEVELOPERS.md", text, &entries);
    assert_eq!(dead("see `src/plant/gone.rs`"), ["DEVELOPERS.md:1: names `src/plant/gone.rs`, which does not exist"]);
    assert_eq!(dead("\nsee `a/b.md` and `tests/tidy.rs`").len(), 1);
    assert!(
        dead("`plant/train.rs`, `src/plant/`, `crate::plant`, `tests/*.rs`, `score FILE`, `target/check/a.log`")
            .is_empty()
    );
    assert_eq!(dead("`src/gone/`, `tools/gone`").len(), 2);
    let unnamed = |text| pages::unnamed_folders("DEVELOPERS.md", text, &entries[..1]);
    assert_eq!(unnamed("the folder src/plant/ without backticks"), ["DEVELOPERS.md: does not name `src/plant/`"]);
    assert!(unnamed("`src/plant/` is the machine").is_empty());
}

#[test]
fn a_dependency_without_its_reason_is_refused() {
    let manifest = "[package]\nname = \"a\"\n[dependencies]\ncrc = \"3.4\"\nlibm = { version = \"0.2\" }\n[dev-dependencies]\nsyn = \"3\"\n";
    let missing = |text| pages::unexplained_dependencies("DEVELOPERS.md", text, manifest);
    assert_eq!(
        missing("| crate | why |\n| crc, syn (tests) | reasons |\n"),
        ["DEVELOPERS.md: no reason for the dependency libm"]
    );
    assert!(missing("| crc, libm | a |\n| syn | b |").is_empty());
}

#[test]
fn names_that_say_nothing_are_refused() {
    let refused = ["src/util", "src/plant/common.rs", "tests/test_helpers.rs", "src/wire/types.rs", "tools/misc.sh"];
    assert_eq!(shape::empty_names(&refused.map(str::to_owned)).len(), refused.len());
    let kept = ["src/utility_supply.rs", "src/plant/commonality.rs", "src/plant/train.rs"];
    assert!(shape::empty_names(&kept.map(str::to_owned)).is_empty());
}

#[test]
fn length_without_a_reason_is_refused() {
    let body = "    let _ = 1;\n".repeat(70);
    let check = |text: &str, words| check_refused(shape::long_functions, "src/plant/train.rs", text, words);
    check(&format!("fn long() {{\n{body}}}\n"), "long has 72 lines");
    check(&format!("struct A;\nimpl A {{\nfn long(&self) {{\n{body}}}\n}}\n"), "long has 72 lines");
    check(&format!("// Long because \nfn long() {{\n{body}}}\n"), "long has 72 lines");
    let reasoned =
        format!("// Long because it is one table.\n/// Says something.\n#[must_use]\nfn long() {{\n{body}}}\n");
    check_passes(shape::long_functions, "src/plant/train.rs", &reasoned);
    check_passes(shape::long_functions, "src/plant/train.rs", &format!("fn short() {{\n{}}}\n", &body[..68 * 15]));

    let lines = "// a line\nfn f() {}\n".repeat(251);
    assert!(shape::long_file("src/a.rs", &lines).is_some());
    assert!(shape::long_file("src/a.rs", &format!("//! Page.\n\n// Long because it is one table.\n{lines}")).is_none());
    assert!(shape::long_file("src/a.rs", &lines[..lines.len() / 2]).is_none());
}
