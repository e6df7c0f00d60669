//! The built program, run as a person would, in a folder of its own.
//!
//! What it does not: speak to it over the link. Start reading at [`score`].

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use plantstand::trial::result::TrialResult;

/// The program, ready for words, in a folder.
pub fn plantstand(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_plantstand"));
    command.current_dir(folder).stdin(Stdio::null()).env_remove("PLANTSTAND_TOKEN").env_remove("PLANTSTAND_LINK");
    command
}

/// A folder with a scenario in it, gone when it is dropped.
pub struct Ground {
    /// The folder.
    pub folder: tempfile::TempDir,
}

impl Ground {
    /// With this text as `test.toml`.
    pub fn new(scenario: &str) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the test");
        std::fs::write(folder.path().join("test.toml"), scenario).expect("a scenario in it");
        Self { folder }
    }

    /// A path in the folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs `score test.toml` with these words to its end.
    pub fn score(&self, words: &[&str]) -> Ran {
        self.run(&[&["score", "test.toml"], words].concat())
    }

    /// Runs the program with these words to its end.
    pub fn run(&self, words: &[&str]) -> Ran {
        Ran::of(plantstand(self.folder.path()).args(words).output().expect("the program starts"))
    }

    /// The result in a record of this folder.
    pub fn result(&self, record: &str) -> TrialResult {
        let text = std::fs::read_to_string(self.path(record).join("result.json")).expect("a record with its result");
        serde_json::from_str(&text).expect("a result of this version")
    }
}

/// What a run of the program said.
#[derive(Debug)]
pub struct Ran {
    /// Its exit status.
    pub status: Option<i32>,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub error: String,
}

impl Ran {
    /// Of a finished process.
    pub fn of(output: Output) -> Self {
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).expect("the program writes UTF-8");
        Self { status: output.status.code(), out: text(output.stdout), error: text(output.stderr) }
    }
}
