//! The C side, built by `cc` with the sanitisers where they are at hand, and asked in bulk.
//!
//! What it does not: know what is asked. Start reading at [`filtered`].

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;

/// What the C side's filter writes when it reads these bytes.
pub fn filtered(mode: &str, input: &[u8]) -> Vec<u8> {
    let mut filter = Command::new(filter_program())
        .arg(mode)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the filter starts");
    let mut stdin = filter.stdin.take().expect("its standard input");
    let output = std::thread::scope(|scope| {
        scope.spawn(move || drop(stdin.write_all(input)));
        filter.wait_with_output().expect("the filter ends")
    });
    assert!(output.status.success(), "the filter ended with {}", output.status);
    output.stdout
}

fn filter_program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| built("firmware_filter", &["codec.c", "cobs.c", "controller.c", "filter.c"]))
}

/// The firmware as a process, built once.
pub fn firmware_program() -> &'static Path {
    static PROGRAM: OnceLock<PathBuf> = OnceLock::new();
    PROGRAM.get_or_init(|| built("firmware_linux", &["codec.c", "cobs.c", "controller.c", "client.c", "linux.c"]))
}

/// Builds a program of `tools/firmware`, with the sanitisers where the compiler has them.
fn built(name: &str, sources: &[&str]) -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tools/firmware");
    let program = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let warnings = ["-Wall", "-Wextra", "-Wconversion", "-Wshadow", "-pedantic", "-Werror"];
    let compiled = |more: &[&str]| {
        let mut compiler = Command::new("cc");
        compiler.current_dir(&folder).args(["-std=c99", "-O1", "-ffp-contract=off"]).args(warnings).args(more);
        compiler.args(sources).arg("-o").arg(&program).output().expect("cc is there: Rust links with it")
    };
    let with_sanitisers = compiled(&["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]);
    if !with_sanitisers.status.success() {
        let plain = compiled(&[]);
        let complaints = String::from_utf8_lossy(&plain.stderr).into_owned();
        assert!(plain.status.success(), "the firmware does not compile:\n{complaints}");
    }
    program
}
