//! A real broker and real clients that nobody here wrote: Debian's `mosquitto`.

use super::{Folder, LOOK, soon};
use std::process::Stdio;
use tokio::io::{AsyncBufReadExt, BufReader, Lines};
use tokio::net::TcpStream;
use tokio::process::{Child, ChildStdout, Command};

const NEEDED: &str = "this test needs mosquitto and its clients: apt-get install mosquitto mosquitto-clients";

/// A port that nobody uses just now.
pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

pub struct Mosquitto {
    _child: Child,
    _folder: Folder,
    pub port: u16,
}

impl Mosquitto {
    /// A broker with this access list for everybody.
    pub async fn start(access: &str) -> Self {
        Self::start_at(free_port(), access).await
    }

    pub async fn start_at(port: u16, access: &str) -> Self {
        let folder = Folder::new("broker");
        folder.write("access", access);
        let config = folder.write(
            "mosquitto.conf",
            &format!(
                "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nacl_file {}\npersistence false\n",
                folder.file("access").display()
            ),
        );
        let log = std::fs::File::create(folder.file("log")).unwrap();
        let path = format!("{}:/usr/sbin:/usr/local/sbin", std::env::var("PATH").unwrap_or_default());
        let child = Command::new("mosquitto")
            .arg("-c")
            .arg(config)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .env("PATH", path)
            .kill_on_drop(true)
            .spawn()
            .expect(NEEDED);
        soon("the broker listens", async {
            while TcpStream::connect(("127.0.0.1", port)).await.is_err() {
                tokio::time::sleep(LOOK).await;
            }
        })
        .await;
        Self { _child: child, _folder: folder, port }
    }

    fn client(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.args(["-h", "127.0.0.1", "-p", &self.port.to_string(), "-V", "5", "-q", "1"]);
        command.stdin(Stdio::null()).stderr(Stdio::null()).kill_on_drop(true);
        command
    }

    /// Publishes, and waits until the broker has it.
    pub async fn publish(&self, topic: &str, payload: &str, more: &[&str]) {
        let mut command = self.client("mosquitto_pub");
        command.args(["-t", topic, "-m", payload]).args(more);
        let status = soon("mosquitto_pub", command.status()).await.expect(NEEDED);
        assert!(status.success(), "mosquitto_pub {topic}: {status}");
    }

    /// Asks, and gives the reply.
    pub async fn ask(&self, topic: &str, payload: &str) -> String {
        let mut command = self.client("mosquitto_rr");
        command.args(["-t", topic, "-m", payload, "-e", "reply/desk", "-W", "20"]);
        // One correlation is one ask: another gets another.
        command.args(["-D", "publish", "correlation-data", &uuid::Uuid::now_v7().to_string()]);
        let output = soon("mosquitto_rr", command.output()).await.expect(NEEDED);
        assert!(output.status.success(), "no reply to {topic}");
        String::from_utf8_lossy(&output.stdout).trim().to_owned()
    }

    /// The retained message of a topic.
    pub async fn retained(&self, topic: &str) -> String {
        let mut command = self.client("mosquitto_sub");
        command.args(["-t", topic, "--retained-only", "-C", "1", "-W", "20"]);
        let output = soon("mosquitto_sub", command.output()).await.expect(NEEDED);
        String::from_utf8_lossy(&output.stdout).trim().to_owned()
    }

    /// A client that reads topics; it has subscribed when this returns.
    pub async fn reader(&self, topics: &[String]) -> Reader {
        let mut command = self.client("mosquitto_sub");
        command.args(["-F", "%t %p", "-t", "test/ready"]);
        for topic in topics {
            command.args(["-t", topic]);
        }
        let mut child = command.stdout(Stdio::piped()).spawn().expect(NEEDED);
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut reader = Reader { _child: child, lines };
        loop {
            self.publish("test/ready", "now", &[]).await;
            let heard = tokio::time::timeout(std::time::Duration::from_millis(200), reader.line());
            if heard.await.is_ok_and(|(topic, _)| topic == "test/ready") {
                return reader;
            }
        }
    }
}

pub struct Reader {
    _child: Child,
    lines: Lines<BufReader<ChildStdout>>,
}

impl Reader {
    async fn line(&mut self) -> (String, String) {
        let line = self.lines.next_line().await.unwrap().expect("mosquitto_sub lives");
        let (topic, payload) = line.split_once(' ').unwrap();
        (topic.to_owned(), payload.to_owned())
    }

    /// The next message: the last level of its topic, and its payload.
    pub async fn next(&mut self, what: &str) -> (String, String) {
        loop {
            let (topic, payload) = soon(what, self.line()).await;
            if topic != "test/ready" {
                let last = topic.rsplit('/').next().unwrap().to_owned();
                return (last, payload);
            }
        }
    }
}
