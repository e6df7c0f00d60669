//! Tuning by hand: moves that a test makes through a well-behaved client.
//!
//! What it does not: tune well. Start reading at [`enable`].

use plantstand::method::client::{Client, Transport};
use plantstand::wire::message::Value;

/// Walks the drive to operation enabled.
pub fn enable<T: Transport>(client: &mut Client<T>) {
    for controlword in [0x06, 0x07, 0x0F, 0x0F] {
        client.command(controlword, &[Value::default()]).expect("the bench answers");
    }
}

/// Asks for a speed during so many exchanges; stops early when the bench ends the run.
pub fn turn<T: Transport>(client: &mut Client<T>, speed_rad_per_s: f64, exchanges: u32) {
    for _ in 0..exchanges {
        let value = Value { speed_rad_per_s, ..Value::default() };
        if client.command(0x0F, &[value]).is_err() {
            return;
        }
    }
}

/// Switches off.
pub fn disable<T: Transport>(client: &mut Client<T>) {
    for controlword in [0x06, 0x00] {
        client.command(controlword, &[Value::default()]).expect("the bench answers");
    }
}
