//! `plantstand score`: one trial, from the scenario file to the score sheet.
//!
//! What it does not: the trial itself (`trial.rs`), how results look (`report`). Start reading at [`run`].

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::base::impairment::Impairment;
use crate::cli::arguments::ScoreArguments;
use crate::cli::check::{as_text, counted};
use crate::cli::output;
use crate::cli::trial::{Finished, Order, perform};
use crate::cli::tuning::{Caller, Carrier};
use crate::cli::{Outcome, Stop};
use crate::host::files::{refused, time_stamp, try_output, write_whole};
use crate::host::interrupt::Interrupt;
use crate::host::realtime::{Waiting, Wish};
use crate::method::Carried;
use crate::report::terminal;
use crate::scenario::{self, Commands, Pace, Scenario};
use crate::trial::phases;
use crate::wire::message;

/// Reads a scenario; every complaint stops with one line each.
///
/// # Errors
/// Complaints, or a file that cannot be read.
pub fn read_scenario(path: &Path) -> Result<(Scenario, String), Stop> {
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|error| match error.kind() {
        ErrorKind::NotFound => Stop::Usage(format!("{name}: there is no such file")),
        ErrorKind::IsADirectory => Stop::Usage(format!("{name}: this is a folder; name a file in it")),
        _ => refused("read", path, &error).into(),
    })?;
    let nothing_was_run = |mut lines: Vec<String>| {
        let count = counted(lines.len(), "complaint", "complaints");
        lines.push(format!("{name}: {count}, nothing was run"));
        Stop::Usage(lines.join("\n"))
    };
    let text = as_text(&name, &bytes).map_err(|complaint| nothing_was_run(vec![complaint]))?;
    match scenario::read(&name, text) {
        Ok(scenario) => Ok((scenario, text.to_owned())),
        Err(complaints) => Err(nothing_was_run(complaints.iter().map(ToString::to_string).collect())),
    }
}

/// Runs the command.
///
/// # Errors
/// What was typed wrongly, or what the machine refused.
pub fn run(arguments: &ScoreArguments) -> Result<Outcome, Stop> {
    let (mut scenario, text) = read_scenario(&arguments.file)?;
    scenario.impairment = arguments.impair.or(scenario.impairment).filter(|asked| *asked != Impairment::default());
    if let Some(pace) = &arguments.pace {
        scenario.timing.pace = if pace == "real-time" { Pace::RealTime } else { Pace::Lockstep };
    }
    if arguments.spin && scenario.timing.pace == Pace::Lockstep {
        let why = "in lockstep no tick waits for the clock; allowed: a run in real time, such as with --pace real-time";
        return Err(Stop::Usage(format!("--spin: {why}")));
    }
    let machines = phases::machines(&scenario, arguments.corner.as_deref()).ok_or_else(|| no_such_corner(&scenario))?;
    let caller = caller(arguments, scenario.commands)?;
    let seed = arguments.seed.unwrap_or(scenario.seed);
    let patience = output::patience(arguments.patience.as_deref(), &scenario)?;
    if [&arguments.json, &arguments.html].iter().all(|path| path.as_deref() == Some(Path::new("-"))) {
        return Err(Stop::Usage("--json - and --html - both want standard output; name a file for one".to_owned()));
    }
    for path in [&arguments.json, &arguments.html].into_iter().flatten() {
        try_output(path)?;
    }
    let order = Order {
        scenario: &scenario,
        text: &text,
        file: &arguments.file,
        caller,
        seed,
        machines,
        patience,
        wish: Wish { waiting: if arguments.spin { Waiting::SleepThenSpin } else { Waiting::Sleep }, ..Wish::default() },
        carrier: carrier(arguments.link.as_deref()),
        token_file: arguments.token_file.as_deref(),
        seal: arguments.seal,
        folder: record_folder(arguments, seed),
    };
    let finished = perform(&order, &Interrupt::listen())?;
    show(&order, &finished, arguments)?;
    Ok(finished.outcome())
}

