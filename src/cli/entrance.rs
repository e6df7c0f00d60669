//! Where a method may knock: the door for every kind of link, opened before anything is kept or started.
//!
//! What it does not: wait at it (`keeper.rs`). Start reading at [`Entrance::open`].

use std::path::Path;

use crate::bench::budget::Budget;
use crate::cli::Stop;
use crate::cli::token;
use crate::cli::tuning::{Caller, Carrier};
use crate::host::door::Door;
use crate::host::link_name::LinkName;
use crate::host::porter::Rules;
use crate::host::serial::SerialDoor;
use crate::host::tty;
use crate::host::udp::{Target, UdpDoor};
use crate::wire::message::Accept;

/// Who may come in, by which way.
pub struct Ways<'a> {
    /// Who is expected.
    pub caller: &'a Caller,
    /// What carries the frames of a method that the program starts.
    pub carrier: Carrier,
    /// Where the token for `--listen` stands.
    pub token_file: Option<&'a Path>,
    /// Whether frames are sealed on this machine too.
    pub seal: bool,
    /// Whether a method that lost its connection may come back.
    pub may_open_again: bool,
    /// Whether a line that is too slow for what `accept` says is refused; who only measures it need not be.
    pub needs_the_pace: bool,
}

/// A door, opened before anything is kept or started, so that a wrong word or a port that is taken leaves nothing behind.
pub struct Entrance {
    /// The door.
    pub door: Box<dyn Door>,
    /// What who comes in is told.
    pub accept: Accept,
    /// The token of the run.
    pub token: [u8; 16],
    /// Whether a method that is waited for is told the token: one that was made for this run, and is asked for.
    pub shown: bool,
}

impl Entrance {
    /// Opens the door. `accept` gets a nonce of its own here, and its port with each connection.
    ///
    /// # Errors
    /// What was typed wrongly, a line that is too slow, or a port that is taken.
    pub fn open(ways: &Ways<'_>, mut accept: Accept) -> Result<Self, Stop> {
        let Ways { caller, carrier, token_file, seal, may_open_again, needs_the_pace } = *ways;
        let token = token::for_caller(caller, token_file)?;
        let fresh = token::fresh()?;
        accept.nonce = u64::from_le_bytes(std::array::from_fn(|place| fresh[place]));
        let chosen = token::is_chosen(caller, token_file);
        if let Caller::Outside { link } = caller
            && let LinkName::Serial { path, baud } = LinkName::parse(link).map_err(Stop::Usage)?
        {
            refuse_seal(seal)?;
            if needs_the_pace {
                check_line(&path, baud, &accept)?;
            }
            let door = SerialDoor::open(&path, baud, chosen.then_some(token), accept)?;
            return Ok(Self { door: Box::new(door), accept, token, shown: false });
        }
        let door: Box<dyn Door> = match (caller, carrier) {
            (Caller::Outside { .. }, _) | (_, Carrier::Udp) => {
                let Target { address, sealed } = token::target(caller, token_file, seal)?;
                Box::new(UdpDoor::open(address, Rules { token, accept, sealed, may_open_again })?)
            }
            (_, Carrier::Pty) => {
                refuse_seal(seal)?;
                Box::new(SerialDoor::pty(token, accept)?)
            }
        };
        Ok(Self { door, accept, token, shown: !chosen })
    }
}

/// Nobody shall believe that frames are sealed which are not.
fn refuse_seal(asked: bool) -> Result<(), Stop> {
    if asked {
        return Err(Stop::Usage("--seal: frames on a serial line are not sealed; allowed: links over UDP".to_owned()));
    }
    Ok(())
}

/// Says what a line can carry, and refuses one that is too slow for the run. A pty is as fast as both sides are.
fn check_line(path: &str, baud: u32, accept: &Accept) -> Result<(), Stop> {
    if tty::is_pty(path) {
        return Ok(());
    }
    match Budget::of(accept).check(baud) {
        Ok(carries) => eprintln!("{carries}"),
        Err(too_slow) => return Err(Stop::Usage(format!("--listen serial:{path}:{baud}: {too_slow}"))),
    }
    Ok(())
}
