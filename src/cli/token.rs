//! Tokens and addresses: who may connect, and where.
//!
//! What it does not: open sockets. Start reading at [`for_caller`].

use std::net::{Ipv4Addr, SocketAddr};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use crate::cli::Stop;
use crate::cli::tuning::Caller;
use crate::host::files::{HostError, fresh_token, read_text, refused, token_from_hex};
use crate::host::udp::Target;

/// A token that nobody can guess.
///
/// # Errors
/// A system without randomness.
pub fn fresh() -> Result<[u8; 16], HostError> {
    fresh_token()
}

/// Whether somebody chose the run's token: in a file, or for `--listen` in `PLANTSTAND_TOKEN`.
#[must_use]
pub fn is_chosen(caller: &Caller, file: Option<&Path>) -> bool {
    file.is_some() || (matches!(caller, Caller::Outside { .. }) && std::env::var_os("PLANTSTAND_TOKEN").is_some())
}

/// The token of a run: a fresh one for a child process; for `--listen` the one in a file or in `PLANTSTAND_TOKEN`, and a
/// fresh one where there is neither.
///
/// # Errors
/// A file that others may read, or a token that is none.
pub fn for_caller(caller: &Caller, file: Option<&Path>) -> Result<[u8; 16], Stop> {
    let given = match (caller, file) {
        (_, Some(path)) => Some((path.display().to_string(), from_file(path)?)),
        (Caller::Outside { .. }, None) => {
            std::env::var("PLANTSTAND_TOKEN").ok().map(|hex| ("PLANTSTAND_TOKEN".to_owned(), hex))
        }
        _ => None,
    };
    match given {
        None => Ok(fresh()?),
        Some((place, hex)) => {
            token_from_hex(&hex).ok_or_else(|| Stop::Usage(format!("{place} holds no token; allowed: 32 hex digits")))
        }
    }
}

fn from_file(path: &Path) -> Result<String, Stop> {
    let facts = std::fs::metadata(path).map_err(|error| refused("read", path, &error))?;
    let mode = facts.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        let path = path.display();
        return Err(Stop::Unable(format!("{path} may be read by others (mode {mode:o}); run: chmod 600 {path}")));
    }
    Ok(read_text(path)?)
}

/// Where to listen and whether frames are sealed: what was asked for, or any free port of the loopback.
///
/// # Errors
/// A link that names no address, or one beyond this machine without a token that both sides know.
pub fn target(caller: &Caller, file: Option<&Path>, seal: bool) -> Result<Target, Stop> {
    let Caller::Outside { link } = caller else {
        return Ok(Target { address: SocketAddr::from((Ipv4Addr::LOCALHOST, 0)), sealed: seal });
    };
    let found = Target::parse(link).map_err(Stop::Usage)?;
    if !found.address.ip().is_loopback() && !is_chosen(caller, file) {
        return Err(Stop::Usage(format!(
            "{link}: beyond this machine a link needs a token that both sides know; make one with \
             '(umask 077; openssl rand -hex 16 > token)' and add --token-file token, or set PLANTSTAND_TOKEN"
        )));
    }
    Ok(Target { sealed: found.sealed || seal, ..found })
}
