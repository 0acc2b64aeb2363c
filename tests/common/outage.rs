//! A real broker that is killed and comes back, with what its configuration says; certificates of
//! a laboratory's own; and a journal that is full of documents.

use super::mosquitto::free_port;
use super::site::STATION;
use super::{Folder, LOOK, soon};
use serde_json::{Value, json};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::process::Stdio;
use stillstand::domain::moment::{Moment, Stamp, WallState};
use stillstand::journal::{Batch, InputRow, Journal, NewDocument, NewEvent, OpenWith};
use tokio::io::{AsyncBufReadExt, BufReader, Lines};
use tokio::net::TcpStream;
use tokio::process::{Child, ChildStdout, Command};
use uuid::Uuid;

/// A broker whose configuration a test writes; `{folder}` and `{port}` stand for its own.
pub struct RealBroker {
    child: Option<Child>,
    pub folder: Folder,
    pub port: u16,
}

impl RealBroker {
    /// Prepares one; it does not run yet.
    pub fn prepared(config: &str) -> Self {
        let (folder, port) = (Folder::new("real-broker"), free_port());
        let config = config
            .replace("{folder}", &folder.path().display().to_string())
            .replace("{port}", &port.to_string());
        folder.write("mosquitto.conf", &format!("user root\n{config}\n"));
        Self { child: None, folder, port }
    }

