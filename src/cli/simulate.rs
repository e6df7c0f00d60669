//! `plantstand simulate`: the bare plant under a torque from a file.
//!
//! What it does not: compute (`trial/simulation.rs`). Start reading at [`run`].

use crate::cli::arguments::SimulateArguments;
use crate::cli::score::read_scenario;
use crate::cli::{Outcome, Stop};
use crate::host::files::{read_text, try_output, write_whole};
use crate::scenario::END_S_MAX;
use crate::trial::examination::{SENSOR, load_noise};
use crate::trial::simulation::{read_torque, simulate};

/// Runs the command.
///
/// # Errors
/// Complaints about the files, or what the machine refused.
pub fn run(arguments: &SimulateArguments) -> Result<Outcome, Stop> {
    let (scenario, _) = read_scenario(&arguments.file)?;
    let rate = scenario.timing.rate;
    let name = arguments.torque.display().to_string();
    let torque = read_torque(&name, &read_text(&arguments.torque)?, rate).map_err(|all| Stop::Usage(all.join("\n")))?;
    let ticks = match arguments.seconds {
        None => scenario.timing.end_tick,
        Some(seconds) => rate.whole_tick(seconds).filter(|_| seconds <= END_S_MAX).ok_or_else(|| {
            let hz = rate.hz;
            Stop::Usage(format!("--for {seconds}; allowed: whole ticks of 1/{hz} s, up to {END_S_MAX} s"))
        })?,
    };
    try_output(&arguments.out)?;
    arguments.events.as_deref().map_or(Ok(()), try_output)?;
    arguments.energy.as_deref().map_or(Ok(()), try_output)?;
    let machine = &scenario.machine;
    let noise = load_noise(machine, rate, scenario.seed, SENSOR);
    let found = simulate(&machine.plant, &machine.initial, rate, noise, &torque, ticks, arguments.energy.is_some());
    write_whole(&arguments.out, found.states_csv.as_bytes())?;
    if let Some(path) = &arguments.events {
        write_whole(path, found.events_csv.as_bytes())?;
    }
    if let Some(path) = &arguments.energy {
        write_whole(path, found.energy_csv.as_bytes())?;
    }
    match found.fault {
        None => Ok(Outcome::Pass),
        Some(fault) => Err(Stop::Unable(format!("the simulation ended early, what it had is written: {fault}"))),
    }
}
