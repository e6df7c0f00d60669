//! `plantstand replay RECORD`: the same run again from its record, compared bit by bit.
//!
//! What it does not: wait for anybody: the recorded frames stand for the method. Start reading at [`run`].

use std::path::Path;

use crate::cli::output;
use crate::cli::score::read_scenario;
use crate::cli::trial::program;
use crate::cli::{Outcome, Stop};
use crate::host::files::{read_text, refused};
use crate::scenario::Pace;
use crate::trial::bits::sha256_hex;
use crate::trial::examination::NOMINAL;
use crate::trial::judgement::{judge, pace_name};
use crate::trial::phases::Identity;
use crate::trial::replay::replay;
use crate::trial::result::TrialResult;

/// Runs the command: 0 when every bit is the same, 1 when one differs.
///
/// # Errors
/// A folder that is no record, or a file that cannot be read.
pub fn run(folder: &Path) -> Result<Outcome, Stop> {
    let then = recorded_result(folder)?;
    let (mut scenario, text) = read_scenario(&folder.join("scenario.toml"))?;
    if sha256_hex(text.as_bytes()) != then.scenario.sha256 {
        return Err(Stop::Usage(format!("{}: scenario.toml is not the one that was run", folder.display())));
    }
    say_other_version(&then);
    scenario.timing.pace = if then.pace == pace_name(Pace::RealTime) { Pace::RealTime } else { Pace::Lockstep };
    let frames = folder.join("frames.bin");
    let bytes = std::fs::read(&frames).map_err(|error| refused("read", &frames, &error))?;
    let seed = then.scenario.seed;
    let corners = scenario.corners.iter().map(|corner| corner.name.as_str());
    let names: Vec<&str> = std::iter::once(NOMINAL).chain(corners).collect();
    let machines: Vec<usize> =
        then.machines.iter().filter_map(|machine| names.iter().position(|name| name == machine)).collect();
    let (mut tuned, examined) = replay(&scenario, seed, &machines, &bytes, then.tuning_ended, then.link.link.clone())
        .ok_or_else(|| Stop::Usage(format!("{} is no record of frames", frames.display())))?;
    // How well the clock was kept then is copied: there is no clock now.
    tuned.timing = then.timing.clone();
    let identity =
        Identity { program: then.program.clone(), scenario: then.scenario.clone(), method: then.method.clone() };
    let now = judge(&scenario, &identity, &tuned, examined.as_ref());
    compare(&then, &now)
}

fn recorded_result(folder: &Path) -> Result<TrialResult, Stop> {
    let path = folder.join("result.json");
    if !path.exists() {
        let cut_off = folder.join("tuning.journal").exists();
        let why = if cut_off {
            "the run was cut off before its end; record.txt there says what is kept"
        } else {
            "no record"
        };
        return Err(Stop::Usage(format!("{}: it holds no result.json: {why}", folder.display())));
    }
    serde_json::from_str(&read_text(&path)?)
        .map_err(|error| Stop::Usage(format!("{} is not a result of this version: {error}", path.display())))
}

/// Another program may compute other bits; that is named before anything is compared.
fn say_other_version(then: &TrialResult) {
    let now = program();
    if then.program.version != now.version {
        eprintln!("recorded by version {}, this is {}", then.program.version, now.version);
    } else if then.program.sha256 != now.sha256 {
        eprintln!("recorded by another build of version {}", now.version);
    }
}

fn compare(then: &TrialResult, now: &TrialResult) -> Result<Outcome, Stop> {
    let same_bits = then.bits_sha256 == now.bits_sha256;
    let same_numbers = then.limits == now.limits && then.measures == now.measures && then.settings == now.settings;
    let same_judgement =
        then.verdict == now.verdict && then.grade_percent == now.grade_percent && then.conduct == now.conduct;
    if same_bits && same_numbers && same_judgement {
        let bits = &now.bits_sha256;
        output::print(&format!("identical: every recorded state and every measure has the same bits ({bits})\n"))?;
        return Ok(Outcome::Pass);
    }
    output::print(&format!("DIFFERENT: recorded {}, now {}\n", then.bits_sha256, now.bits_sha256))?;
    for (before, after) in then.limits.iter().zip(&now.limits).filter(|(before, after)| before != after) {
        let (name, machine) = (&before.found.measure, &before.found.machine);
        let (then, now) = (before.found.value, after.found.value);
        output::print(&format!("  {name} on {machine}: {then:?} then, {now:?} now\n"))?;
    }
    Ok(Outcome::Fail)
}