/// The complaint about a corner that the scenario has not.
#[must_use]
pub fn no_such_corner(scenario: &Scenario) -> Stop {
    let names: Vec<&str> = scenario.corners.iter().map(|corner| corner.name.as_str()).collect();
    Stop::Usage(format!("--corner names none of this scenario; allowed: {}", names.join(", ")))
}

/// Who tunes, from the options: at most one of them is given.
fn caller(arguments: &ScoreArguments, commands: Commands) -> Result<Caller, Stop> {
    if let Some(link) = &arguments.listen {
        return Ok(Caller::Outside { link: link.clone() });
    }
    if let Some(command) = &arguments.method {
        let words = shlex::split(command).filter(|words| !words.is_empty());
        let words = words.ok_or_else(|| Stop::Usage(format!("--method '{command}' is no command: a quote is open")))?;
        return Ok(Caller::Program { words });
    }
    if !arguments.words.is_empty() {
        return Ok(Caller::Program { words: arguments.words.clone() });
    }
    carried(arguments.by.as_deref(), commands).map(|method| Caller::Carried { method })
}

/// The carried method of a name, or the usual one: it must command what the scenario wants commanded.
///
/// # Errors
/// Says which are allowed.
pub fn carried(name: Option<&str>, commands: Commands) -> Result<Carried, Stop> {
    let wanted = match commands {
        Commands::Speed => message::Commands::Speed,
        Commands::Torque => message::Commands::Torque,
        Commands::Voltage => message::Commands::Voltage,
    };
    let fits = |method: &Carried| method.commands() == wanted;
    let fitting: Vec<Carried> = Carried::ALL.into_iter().filter(fits).collect();
    let found = match name {
        Some(name) => fitting.iter().find(|method| method.name() == name),
        None => fitting.first(),
    };
    found.copied().ok_or_else(|| {
        let names: Vec<&str> = fitting.iter().map(|method| method.name()).collect();
        let why = match name.and_then(Carried::from_name) {
            Some(found) => {
                let does = match found.commands() {
                    message::Commands::Speed => "it tunes a drive",
                    message::Commands::Torque => "it closes the speed loop outside",
                    message::Commands::Voltage => "it closes the current loop outside",
                };
                format!("{does}, and here the outside commands {}", wanted.name())
            }
            None => "no such method is carried".to_owned(),
        };
        Stop::Usage(format!("--by {}: {why}; allowed: {}", name.unwrap_or_default(), names.join(", ")))
    })
}

/// What carries the frames, from the option: its words are checked where it is read.
#[must_use]
pub fn carrier(link: Option<&str>) -> Carrier {
    match link {
        Some("pty") => Carrier::Pty,
        _ => Carrier::Udp,
    }
}

fn record_folder(arguments: &ScoreArguments, seed: u64) -> Option<PathBuf> {
    if arguments.no_record {
        return None;
    }
    let stem = arguments.file.file_stem().map_or_else(|| "scenario".into(), std::ffi::OsStr::to_string_lossy);
    let usual = || Path::new("records").join(format!("{stem}-{}-{seed}", time_stamp()));
    Some(arguments.record.clone().unwrap_or_else(usual))
}

/// The sheet goes to standard output, unless the JSON or the page does.
fn show(order: &Order<'_>, finished: &Finished, arguments: &ScoreArguments) -> Result<(), Stop> {
    if let Some(path) = &arguments.html {
        write_whole(path, finished.page(order).as_bytes())?;
    }
    let mut sheet = terminal::score_sheet(&finished.result, output::style());
    if let Some(folder) = &order.folder {
        sheet.push_str(&format!("\nThe report with pictures: {}\n", folder.join("report.html").display()));
        sheet.push_str(&format!("The same run again:       plantstand replay {}\n", folder.display()));
    }
    if let Some(path) = &arguments.json {
        write_whole(path, finished.json()?.as_bytes())?;
    }
    let taken = [&arguments.json, &arguments.html].iter().any(|path| path.as_deref() == Some(Path::new("-")));
    if !taken {
        output::print(&sheet)?;
    }
    Ok(())
}
