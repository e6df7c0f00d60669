//! A method as a child process: started in a process group of its own, watched, its output kept, ended with the trial.
//!
//! What it does not: speak to it; that goes over the link. Start reading at [`Child::start`].

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::process::Stdio;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use tokio::io::AsyncReadExt;
use tokio::process::Command;

use crate::host::files::{HostError, token_to_hex};
use crate::host::strike::{STRUCK_MAX_BYTES, Strike};

/// How much of a method's output is kept: a chatty method must not fill a disk.
const OUTPUT_MAX_BYTES: usize = 4 << 20;

/// How long output is waited for that a method left in its pipes when it exited. Longer waits only for programs that it
/// left behind, and those are ended with it.
const OUTPUT_AFTER_EXIT: Duration = Duration::from_millis(500);

/// A running method.
#[derive(Debug)]
pub struct Child {
    group: Pid,
    state: Arc<State>,
    waiter: Option<JoinHandle<()>>,
}

#[derive(Debug, Default)]
struct State {
    ended: Mutex<Option<String>>,
    gone: AtomicBool,
}

impl Child {
    /// Starts a program with the link and the token in its environment. Its output goes to two files, the token struck;
    /// where there is no place for them its complaints are seen where ours are, and the rest is dropped.
    ///
    /// # Errors
    /// Names the program and why it could not be started.
    pub fn start(words: &[String], link: &str, token: &[u8; 16], output: Option<PathBuf>) -> Result<Self, HostError> {
        let words = words.to_vec();
        let environment = [("PLANTSTAND_LINK", link.to_owned()), ("PLANTSTAND_TOKEN", token_to_hex(token))];
        let output = output.map(|path| Output { path, strike: Strike::of(token) });
        let state = Arc::new(State::default());
        let (started, outcome) = std::sync::mpsc::channel();
        let theirs = Arc::clone(&state);
        let waiter = std::thread::spawn(move || {
            let run = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
                Ok(runtime) => runtime.block_on(run(&words, &environment, output.as_ref(), &started, &theirs)),
                Err(error) => Err(format!("cannot wait for a child process: {error}")),
            };
            if let Err(text) = run {
                // The receiver is there until the start has been reported.
                drop(started.send(Err(HostError(text))));
            }
        });
        let group =
            outcome.recv().unwrap_or_else(|_| Err(HostError("the child process was not started".to_owned())))?;
        Ok(Self { group, state, waiter: Some(waiter) })
    }

    /// How the method ended, as a clause (`exited with status 1`); `None` while it runs.
    #[must_use]
    pub fn ended(&self) -> Option<String> {
        if !self.state.gone.load(Ordering::Acquire) {
            return None;
        }
        self.state.ended.lock().ok().and_then(|ended| ended.clone())
    }

    /// Ends the method and all that it started, and waits until its output is written.
    pub fn end(mut self) {
        self.kill(Signal::SIGKILL);
        if let Some(waiter) = self.waiter.take() {
            drop(waiter.join());
        }
    }

    fn kill(&self, signal: Signal) {
        // The group may have ended by itself: nothing to kill is what was wanted.
        let _ = killpg(self.group, signal);
    }
}

impl Drop for Child {
    fn drop(&mut self) {
        if self.waiter.is_some() {
            self.kill(Signal::SIGKILL);
        }
    }
}

impl State {
    fn end(&self, text: String) {
        if let Ok(mut ended) = self.ended.lock() {
            *ended = Some(text);
        }
        self.gone.store(true, Ordering::Release);
    }
}

/// Where a method's output goes.
struct Output {
    /// A file name, to which an ending is added for each stream.
    path: PathBuf,
    strike: Strike,
}

impl Output {
    /// A file for one of the streams; none where it cannot be made, for the output decides nothing.
    fn open(&self, ending: &str) -> Option<Kept> {
        let file = File::create(self.path.with_extension(ending)).ok()?;
        Some(Kept { file, strike: self.strike.clone(), held: Vec::new(), room_bytes: OUTPUT_MAX_BYTES })
    }
}

type Started = std::sync::mpsc::Sender<Result<Pid, HostError>>;

async fn run(
    words: &[String],
    environment: &[(&str, String)],
    output: Option<&Output>,
    started: &Started,
    state: &State,
) -> Result<(), String> {
    let [program, arguments @ ..] = words else {
        return Err("the method's command is empty".to_owned());
    };
    let mut child = Command::new(program)
        .args(arguments)
        .envs(environment.iter().map(|(name, value)| (*name, value.as_str())))
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .process_group(0)
        .kill_on_drop(true)
        .spawn()
        .map_err(|error| format!("cannot start the method '{program}': {error}"))?;
    let pid = child.id().and_then(|id| i32::try_from(id).ok()).ok_or("the method ended at once")?;
    drop(started.send(Ok(Pid::from_raw(pid))));
    let (out, error) = (child.stdout.take(), child.stderr.take());
    let pass_on = output.is_none();
    let out = tokio::spawn(keep(out, output.and_then(|output| output.open("out.txt")), false));
    let error = tokio::spawn(keep(error, output.and_then(|output| output.open("err.txt")), pass_on));
    state.end(describe(child.wait().await));
    // Whatever it left behind may hold the pipes open for as long as it likes.
    let both = async { tokio::join!(out, error) };
    drop(tokio::time::timeout(OUTPUT_AFTER_EXIT, both).await);
    Ok(())
}

fn describe(status: std::io::Result<std::process::ExitStatus>) -> String {
    use std::os::unix::process::ExitStatusExt;
    match status {
        Ok(status) => match (status.code(), status.signal()) {
            (Some(code), _) => format!("exited with status {code}"),
            (None, Some(signal)) => format!("was ended by signal {signal}"),
            (None, None) => "ended".to_owned(),
        },
        Err(error) => format!("could not be waited for: {error}"),
    }
}

/// Copies a stream into a file up to a limit, or passes it on to standard error; what comes beyond is read and dropped,
/// so that the method never blocks.
async fn keep(stream: Option<impl AsyncReadExt + Unpin>, mut kept: Option<Kept>, pass_on: bool) {
    let Some(mut stream) = stream else { return };
    let mut buffer = [0_u8; 8192];
    while let Ok(length @ 1..) = stream.read(&mut buffer).await {
        if let Some(kept) = &mut kept {
            kept.add(&buffer[..length]);
        } else if pass_on {
            // Whoever watches standard error may have gone.
            drop(std::io::stderr().write_all(&buffer[..length]));
        }
    }
}

/// A file with a method's output, the token struck. Plain blocking writes: the thread that waits for the method has
/// nothing else to do.
struct Kept {
    file: File,
    strike: Strike,
    /// The end of what came, held back since a token may have begun in it.
    held: Vec<u8>,
    room_bytes: usize,
}

impl Kept {
    fn add(&mut self, bytes: &[u8]) {
        let length = bytes.len().min(self.room_bytes);
        self.room_bytes -= length;
        self.held.extend_from_slice(&bytes[..length]);
        self.strike.from(&mut self.held);
        let ready = self.held.len().saturating_sub(STRUCK_MAX_BYTES - 1);
        drop(self.file.write_all(&self.held[..ready]));
        self.held.drain(..ready);
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        drop(self.file.write_all(&self.held));
    }
}
