//! A bench with its settings folder, its serial lines and its supervisor, without the program.

use super::lines::{Probe, Wire};
use super::running::Running;
use super::{Folder, PROGRAM, soon};
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::Stdio;
use std::sync::atomic::{AtomicU32, Ordering};
use tokio::net::UnixDatagram;
use tokio::process::Command;

/// The station's id in topics.
pub const STATION: &str = "test-bench";

pub struct Site {
    pub folder: Folder,
    pub balance: Wire,
    pub probe: Probe,
    starts: AtomicU32,
}

/// Settings of a bench of eight places; `more` is appended.
pub fn settings(folder: &Folder, broker: Option<u16>, more: &str) -> String {
    let (shipped, own) = (env!("CARGO_MANIFEST_DIR"), folder.path().display());
    let mut text = format!(
        "[station]\nid = \"{STATION}\"\ntitle = \"Bench of a test\"\n\
         methods = \"{shipped}/config/methods\"\nshapes = \"{shipped}/config/instruments\"\n\
         [journal]\npath = \"journal.sqlite\"\n[web]\nlisten = \"127.0.0.1:0\"\n\
         [instruments.balance]\nkind = \"balance\"\nport = \"{own}/balance.port\"\n\
         shape = \"balance-trailing-mark\"\n\
         [instruments.probe]\nkind = \"solution-probe\"\nport = \"{own}/probe.port\"\n\
         shape = \"probe-text-unit\"\n\
         [triggers.shaker]\ndoes = \"shaker-contact\"\n[triggers.foot-switch]\ndoes = \"next\"\n"
    );
    for place in 1..=8 {
        writeln!(text, "[triggers.place-{place}]\ndoes = \"next\"\nplace = {place}").unwrap();
    }
    if let Some(port) = broker {
        writeln!(text, "[network]\nhost = \"127.0.0.1\"\nport = {port}").unwrap();
    }
    text.push_str(more);
    text
}

impl Site {
    /// A bench whose probe shows 22.4 degrees.
    pub fn new(name: &str, broker: Option<u16>) -> Self {
        let folder = Folder::new(name);
        let text = settings(&folder, broker, "");
        folder.write("stillstand.toml", &text);
        let balance = Wire::open(&folder.file("balance.port"));
        let probe = Probe::start(Wire::open(&folder.file("probe.port")), "22.4");
        Self { folder, balance, probe, starts: AtomicU32::new(0) }
    }

    pub fn journal(&self) -> PathBuf {
        self.folder.file("journal.sqlite")
    }

    /// Starts the program without waiting for it.
    pub fn launch(&self, environment: &[(&str, &str)]) -> Launched {
        let start = self.starts.fetch_add(1, Ordering::Relaxed);
        let socket = self.folder.file(&format!("notify-{start}"));
        let notify = UnixDatagram::bind(&socket).unwrap();
        let log = self.folder.file(&format!("log-{start}"));
        let child = Command::new(PROGRAM)
            .args(["run", "--settings"])
            .arg(self.folder.path())
            .env("NOTIFY_SOCKET", &socket)
            .env_remove("WATCHDOG_USEC")
            .env_remove("WATCHDOG_PID")
            .envs(environment.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(std::fs::File::create(&log).unwrap())
            .kill_on_drop(true)
            .spawn()
            .unwrap();
        Launched { child, notify, log }
    }

    /// Starts the program and waits until it says that it is ready.
    pub async fn start(&self) -> Running {
        self.launch(&[]).ready().await
    }

    /// Kills the program as a power cut would, and frees its ports as the kernel does.
    pub async fn kill(&self, running: Running) {
        running.kill().await;
        self.free().await;
    }

    pub async fn free(&self) {
        self.balance.free().await;
        self.probe.wire.free().await;
    }
}

pub struct Launched {
    pub child: tokio::process::Child,
    pub notify: UnixDatagram,
    pub log: PathBuf,
}

impl Launched {
    /// Waits for READY=1, as systemd does.
    pub async fn ready(mut self) -> Running {
        let mut text = String::new();
        let ready = async {
            let mut buffer = vec![0; 4096];
            loop {
                let length = self.notify.recv(&mut buffer).await.unwrap();
                text = String::from_utf8_lossy(buffer.get(..length).unwrap()).into_owned();
                if text.lines().any(|line| line == "READY=1") {
                    break;
                }
            }
        };
        let ended = tokio::select! {
            () = soon("READY=1", ready) => None,
            status = self.child.wait() => Some(status),
        };
        if let Some(status) = ended {
            panic!("ended instead of starting: {status:?}\n{}", std::fs::read_to_string(&self.log).unwrap());
        }
        let status = text.lines().find_map(|line| line.strip_prefix("STATUS=")).unwrap();
        let pages = status.split("http://").nth(1).unwrap().trim_end_matches('/').parse().unwrap();
        Running { child: self.child, notify: self.notify, log: self.log, pages }
    }
}
