//! The project's own files: where they lie, their text, their tokens; and the complaints about them.
//!
//! What it does not: judge. Start reading at [`Source`].

use std::fmt;
use std::path::{Path, PathBuf};

use proc_macro2::TokenStream;

/// One Rust file.
pub struct Source {
    /// Path from the top of the project, with `/`.
    pub path: String,
    /// The text as it stands.
    pub text: String,
    /// The text as tokens.
    pub tokens: TokenStream,
}

impl Source {
    /// A file of the given path and text.
    pub fn new(path: &str, text: &str) -> Self {
        let tokens = text.parse().unwrap_or_else(|error| panic!("{path} is not made of Rust tokens: {error}"));
        Self { path: path.to_owned(), text: text.to_owned(), tokens }
    }

    /// The folder under `src/` that a file belongs to; none for `src/lib.rs`, `src/main.rs` and files elsewhere.
    pub fn folder(&self) -> Option<&str> {
        self.path.strip_prefix("src/")?.split_once('/').map(|(folder, _)| folder)
    }

    /// Whether the file belongs to the library or the program.
    pub fn is_product(&self) -> bool {
        self.path.starts_with("src/")
    }

    /// A complaint about a line of this file.
    pub fn complaint(&self, line: usize, says: impl Into<String>) -> Complaint {
        Complaint { path: self.path.clone(), line, says: says.into() }
    }
}

/// One thing that is not as the rules want it.
pub struct Complaint {
    path: String,
    line: usize,
    says: String,
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}", self.path, self.line, self.says)
    }
}

/// The top of the project.
pub fn top() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every file and folder under the given folders, as paths from the top with `/`, sorted; what a build leaves, and
/// hidden entries, are left out.
pub fn entries(folders: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    for folder in folders {
        walk(&top().join(folder), &mut found);
    }
    let from_top = |path: PathBuf| {
        let path = path.strip_prefix(top()).expect("the walk starts at the top").to_path_buf();
        path.to_str().expect("names are UTF-8").replace('\\', "/")
    };
    let mut found: Vec<String> = found.into_iter().map(from_top).collect();
    found.sort();
    found
}

fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries {
        let path = entry.expect("a folder of the project can be read").path();
        let name = path.file_name().expect("an entry has a name").to_string_lossy();
        if name.starts_with('.') || name == "target" || name == "__pycache__" {
            continue;
        }
        if path.is_dir() {
            walk(&path, found);
        }
        found.push(path);
    }
}

/// Every Rust file of the project.
pub fn sources() -> Vec<Source> {
    let rust = entries(&["src", "tests", "tools"]).into_iter().filter(|path| path.ends_with(".rs"));
    rust.map(|path| Source::new(&path, &read(&path))).collect()
}

/// The text of a file, by its path from the top.
pub fn read(path: &str) -> String {
    std::fs::read_to_string(top().join(path)).unwrap_or_else(|error| panic!("{path} cannot be read: {error}"))
}
