//! A link as people and programs name it: `udp:HOST:PORT` or `serial:PATH:BAUD`.
//!
//! What it does not: open it. Start reading at [`LinkName::parse`].

use std::ops::RangeInclusive;

use crate::bench::budget::COMMON_BAUDS;
use crate::host::tty::neighbours;
use crate::host::udp::Target;

/// Rates that some line may have, in baud.
const BAUDS: RangeInclusive<u32> = 300..=COMMON_BAUDS[COMMON_BAUDS.len() - 1];

/// Where a link leads.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkName {
    /// Datagrams at an address, sealed or not.
    Udp(Target),
    /// A serial line.
    Serial {
        /// Its device.
        path: String,
        /// Its rate.
        baud: u32,
    },
}

impl LinkName {
    /// From a name, split at its last colon.
    ///
    /// # Errors
    /// Says what was found and what is allowed.
    pub fn parse(name: &str) -> Result<Self, String> {
        match name.split_once(':') {
            Some(("udp" | "sealed-udp", _)) => Target::parse(name).map(Self::Udp),
            Some(("serial", line)) => parse_serial(name, line),
            _ => Err(format!(
                "link '{name}'; allowed: udp:HOST:PORT, such as udp:127.0.0.1:7000, or serial:PATH:BAUD, such as \
                 serial:/dev/ttyUSB0:115200"
            )),
        }
    }
}

fn parse_serial(name: &str, line: &str) -> Result<LinkName, String> {
    let allowed = "allowed: serial:PATH:BAUD, such as serial:/dev/ttyUSB0:115200";
    let (path, baud) = line.rsplit_once(':').ok_or_else(|| format!("link '{name}' has no rate; {allowed}"))?;
    if path.is_empty() {
        return Err(format!("link '{name}' names no device; {allowed}"));
    }
    let baud: u32 = baud.parse().map_err(|_| format!("link '{name}': '{baud}' is no rate in baud; {allowed}"))?;
    if !BAUDS.contains(&baud) {
        let (low, high) = (BAUDS.start(), BAUDS.end());
        return Err(format!("link '{name}': {baud} baud; allowed: {low} to {high}; {}", neighbours(baud)));
    }
    Ok(LinkName::Serial { path: path.to_owned(), baud })
}