    pub async fn start(&mut self) {
        let log = std::fs::File::create(self.folder.file("log")).unwrap();
        let path = format!("{}:/usr/sbin:/usr/local/sbin", std::env::var("PATH").unwrap_or_default());
        let child = Command::new("mosquitto")
            .arg("-c")
            .arg(self.folder.file("mosquitto.conf"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .env("PATH", path)
            .kill_on_drop(true)
            .spawn()
            .expect("this test needs mosquitto: apt-get install mosquitto mosquitto-clients");
        self.child = Some(child);
        soon("the broker listens", async {
            while TcpStream::connect(("127.0.0.1", self.port)).await.is_err() {
                tokio::time::sleep(LOOK).await;
            }
        })
        .await;
    }

    pub async fn kill(&mut self) {
        self.child.take().unwrap().kill().await.unwrap();
    }

    /// Has it store what it holds now, as its own timer would.
    pub async fn save(&self) {
        let stored = self.folder.file("mosquitto.db");
        let pid = self.child.as_ref().unwrap().id().unwrap().to_string();
        soon("the broker stores what it has", async {
            while !stored.is_file() {
                Command::new("kill").args(["-USR1", &pid]).status().await.unwrap();
                tokio::time::sleep(LOOK).await;
            }
        })
        .await;
    }

    pub fn client(&self, program: &str, more: &[&str]) -> Command {
        let mut command = Command::new(program);
        command.args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-q", "1"]).args(more);
        command.stdin(Stdio::null()).stderr(Stdio::null()).kill_on_drop(true);
        command
    }

    /// Asks with a correlation, and gives the reply. An ask that nobody was there to take (the
    /// station is just starting) is asked again, as a client would: it happens once.
    pub async fn ask(&self, verb: &str, payload: &[u8], correlation: &str) -> Value {
        let topic = format!("stillstand/1/{STATION}/ask/{verb}");
        soon("mosquitto_rr", async {
            loop {
                let ways = ["-V", "5", "-t", &topic, "-e", "reply/desk", "-W", "5"];
                let mut command = self.client("mosquitto_rr", &ways);
                if payload.is_empty() {
                    command.arg("-n");
                } else {
                    command.arg("-m").arg(std::ffi::OsStr::from_bytes(payload));
                }
                command.args(["-D", "publish", "correlation-data", correlation]);
                let output = command.output().await.unwrap();
                if output.status.success() {
                    return serde_json::from_slice(&output.stdout).unwrap();
                }
            }
        })
        .await
    }

    /// The retained message of a topic below the station's, once it is as wanted.
    pub async fn shows(&self, below: &str, wanted: impl Fn(&Value) -> bool) {
        let topic = format!("stillstand/1/{STATION}/{below}");
        soon(below, async {
            loop {
                let more = ["-V", "5", "-t", &topic, "-C", "1", "-W", "2"];
                let output = self.client("mosquitto_sub", &more).output().await.unwrap();
                if serde_json::from_slice(&output.stdout).is_ok_and(|shown| wanted(&shown)) {
                    return;
                }
            }
        })
        .await;
    }

    /// The session of the archive exists from now on; nobody is connected to it.
    pub async fn registers_archive(&self) {
        let topic = archive_topic();
        let more = ["-V", "5", "-i", "archive", "-c", "-x", "3600", "-t", &topic, "-E"];
        assert!(soon("subscribed", self.client("mosquitto_sub", &more).status()).await.unwrap().success());
    }

    /// The archive comes back to its session.
    pub fn archive(&self) -> Archive {
        let topic = archive_topic();
        let more = ["-V", "5", "-i", "archive", "-c", "-x", "3600", "-F", "%p", "-t", &topic];
        let mut child = self.client("mosquitto_sub", &more).stdout(Stdio::piped()).spawn().unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        Archive { _child: child, lines, next: 1, ahead: None }
    }
}

fn archive_topic() -> String {
    format!("stillstand/1/{STATION}/weighing")
}

/// A consumer as the documentation wants it: takes only the next number.
pub struct Archive {
    _child: Child,
    lines: Lines<BufReader<ChildStdout>>,
    pub next: u64,
    /// A number that came while a lower one is missing.
    pub ahead: Option<u64>,
}

impl Archive {
    /// Reads until it has everything through a number, or until it sees a gap.
    pub async fn reads_through(&mut self, through: u64) {
        self.ahead = None;
        while self.next <= through && self.ahead.is_none() {
            let line = soon(&format!("document {}", self.next), self.lines.next_line()).await.unwrap();
            self.hears(&line.expect("mosquitto_sub lives"));
        }
    }

    /// The same, past whatever is too high: what was asked for is on its way.
    pub async fn catches_up(&mut self, through: u64) {
        while self.next <= through {
            self.reads_through(through).await;
        }
    }

    fn hears(&mut self, line: &str) {
        let document: Value = serde_json::from_str(line).unwrap();
        let number: u64 = document["sequence"].as_str().unwrap().parse().unwrap();
        match number.cmp(&self.next) {
            std::cmp::Ordering::Less => {}
            std::cmp::Ordering::Equal => self.next += 1,
            std::cmp::Ordering::Greater => self.ahead = Some(number),
        }
    }
}

/// A journal with so many documents that the network has not taken, as a station would leave it
/// after days without a network.
pub async fn journal_with(path: &Path, count: u64) -> Uuid {
    let id = Uuid::now_v7();
    let (journal, restored) =
        Journal::open(path, &OpenWith { fresh_id: id, now_wall_ns: 1_790_000_000_000_000_000 }).unwrap();
    let mut chain = restored.chain;
    let moment = Moment {
        boot: Uuid::from_u128(1),
        boot_ns: 0,
        wall_ns: 1_790_000_000_000_000_000,
        wall: WallState::Unknown,
        stamp: Stamp::Arrival,
        doubt_ns: 0,
    };
    let at = serde_json::to_string(&moment).unwrap();
    for number in 1..=count {
        if number % 500 == 1 {
            let mut batch = Batch::default();
            let input = Uuid::now_v7();
            let (payload, outcome) =
                (r#"{"input":"deadline"}"#.to_owned(), r#"{"outcome":"done"}"#.to_owned());
            batch.inputs.push(InputRow { id: input, at: at.clone(), payload, outcome });
            for number in number..=count.min(number + 499) {
                let document = Uuid::now_v7();
                let payload =
                    json!({ "id": document, "sequence": format!("{number:010}"), "fill": "x".repeat(2000) });
                let row = chain.document(NewDocument {
                    id: document.to_string(),
                    kind: "weighing".to_owned(),
                    topic: archive_topic(),
                    subject: document.to_string(),
                    payload: payload.to_string(),
                    made_at_ns: moment.wall_ns,
                });
                batch.outbox.push(row);
                let event = json!({ "event": "document-issued", "number": number, "document": document, "kind": "weighing", "sha256": "" });
                batch.events.push(chain.append(NewEvent {
                    input,
                    kind: "document-issued".to_owned(),
                    version: 1,
                    chained: true,
                    moment: at.clone(),
                    payload: event.to_string(),
                }));
            }
            journal.commit(batch).await.unwrap();
        }
    }
    journal.close().await.unwrap();
    id
}

/// Runs openssl in a folder.
pub fn openssl(folder: &Folder, arguments: &str) {
    let output = std::process::Command::new("openssl")
        .args(arguments.split_whitespace())
        .current_dir(folder.path())
        .output()
        .expect("this test needs openssl: apt-get install openssl");
    assert!(output.status.success(), "openssl {arguments}: {}", String::from_utf8_lossy(&output.stderr));
}

/// An authority `NAME.pem` with its key, and certificates of it for the broker and the station.
pub fn authority(folder: &Folder, name: &str) {
    let new = "req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";
    openssl(folder, &format!("{new} -x509 -days 30 -subj /CN={name} -keyout {name}.key -out {name}.pem"));
    folder.write("names", "subjectAltName=DNS:localhost,IP:127.0.0.1\n");
    folder.write("client", "extendedKeyUsage=clientAuth\n");
    for (who, more) in [("server", "-extfile names"), (STATION, "-extfile client")] {
        openssl(folder, &format!("{new} -subj /CN={who} -keyout {name}-{who}.key -out {name}-{who}.csr"));
        openssl(
            folder,
            &format!(
                "x509 -req -days 30 -in {name}-{who}.csr -CA {name}.pem -CAkey {name}.key -CAcreateserial -out {name}-{who}.pem {more}"
            ),
        );
    }
}

/// Most memory that a process ever had, KiB.
pub fn most_memory_kib(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
