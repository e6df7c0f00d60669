//! Files: written beside and renamed, tried before the run, refused when they exist.
//!
//! What it does not: know what is in them (`trial/record.rs`, `report`). Start reading at [`write_whole`].

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// Something the machine refused, with the cure where there is one. Lower case, no full stop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HostError(pub String);

impl std::fmt::Display for HostError {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.write_str(&self.0)
    }
}

impl std::error::Error for HostError {}

/// Says what could not be done with a path and why.
pub fn refused(what: &str, path: &Path, error: &io::Error) -> HostError {
    let cure = match error.kind() {
        io::ErrorKind::NotFound => "; does the folder exist?",
        io::ErrorKind::PermissionDenied => "; choose a folder that you may write to",
        io::ErrorKind::StorageFull => "; the disk is full: free some space and run again",
        _ => "",
    };
    HostError(format!("cannot {what} {}: {error}{cure}", path.display()))
}

/// Reads a text file.
///
/// # Errors
/// Names the path and the cause.
pub fn read_text(path: &Path) -> Result<String, HostError> {
    fs::read_to_string(path).map_err(|error| refused("read", path, &error))
}

/// Writes a file beside its place and renames it, so that a reader sees the old or the new one, never half of one.
/// `-` is standard output.
///
/// # Errors
/// Names the path and the cause.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), HostError> {
    if path == Path::new("-") {
        return say(bytes);
    }
    if is_no_file(path) {
        // A device or a pipe is written to, never replaced by a file of its name.
        let written = File::options().write(true).open(path).and_then(|mut device| device.write_all(bytes));
        return written.map_err(|error| refused("write", path, &error));
    }
    let folder = folder_of(path);
    let mut beside = tempfile::NamedTempFile::new_in(&folder).map_err(|error| refused("write in", &folder, &error))?;
    beside.write_all(bytes).map_err(|error| refused("write", path, &error))?;
    readable_by_all(beside.as_file());
    beside.persist(path).map_err(|error| refused("write", path, &error.error))?;
    Ok(())
}

/// Writes to standard output and hands it to the system. Whoever reads may have gone: that is no mistake of the bench.
///
/// # Errors
/// A full disk, and the like.
pub fn say(bytes: &[u8]) -> Result<(), HostError> {
    let mut out = io::stdout().lock();
    match out.write_all(bytes).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            Err(refused("write", Path::new("standard output"), &error))
        }
        _ => Ok(()),
    }
}

/// Whether something stands there already that is neither a file nor a folder.
fn is_no_file(path: &Path) -> bool {
    fs::metadata(path).is_ok_and(|facts| !facts.is_file() && !facts.is_dir())
}

/// A temporary file is made for its owner only; a result is for whoever may read the folder.
fn readable_by_all(file: &File) {
    use std::os::unix::fs::PermissionsExt;
    // A file system without permissions refuses this; the file is then readable anyway.
    let _ = file.set_permissions(fs::Permissions::from_mode(0o644));
}

/// Tries before a run whether a file can be written later, so that an hour's work is not lost on a wrong path.
///
/// # Errors
/// Names the path and the cause.
pub fn try_output(path: &Path) -> Result<(), HostError> {
    if path == Path::new("-") {
        return Ok(());
    }
    if path.is_dir() {
        return Err(HostError(format!("cannot write {}: it is a folder; name a file in it", path.display())));
    }
    if is_no_file(path) {
        return File::options().write(true).open(path).map(drop).map_err(|error| refused("write", path, &error));
    }
    let folder = folder_of(path);
    tempfile::NamedTempFile::new_in(&folder).map_err(|error| refused("write in", &folder, &error))?;
    Ok(())
}

fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(parent) if parent != Path::new("") => parent.to_path_buf(),
        _ => PathBuf::from("."),
    }
}

/// Makes a folder for a record.
///
/// # Errors
/// An existing folder is refused, since nothing may be overwritten; so is one that cannot be made.
pub fn make_record_folder(path: &Path) -> Result<(), HostError> {
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent).map_err(|error| refused("make", parent, &error))?;
    }
    fs::create_dir(path).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => {
            HostError(format!("the record {} exists already; name another folder with --record", path.display()))
        }
        _ => refused("make", path, &error),
    })
}

/// `20261125T134501Z`: the present in UTC, as a part of file names.
#[must_use]
pub fn time_stamp() -> String {
    humantime::format_rfc3339_seconds(SystemTime::now()).to_string().replace(['-', ':'], "")
}

/// `2026-11-25T13:45:01Z`: the present in UTC, as text in files.
#[must_use]
pub fn time_of_day() -> String {
    humantime::format_rfc3339_seconds(SystemTime::now()).to_string()
}

/// Sixteen bytes that nobody can guess, from the system's source of randomness.
///
/// # Errors
/// A system without `/dev/urandom`.
pub fn fresh_token() -> Result<[u8; 16], HostError> {
    let source = Path::new("/dev/urandom");
    let mut token = [0; 16];
    let mut file = File::open(source).map_err(|error| refused("read", source, &error))?;
    io::Read::read_exact(&mut file, &mut token).map_err(|error| refused("read", source, &error))?;
    Ok(token)
}

/// A token as 32 hex digits.
#[must_use]
pub fn token_to_hex(token: &[u8; 16]) -> String {
    use std::fmt::Write as _;
    token.iter().fold(String::new(), |mut hex, byte| {
        let _ = write!(hex, "{byte:02x}");
        hex
    })
}

/// The sixteen bytes of 32 hex digits; `None` for anything else.
#[must_use]
pub fn token_from_hex(hex: &str) -> Option<[u8; 16]> {
    let digits = hex.trim().as_bytes();
    if digits.len() != 32 || !digits.iter().all(u8::is_ascii_hexdigit) {
        return None;
    }
    let mut token = [0; 16];
    for (byte, pair) in token.iter_mut().zip(digits.chunks_exact(2)) {
        *byte = u8::from_str_radix(std::str::from_utf8(pair).ok()?, 16).ok()?;
    }
    Some(token)
}
