//! The promise of the reader of `simulate`'s torque: any text is pieces whose ticks ascend and whose torques are finite,
//! under which the plant runs or stops with a named fault; or complaints that name the file.
//!
//! Start reading at [`check`].

use plantstand::trial::examination::{SENSOR, load_noise};
use plantstand::trial::simulation::{read_torque, simulate};

use super::{dough_sheeter, text};

/// Pieces of such a file.
pub const WORDS: &[&str] = &[
    "time_s,torque_nm\n",
    "0.001",
    "0.000125",
    "1e-9",
    "1e300",
    "-1e300",
    "nan",
    "inf",
    ",",
    "\n",
    "\r\n",
    "\"",
    "1e19",
];

/// Ticks that are run under what was read.
const TICKS: u64 = 40;

/// Checks the promise.
pub fn check(bytes: &[u8]) {
    let Some(text) = text(bytes) else { return };
    let scenario = dough_sheeter();
    let rate = scenario.timing.rate;
    match read_torque("x.csv", text, rate) {
        Ok(pieces) => {
            assert!(pieces.windows(2).all(|pair| pair[0].from_tick < pair[1].from_tick), "ticks do not ascend");
            assert!(pieces.iter().all(|piece| piece.torque_nm.is_finite()), "a torque is not finite");
            let noise = load_noise(&scenario.machine, rate, scenario.seed, SENSOR);
            let found =
                simulate(&scenario.machine.plant, &scenario.machine.initial, rate, noise, &pieces, TICKS, false);
            let finite = !found.states_csv.contains("NaN") && !found.states_csv.contains("inf");
            assert!(finite || found.fault.is_some(), "a state is not finite, and nothing says so");
        }
        Err(complaints) => {
            assert!(!complaints.is_empty(), "refused without a complaint");
            assert!(complaints.iter().all(|complaint| complaint.starts_with("x.csv:")), "{complaints:?}");
        }
    }
}
