//! `plantstand describe`: a machine in numbers and a Bode plot; with settings the loop's margins on every machine.
//!
//! What it does not: compute or draw (`linear`, `report`). Start reading at [`run`].

use std::path::{Path, PathBuf};

use crate::cli::arguments::DescribeArguments;
use crate::cli::output;
use crate::cli::score::read_scenario;
use crate::cli::{Outcome, Stop};
use crate::drive::setting::Settings;
use crate::drive::store::Bounds;
use crate::host::files::{read_text, write_whole};
use crate::report::describe::describe_text;
use crate::report::dots::terminal_bode;
use crate::report::machine_curves;
use crate::report::machine_facts;
use crate::report::machine_page::machine_page;
use crate::scenario::{Scenario, settings_file};

/// Runs the command.
///
/// # Errors
/// Complaints about the files, or what the machine refused.
pub fn run(arguments: &DescribeArguments) -> Result<Outcome, Stop> {
    let (scenario, _) = read_scenario(&arguments.file)?;
    if arguments.settings.is_some() && !scenario.drive_closes_the_loop() {
        let why =
            "--settings: the speed loop of this scenario is closed outside, so that settings do not say what it is";
        return Err(Stop::Usage(why.to_owned()));
    }
    let settings = arguments.settings.as_deref().map(|path| read_settings(path, &scenario)).transpose()?;
    let style = output::style();
    let facts = machine_facts::facts(&scenario, settings.as_ref());
    if let Some(path) = &arguments.html {
        let curves = machine_curves::curves(&scenario, settings.as_ref());
        let page = machine_page(&facts, &curves, &machine_facts::plant_curves(&scenario));
        write_whole(path, page.as_bytes())?;
    }
    let mut text = describe_text(&facts, style);
    text.push_str("\nTorque command to motor speed, friction slipping, gaps closed (dB of rad/s per Nm):\n");
    text.push_str(&terminal_bode(&machine_facts::plant_bode(&scenario), style));
    if let Some(settings) = &settings {
        text.push_str("\nThe loop with these settings, opened at the torque command:\n");
        text.push_str(&terminal_bode(&machine_facts::loop_bode(&scenario, settings), style));
    }
    output::print(&text)?;
    Ok(Outcome::Pass)
}

/// Settings from a file, or from a record that holds one. What the file does not name stays as the scenario has it.
fn read_settings(path: &Path, scenario: &Scenario) -> Result<Settings, Stop> {
    let file: PathBuf = if path.is_dir() { path.join("settings.toml") } else { path.to_path_buf() };
    let bounds = Bounds::new(scenario.timing.rate, &scenario.nameplate);
    settings_file::read(&file.display().to_string(), &read_text(&file)?, &bounds, scenario.settings)
        .map_err(|complaints| Stop::Usage(complaints.join("\n")))
}
