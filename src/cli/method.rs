//! `plantstand method NAME`: a carried method as a client, like any outsider.
//!
//! It finds the link and the token in its environment. What it does not: know the scenario. Start reading at [`run`].

use crate::cli::output;
use crate::cli::probe::ECHO;
use crate::cli::{Outcome, Stop};
use crate::host::files::{fresh_token, token_from_hex};
use crate::host::link_name::LinkName;
use crate::host::serial::SerialTransport;
use crate::host::udp::{Target, UdpTransport};
use crate::method::Carried;
use crate::method::client::{Client, Transport};
use crate::method::sealed::SealedTransport;

/// Runs a carried method until it is done or stops.
///
/// # Errors
/// An unknown name, a missing or wrong environment, or what the machine refused.
pub fn run(name: &str) -> Result<Outcome, Stop> {
    let method = Carried::from_name(name);
    if method.is_none() && name != ECHO {
        let names = Carried::ALL.map(Carried::name).join(", ");
        return Err(Stop::Usage(format!("method '{name}' is not carried; carried are: {names}")));
    }
    let link = from_environment("PLANTSTAND_LINK")?;
    let token = from_environment("PLANTSTAND_TOKEN")?;
    let token = token_from_hex(&token).ok_or_else(|| Stop::Usage("PLANTSTAND_TOKEN holds no 32 hex digits".into()))?;
    match LinkName::parse(&link).map_err(Stop::Usage)? {
        LinkName::Udp(Target { address, sealed: false }) => serve(method, UdpTransport::towards(address)?, token),
        LinkName::Udp(Target { address, sealed: true }) => {
            let socket = UdpTransport::towards(address)?;
            serve(method, SealedTransport::new(socket, &token, fresh_token()?), token)
        }
        LinkName::Serial { path, baud } => serve(method, SerialTransport::open(&path, baud)?, token),
    }
}

/// Serves as a method, or without one as somebody who only answers probes.
fn serve(method: Option<Carried>, transport: impl Transport, token: [u8; 16]) -> Result<Outcome, Stop> {
    let name = method.map_or(ECHO, Carried::name);
    let served = match method {
        Some(method) => method.serve(transport, token),
        None => Err(transport),
    };
    let finished = match served {
        Ok(finished) => finished,
        Err(transport) => {
            let opened = Client::open(transport, token, name);
            let Some(method) = method else { return echoed(opened.map(drop)) };
            let mut client = opened.map_err(|stop| Stop::Unable(stop.to_string()))?;
            method.run(&mut client).and_then(|_| client.done())
        }
    };
    match finished {
        Ok(result) => {
            output::print(&format!("{}: {}\n", result.verdict.name(), result.text.as_str()))?;
            Ok(Outcome::Pass)
        }
        Err(stop) => {
            output::print(&format!("stopped: {stop}\n"))?;
            Ok(Outcome::Fail)
        }
    }
}

/// A client that waits for its first feedback answers every probe meanwhile; a probing bench sends none and ends the run.
fn echoed(opened: Result<(), crate::method::axis::Stop>) -> Result<Outcome, Stop> {
    match opened {
        Ok(()) => Err(Stop::Usage("echo answers probes; this bench wants a method: score --by careful".into())),
        Err(stop) => {
            output::print(&format!("stopped: {stop}\n"))?;
            Ok(Outcome::Pass)
        }
    }
}

fn from_environment(name: &str) -> Result<String, Stop> {
    std::env::var(name).map_err(|_| {
        Stop::Usage(format!("{name} is not set; a method is started by 'plantstand score', which sets it"))
    })
}
