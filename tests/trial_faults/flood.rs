//! A second sender that throws a hundred thousand datagrams a second at a bench.
//!
//! What it does not: say anything that a bench would let in. Start reading at [`Flood::start`].

use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Datagrams a second that are aimed at.
const RATE_HZ: f64 = 100_000.0;

/// Datagrams after which the flood looks at the clock.
const BURST: u64 = 100;

/// A flood that lasts until it is stopped.
pub struct Flood {
    stop: Arc<AtomicBool>,
    sent: Arc<AtomicU64>,
    thread: JoinHandle<()>,
    started: Instant,
}

impl Flood {
    /// Starts to throw these datagrams at their targets, in turn, from two sockets.
    pub fn start(targets: Vec<(SocketAddr, Vec<u8>)>) -> Self {
        let (stop, sent) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let (told, count) = (Arc::clone(&stop), Arc::clone(&sent));
        let started = Instant::now();
        let thread = std::thread::spawn(move || throw(&targets, &told, &count));
        Self { stop, sent, thread, started }
    }

    /// How many were thrown so far.
    pub fn sent(&self) -> u64 {
        self.sent.load(Ordering::Acquire)
    }

    /// Ends it: how many were thrown, and how many a second.
    pub fn stop(self) -> (u64, f64) {
        self.stop.store(true, Ordering::Release);
        self.thread.join().expect("the flood ends");
        let sent = self.sent.load(Ordering::Acquire);
        (sent, sent as f64 / self.started.elapsed().as_secs_f64())
    }
}

fn throw(targets: &[(SocketAddr, Vec<u8>)], stop: &AtomicBool, count: &AtomicU64) {
    let socket = || UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).expect("a socket");
    let (sockets, started) = ([socket(), socket()], Instant::now());
    let mut sent = 0_u64;
    while !stop.load(Ordering::Acquire) {
        for _ in 0..BURST {
            let (target, bytes) = &targets[sent as usize % targets.len()];
            // A full buffer drops what does not fit: so does a network.
            let _ = sockets[(sent / 7) as usize % 2].send_to(bytes, target);
            sent += 1;
        }
        count.store(sent, Ordering::Release);
        let due = Duration::from_secs_f64(sent as f64 / RATE_HZ);
        std::thread::sleep(due.saturating_sub(started.elapsed()));
    }
}
