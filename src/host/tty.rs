//! Terminal devices: a serial line opened raw and for us alone, and a pseudo-terminal (pty) for a method that is started.
//!
//! Both end as a file that never blocks. What it does not: know what the bytes mean (`line.rs`). Start reading at
//! [`open`] and [`pair`].

use std::fs::File;
use std::io::{self, ErrorKind, IsTerminal};
use std::os::fd::OwnedFd;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use nix::fcntl::OFlag;
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use tokio_serial::{ErrorKind as SerialError, SerialPort};

use crate::bench::budget::COMMON_BAUDS;
use crate::host::files::HostError;

/// How far a line's rate may be from the one that was asked for, as a share: with ten bits a byte, sender and receiver
/// may drift apart by half a bit, a twentieth, of which each side gets a part.
const BAUD_OFF_MAX_FRAC: f64 = 0.02;

/// An open device.
#[derive(Debug)]
pub struct Tty {
    /// What is read and written; neither ever blocks.
    pub file: File,
    /// Its name, for people.
    pub path: String,
    /// Its rate; `None` for a pty, which has none.
    pub baud: Option<u32>,
    /// Keeps the line for us alone.
    _held: Option<Box<dyn SerialPort>>,
}

/// Opens a line: raw, 8N1, no flow control, for us alone.
///
/// # Errors
/// No such device, no permission, somebody else has it, no serial line, or a rate that it cannot do; each with the cure.
pub fn open(path: &str, baud: u32) -> Result<Tty, HostError> {
    let refused = |error: &io::Error| cannot_open(path, error);
    let flags = OFlag::O_NOCTTY | OFlag::O_NONBLOCK;
    let file = File::options().read(true).write(true).custom_flags(flags.bits()).open(path).map_err(|e| refused(&e))?;
    if !file.is_terminal() {
        return Err(HostError(format!("cannot use {path}: it is no serial line; {}", devices())));
    }
    let builder = tokio_serial::new(path, baud);
    let held = builder.open().map_err(|error| match error.kind() {
        SerialError::NoDevice => refused(&io::Error::from(ErrorKind::ResourceBusy)),
        SerialError::Io(kind) => refused(&io::Error::from(kind)),
        SerialError::InvalidInput | SerialError::Unknown => cannot_set(path, baud, &error.to_string()),
    })?;
    let found = held.baud_rate().map_err(|error| cannot_set(path, baud, &error.to_string()))?;
    if BAUD_OFF_MAX_FRAC < (f64::from(found) / f64::from(baud) - 1.0).abs() {
        return Err(cannot_set(path, baud, &format!("it runs at {found} instead")));
    }
    let baud = (!is_pty(path)).then_some(baud);
    Ok(Tty { file, path: path.to_owned(), baud, _held: Some(held) })
}

/// Whether a path leads to a pty, through links too.
#[must_use]
pub fn is_pty(path: &str) -> bool {
    std::fs::canonicalize(path).is_ok_and(|real| real.starts_with("/dev/pts"))
}

/// A new pty: our end, and the other end, open and raw, whose path a program finds the line at. As long as the other
/// end is held here, nothing hangs up when a program closes it.
///
/// # Errors
/// A system without ptys, or without any left.
pub fn pair() -> Result<(Tty, Tty), HostError> {
    let failed = |error: io::Error| HostError(format!("cannot make a pty: {error}; is /dev/pts mounted?"));
    let (ours, path) = new_master().map_err(|error| failed(error.into()))?;
    let flags = OFlag::O_NOCTTY | OFlag::O_NONBLOCK;
    let theirs = File::options().read(true).write(true).custom_flags(flags.bits()).open(&path).map_err(failed)?;
    make_raw(&theirs).map_err(|error| failed(error.into()))?;
    let tty = |file| Tty { file, path: path.clone(), baud: None, _held: None };
    Ok((tty(File::from(OwnedFd::from(ours))), tty(theirs)))
}

fn new_master() -> nix::Result<(PtyMaster, String)> {
    // Closed in children from the first moment on: one that held our end open would keep the line from hanging up.
    let ours = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC)?;
    grantpt(&ours)?;
    unlockpt(&ours)?;
    let path = ptsname_r(&ours)?;
    Ok((ours, path))
}

fn make_raw(file: &File) -> nix::Result<()> {
    let mut settings = tcgetattr(file)?;
    cfmakeraw(&mut settings);
    tcsetattr(file, SetArg::TCSANOW, &settings)
}

fn cannot_open(path: &str, error: &io::Error) -> HostError {
    let cure = match error.kind() {
        ErrorKind::NotFound => format!("; {}", devices()),
        ErrorKind::PermissionDenied => {
            "; serial lines belong to a group, often dialout: run sudo usermod -aG dialout $USER and log in again"
                .to_owned()
        }
        ErrorKind::ResourceBusy => {
            format!("; another program has it: a terminal, a modem manager, another bench; fuser {path} tells which")
        }
        _ => String::new(),
    };
    HostError(format!("cannot open {path}: {error}{cure}"))
}

fn cannot_set(path: &str, baud: u32, why: &str) -> HostError {
    HostError(format!("cannot run {path} at {baud} baud: {why}; {}", neighbours(baud)))
}

/// The common rates beside one.
#[must_use]
pub fn neighbours(baud: u32) -> String {
    let below = COMMON_BAUDS.into_iter().rfind(|common| *common < baud);
    let above = COMMON_BAUDS.into_iter().find(|common| baud < *common);
    let near: Vec<String> = [below, above].into_iter().flatten().map(|baud| baud.to_string()).collect();
    format!("common rates beside it: {}", near.join(" and "))
}

/// The lines that this machine has, as a clause.
fn devices() -> String {
    let names = std::fs::read_dir("/dev").into_iter().flatten().flatten().map(|entry| entry.file_name());
    let is_line = |name: &String| ["ttyUSB", "ttyACM", "ttyAMA"].iter().any(|kind| name.starts_with(kind));
    let mut names: Vec<String> = names.filter_map(|name| name.into_string().ok()).filter(is_line).collect();
    names.sort();
    let paths: Vec<PathBuf> = names.iter().map(|name| Path::new("/dev").join(name)).collect();
    let paths: Vec<String> = paths.iter().map(|path| path.display().to_string()).collect();
    match paths[..] {
        [] => "this machine has no /dev/ttyUSB* and no /dev/ttyACM*: is the adapter plugged in?".to_owned(),
        _ => format!("this machine has {}", paths.join(", ")),
    }
}
