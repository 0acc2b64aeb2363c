//! A balance and a probe on serial lines that can be pulled.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use stillstand::rehearsal::pty::Pty;
use tokio::sync::{RwLock, watch};

/// An instrument on its line; cheap to clone.
#[derive(Debug, Clone)]
pub struct Wire(Arc<RwLock<Pty>>);

impl Wire {
    pub fn open(link: &Path) -> Self {
        Self(Arc::new(RwLock::new(Pty::open(link).unwrap())))
    }

    pub async fn say(&self, bytes: impl AsRef<[u8]>) {
        super::soon("the line takes the bytes", self.0.read().await.write(bytes.as_ref())).await.unwrap();
    }

    /// Answers each request with what `says` gives, until dropped or the cable is pulled.
    pub fn answers(
        &self,
        request: &'static str,
        says: watch::Receiver<String>,
    ) -> tokio::task::JoinHandle<()> {
        let line = self.clone();
        tokio::spawn(async move {
            let mut heard = Vec::new();
            let mut buffer = [0; 64];
            loop {
                let pty = line.0.read().await;
                let Ok(length) = pty.read(&mut buffer).await else { return };
                heard.extend_from_slice(&buffer[..length]);
                let asked = request.as_bytes();
                while let Some(at) = heard.windows(asked.len()).position(|part| part == asked) {
                    heard.drain(..at + asked.len());
                    let answer = says.borrow().clone();
                    if pty.write(answer.as_bytes()).await.is_err() {
                        return;
                    }
                }
            }
        })
    }

    pub async fn pull(&self) {
        self.0.write().await.unplug().unwrap();
    }

    pub async fn put_back(&self) {
        self.0.write().await.replug().unwrap();
    }

    /// What the kernel does for a real port when its last opener is killed.
    pub async fn free(&self) {
        // A cable that is out is free anyway.
        let _ = self.0.read().await.free();
    }
}

/// The balance's line of the shape `balance-trailing-mark`, as its print key sends it.
pub fn print_key(grams: &str) -> String {
    format!("{grams:>11} g\r\n")
}

/// The same while the load still moves.
pub fn print_key_moving(grams: &str) -> String {
    format!("{grams:>11} g ?\r\n")
}

/// The probe's line of the shape `probe-text-unit`.
pub fn probe_line(celsius: &str) -> String {
    format!("TEMP {celsius:>6} C\r\n")
}

/// A probe that speaks by itself, several times a second, until dropped.
pub struct Probe {
    pub wire: Wire,
    /// What it shows; empty: it keeps silent.
    pub shows: watch::Sender<String>,
    task: tokio::task::JoinHandle<()>,
}

impl Probe {
    pub fn start(wire: Wire, celsius: &str) -> Self {
        let (shows, display) = watch::channel(celsius.to_owned());
        let line = wire.clone();
        let task = tokio::spawn(async move {
            let mut tick = tokio::time::interval(Duration::from_millis(250));
            loop {
                tick.tick().await;
                let text = display.borrow().clone();
                if !text.is_empty() {
                    // Nobody listens, or the cable is out: a real probe would not notice either.
                    let said = async { line.0.read().await.write(probe_line(&text).as_bytes()).await };
                    let _ = tokio::time::timeout(Duration::from_millis(200), said).await;
                }
            }
        });
        Self { wire, shows, task }
    }
}

impl Drop for Probe {
    fn drop(&mut self) {
        self.task.abort();
    }
}
