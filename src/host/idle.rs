//! The processor kept out of its idle states while a run lasts: a sleeping processor takes longer to wake than a datagram
//! takes to cross.
//!
//! It matters in lockstep as much as in real time. What it does not: priorities and memory (`realtime.rs`). Start reading
//! at [`Awake::hold`].

use std::fs::File;
use std::io::{ErrorKind, Write};

/// Where Linux takes the longest time, in microseconds, that a processor may need to wake.
const DEVICE: &str = "/dev/cpu_dma_latency";

/// Holds the idle states off for as long as the value lives.
#[derive(Debug)]
pub struct Awake(#[expect(dead_code, reason = "the system holds the request while the file is open")] File);

impl Awake {
    /// Asks the system for a wake-up time of 0.
    ///
    /// # Errors
    /// Why the system does not take the request, in a sentence with the commands that would grant it.
    pub fn hold() -> Result<Self, String> {
        Self::through(DEVICE)
    }

    fn through(device: &str) -> Result<Self, String> {
        let asked = File::options().write(true).open(device).and_then(|mut file| {
            file.write_all(&0_i32.to_ne_bytes())?;
            Ok(file)
        });
        asked.map(Self).map_err(|error| match error.kind() {
            ErrorKind::NotFound => format!(
                "the processor's idle states could not be held off: this system has no {device} (a container hides it)"
            ),
            ErrorKind::PermissionDenied => format!(
                "the processor's idle states could not be held off: {device}: {error}; to allow it until the next \
                 start: sudo chmod a+rw {device}; for good: echo 'KERNEL==\"cpu_dma_latency\", MODE=\"0666\"' | sudo \
                 tee /etc/udev/rules.d/60-cpu-dma-latency.rules"
            ),
            _ => format!("the processor's idle states could not be held off: {device}: {error}"),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::Awake;

    #[test]
    fn a_device_that_is_not_there_is_named() {
        let refused = Awake::through("/dev/no_such_latency").expect_err("there is no such device");
        assert!(refused.contains("this system has no /dev/no_such_latency"), "{refused}");
    }
}
