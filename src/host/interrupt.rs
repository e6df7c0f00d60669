//! Ctrl-C and a request to terminate, as a flag that the run looks at.
//!
//! What it does not: end anything by itself, so that a run can keep its record. Start reading at [`Interrupt::listen`].

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, channel};

use tokio::signal::unix::{SignalKind, signal};

/// Whether somebody asked the run to end.
#[derive(Clone, Debug, Default)]
pub struct Interrupt(Arc<AtomicBool>);

impl Interrupt {
    /// Listens from when this returns, on a thread of its own. Where the system refuses it, a signal ends the process as
    /// usual.
    #[must_use]
    pub fn listen() -> Self {
        let asked = Self::default();
        let theirs = asked.clone();
        let (listening, heard) = channel::<()>();
        std::thread::spawn(move || {
            if let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() {
                runtime.block_on(wait(listening));
                theirs.0.store(true, Ordering::Release);
            }
        });
        // The other end is dropped once the thread listens, and also when it cannot.
        let _ = heard.recv();
        asked
    }

    /// Whether it was asked for.
    #[must_use]
    pub fn asked(&self) -> bool {
        self.0.load(Ordering::Acquire)
    }
}

async fn wait(listening: Sender<()>) {
    let signals = (signal(SignalKind::interrupt()), signal(SignalKind::terminate()));
    drop(listening);
    match signals {
        (Ok(mut interrupt), Ok(mut terminate)) => {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
            }
        }
        // Nothing to listen to: never ask.
        _ => std::future::pending().await,
    }
}
