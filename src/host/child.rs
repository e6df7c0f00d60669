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

use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use tokio::io::AsyncReadExt;
use tokio::process::Command;

use crate::host::files::HostError;

/// How much of a method's output is kept: a chatty method must not fill a disk.
const OUTPUT_MAX_BYTES: usize = 4 << 20;

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
    /// Starts a program with the link and the token in its environment. Its output goes to a file, or is passed on to
    /// standard error where there is none.
    ///
    /// # Errors
    /// Names the program and why it could not be started.
    pub fn start(words: &[String], link: &str, token_hex: &str, output: Option<PathBuf>) -> Result<Self, HostError> {
        let words = words.to_vec();
        let environment = [("PLANTSTAND_LINK", link.to_owned()), ("PLANTSTAND_TOKEN", token_hex.to_owned())];
        let state = Arc::new(State::default());
        let (started, outcome) = std::sync::mpsc::channel();
        let theirs = Arc::clone(&state);
        let waiter = std::thread::spawn(move || {
            let text = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
                Ok(runtime) => runtime.block_on(run(&words, &environment, output, &started)),
                Err(error) => Err(format!("cannot wait for a child process: {error}")),
            };
            match text {
                Ok(text) => theirs.end(text),
                // The receiver is there until the start has been reported.
                Err(text) => drop(started.send(Err(HostError(text)))),
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

type Started = std::sync::mpsc::Sender<Result<Pid, HostError>>;

async fn run(
    words: &[String],
    environment: &[(&str, String)],
    output: Option<PathBuf>,
    started: &Started,
) -> Result<String, String> {
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
    let output = output.as_deref();
    let (status, (), ()) = tokio::join!(
        child.wait(),
        keep(out, output.map(|path| path.with_extension("out.txt"))),
        keep(error, output.map(|path| path.with_extension("err.txt"))),
    );
    Ok(describe(status))
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

/// Copies a stream into a file up to a limit; what comes beyond is read and dropped, so that the method never blocks.
async fn keep(stream: Option<impl AsyncReadExt + Unpin>, path: Option<PathBuf>) {
    let Some(mut stream) = stream else { return };
    // Plain blocking writes: this thread has nothing else to do.
    let mut file = path.and_then(|path| File::create(path).ok());
    let mut buffer = [0_u8; 8192];
    let mut room = OUTPUT_MAX_BYTES;
    while let Ok(length @ 1..) = stream.read(&mut buffer).await {
        let kept = length.min(room);
        room -= kept;
        if let Some(file) = &mut file {
            drop(file.write_all(&buffer[..kept]));
        }
    }
}
