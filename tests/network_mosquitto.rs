//! The relay against a real broker (Debian's `mosquitto`) and a client that nobody here wrote
//! (`mosquitto_sub`). Everything stays on loopback; each test starts a broker of its own.

#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

use std::future::Future;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use stillstand::clock::{Clock, Reached};
use stillstand::domain::bench::Contact;
use stillstand::domain::moment::{Moment, Stamp, WallState};
use stillstand::network::inbound::{self, Door};
use stillstand::network::relay::{Relay, run};
use stillstand::network::topics::TopicKind;
use stillstand::network::{
    ConditionName, How, Link, NetworkReport, Outbox, OutboxError, OutboxRow, Pace, ReplayWish, Resume,
    RetainedMessage, RetainedState,
};
use stillstand::triggers::meaning::trigger_meaning;
use tokio::io::{AsyncBufReadExt, BufReader, Lines};
use tokio::net::TcpStream;
use tokio::process::{Child, ChildStdout, Command};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{sleep, timeout};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

const RECORD: &str = "stillstand/1/b1/record";
const STATUS: &str = "stillstand/1/b1/status";

/// A real broker with a configuration of its own.
struct Mosquitto {
    child: Child,
    folder: PathBuf,
    port: u16,
}

async fn soon<T>(what: &str, wanted: impl Future<Output = T>) -> T {
    timeout(Duration::from_mins(1), wanted).await.unwrap_or_else(|_| panic!("within a minute: {what}"))
}

fn spawn_broker(folder: &Path) -> Child {
    Command::new("mosquitto")
        .arg("-c")
        .arg(folder.join("mosquitto.conf"))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .env("PATH", with_sbin())
        .spawn()
        .expect("this test needs the programs mosquitto and mosquitto_sub: apt-get install mosquitto mosquitto-clients")
}

/// Debian puts the broker where a user's path does not look.
fn with_sbin() -> String {
    format!("{}:/usr/sbin:/usr/local/sbin", std::env::var("PATH").unwrap_or_default())
}

impl Mosquitto {
    async fn start(name: &str, access: &str) -> Self {
        let folder = std::env::temp_dir().join(format!("stillstand-mosquitto-{name}-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let place = folder.display();
        // Without persistence a killed broker forgets everything: sessions, queues, retained state.
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nuser root\nacl_file {place}/access\npersistence false\n"
        );
        std::fs::File::create(folder.join("mosquitto.conf")).unwrap().write_all(config.as_bytes()).unwrap();
        std::fs::write(folder.join("access"), access).unwrap();
        let child = spawn_broker(&folder);
        let broker = Self { child, folder, port };
        broker.listens().await;
        broker
    }

    async fn listens(&self) {
        soon("the broker listens", async {
            while TcpStream::connect(("127.0.0.1", self.port)).await.is_err() {
                sleep(Duration::from_millis(20)).await;
            }
        })
        .await;
    }

    async fn kill_and_restart(&mut self) {
        self.child.kill().await.unwrap();
        self.child = spawn_broker(&self.folder);
        self.listens().await;
    }

    /// Gives it another access list, as an administrator does.
    async fn allow(&self, access: &str) {
        std::fs::write(self.folder.join("access"), access).unwrap();
        let pid = self.child.id().unwrap().to_string();
        assert!(Command::new("kill").args(["-HUP", &pid]).status().await.unwrap().success());
    }

    /// `mosquitto_sub` on a topic; a persistent session if it has an id.
    fn reader(&self, topic: &str, id: Option<&str>) -> Reader {
        let mut command = Command::new("mosquitto_sub");
        command.args(["-h", "127.0.0.1", "-V", "5", "-q", "1", "-F", "%p", "-t", topic]);
        command.args(["-p", &self.port.to_string()]);
        if let Some(id) = id {
            command.args(["-i", id, "-c", "-x", "3600"]);
        }
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .expect("this test needs mosquitto_sub: apt-get install mosquitto-clients");
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        Reader { _child: child, lines }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

struct Reader {
    _child: Child,
    lines: Lines<BufReader<ChildStdout>>,
}

impl Reader {
    async fn next(&mut self, what: &str) -> serde_json::Value {
        let line = soon(what, self.lines.next_line()).await.unwrap().expect("mosquitto_sub lives");
        serde_json::from_str(&line).unwrap_or_else(|error| panic!("{line}: {error}"))
    }

    /// Reads as the documentation tells a consumer to: takes only the next number. Gives how many
    /// messages it needed.
    async fn take_in_order(&mut self, rows: u64) -> u64 {
        let (mut next, mut messages) = (1, 0);
        while next <= rows {
            let document = self.next(&format!("document {next}")).await;
            messages += 1;
            if document["n"] == next {
                next += 1;
            }
        }
        messages
    }
}

/// The test's clock: the wall time does not matter here.
#[derive(Debug)]
struct Still;

impl Clock for Still {
    fn now(&self) -> Moment {
        Moment {
            boot: Uuid::from_u128(1),
            boot_ns: 0,
            wall_ns: 1_790_000_000_000_000_000,
            wall: WallState::Unknown,
            stamp: Stamp::Arrival,
            doubt_ns: 0,
        }
    }
    fn reached(&self, _: i64) -> Reached {
        Box::pin(std::future::pending())
    }
    fn of_kernel(&self, _: u64) -> Moment {
        self.now()
    }
}

#[derive(Clone)]
struct Rows {
    count: u64,
    acked: Arc<Mutex<Vec<u64>>>,
    progress: Arc<watch::Sender<u64>>,
    newest: watch::Sender<u64>,
}

impl Rows {
    fn new(count: u64) -> Self {
        let progress = Arc::new(watch::Sender::new(0));
        Self { count, acked: Arc::default(), progress, newest: watch::Sender::new(count) }
    }

    async fn reaches(&self, number: u64) {
        let mut progress = self.progress.subscribe();
        soon(&format!("{number} acknowledged"), progress.wait_for(|acked| *acked >= number)).await.unwrap();
    }
}

impl Outbox for Rows {
    async fn resume(&self, _: Duration) -> Result<Resume, OutboxError> {
        Ok(Resume { acked: 0, send_after: 0 })
    }
    async fn after(&self, number: u64, limit: usize) -> Result<Vec<OutboxRow>, OutboxError> {
        let row = |number| OutboxRow {
            number,
            id: format!("row-{number}"),
            kind: "specimen-record".into(),
            topic: RECORD.into(),
            subject: String::new(),
            payload: format!("{{\"n\":{number}}}"),
            made_at_ns: 0,
            acked_at_ns: None,
        };
        Ok((number + 1..=self.count).take(limit).map(row).collect())
    }
    fn acked(&self, number: u64) {
        self.acked.lock().unwrap().push(number);
        self.progress.send_replace(number);
    }
    fn changed(&self) -> watch::Receiver<u64> {
        self.newest.subscribe()
    }
}

struct Station {
    rows: Rows,
    reports: mpsc::Receiver<NetworkReport>,
    state: watch::Sender<Arc<RetainedState>>,
    _replay: watch::Sender<ReplayWish>,
    cancel: CancellationToken,
    task: JoinHandle<()>,
}

fn link(port: u16, pace: Pace) -> Link {
    Link {
        station: "b1".into(),
        session: Uuid::from_u128(7),
        host: "127.0.0.1".into(),
        port,
        user: None,
        password: None,
        how: How::default(),
        keep_alive_s: 5,
        window: 16,
        pace,
    }
}

impl Station {
    fn start(broker: &Mosquitto, rows: u64) -> Self {
        let pace = Pace {
            retry_first: Duration::from_millis(20),
            retry_most: Duration::from_millis(200),
            hold_first: Duration::from_millis(50),
            hold_most: Duration::from_millis(200),
            ..Pace::default()
        };
        let link = link(broker.port, pace);
        let rows = Rows::new(rows);
        let (status, reports) = mpsc::channel(10_000);
        let (state, retained) = watch::channel(Arc::default());
        let cancel = CancellationToken::new();
        let clock = Arc::new(Still);
        let (asking, wishes) = watch::channel(ReplayWish::default());
        let outbox = rows.clone();
        let relay = Relay { link, outbox, status, retained, replays: wishes, clock, cancel: cancel.clone() };
        Self { rows, reports, state, _replay: asking, cancel, task: tokio::spawn(run(relay)) }
    }

    async fn condition(&mut self, name: ConditionName, active: bool) -> String {
        soon(&format!("{name:?} {active}"), async {
            loop {
                match self.reports.recv().await.expect("the relay lives") {
                    NetworkReport::Condition(told) if told.name == name && told.active == active => {
                        return told.text;
                    }
                    _ => {}
                }
            }
        })
        .await
    }

    async fn stop(self) {
        self.cancel.cancel();
        soon("the relay stops", self.task).await.unwrap();
    }

    fn acked(&self) -> Vec<u64> {
        self.rows.acked.lock().unwrap().clone()
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_denied_document_is_kept_and_goes_out_when_it_is_allowed() {
    let broker = Mosquitto::start("denied", &format!("topic read #\ntopic write {STATUS}\n")).await;
    let mut reader = broker.reader(RECORD, None);
    let mut station = Station::start(&broker, 5);
    let text = station.condition(ConditionName::Denied, true).await;
    assert!(text.contains("Document 1") && text.contains("access list"), "{text}");
    assert_eq!(station.acked(), [0; 0]);
    broker.allow("topic readwrite #\n").await;
    station.condition(ConditionName::Denied, false).await;
    assert_eq!(reader.take_in_order(5).await, 5);
    station.rows.reaches(5).await;
    station.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_a_subscriber_documents_wait_for_one() {
    let broker = Mosquitto::start("nobody", "topic readwrite #\n").await;
    let mut station = Station::start(&broker, 30);
    station.condition(ConditionName::NoSubscriber, true).await;
    assert_eq!(station.acked(), [0; 0]);
    let mut reader = broker.reader(RECORD, None);
    station.condition(ConditionName::NoSubscriber, false).await;
    assert_eq!(reader.take_in_order(30).await, 30, "each came once");
    station.rows.reaches(30).await;
    assert_eq!(station.acked(), (1..=30).collect::<Vec<_>>());
    station.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_is_killed_twice_loses_nothing() {
    let mut broker = Mosquitto::start("killed", "topic readwrite #\n").await;
    let mut reader = broker.reader(RECORD, Some("archive"));
    let station = Station::start(&broker, 1000);
    let reading = tokio::spawn(async move { reader.take_in_order(1000).await });
    for acked in [300, 600] {
        station.rows.reaches(acked).await;
        broker.kill_and_restart().await;
    }
    station.rows.reaches(1000).await;
    let messages = soon("the consumer has all", reading).await.unwrap();
    eprintln!("1000 documents in {messages} messages");
    assert_eq!(station.acked(), (1..=1000).collect::<Vec<_>>(), "each is told once, in order");
    station.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn presence_tells_of_a_connection_a_clean_stop_and_a_loss() {
    let broker = Mosquitto::start("presence", "topic readwrite #\n").await;
    let mut reader = broker.reader(STATUS, None);
    let station = Station::start(&broker, 0);
    let online = reader.next("online").await;
    assert_eq!(
        (&online["state"], &online["connected"]),
        (&"online".into(), &"2026-09-21T14:13:20.000Z".into())
    );
    station.stop().await;
    assert_eq!(reader.next("offline").await["state"], "offline");

    let station = Station::start(&broker, 0);
    assert_eq!(reader.next("online again").await["state"], "online");
    station.task.abort();
    let lost = reader.next("the will").await;
    assert_eq!(lost["state"], "lost");
    assert_eq!(lost["session"], online["session"]);
    // Whoever comes later finds it.
    assert_eq!(broker.reader(STATUS, None).next("the retained will").await["state"], "lost");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn retained_state_is_there_for_whoever_comes_later_and_again_after_a_restart() {
    let mut broker = Mosquitto::start("retained", "topic readwrite #\n").await;
    let station = Station::start(&broker, 0);
    let message = RetainedMessage { payload: "{\"place\":1}".into(), expiry_s: Some(600), qos: 1 };
    let topics = [("stillstand/1/b1/place/1".into(), message)].into();
    station.state.send_replace(Arc::new(RetainedState { generation: 1, topics, ..RetainedState::default() }));
    assert_eq!(broker.reader("stillstand/1/b1/place/+", None).next("the place").await["place"], 1);
    broker.kill_and_restart().await;
    assert_eq!(broker.reader("stillstand/1/b1/place/+", None).next("the place again").await["place"], 1);
    station.stop().await;
}

// This broker (2.0.11) tells a take-over in the short form, which the client library passes over.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_stations_with_one_id_are_noticed() {
    let broker = Mosquitto::start("twice", "topic readwrite #\n").await;
    let mut one = Station::start(&broker, 0);
    let mut two = Station::start(&broker, 0);
    let text = tokio::select! {
        text = one.condition(ConditionName::TakenOver, true) => text,
        text = two.condition(ConditionName::TakenOver, true) => text,
    };
    assert!(text.contains("stillstand-b1-out"), "{text}");
    one.stop().await;
    two.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn any_client_can_press_and_ask() {
    let broker = Mosquitto::start("inbound", "topic readwrite #\n").await;
    let (tell, mut station) = mpsc::channel(8);
    let (status, _reports) = mpsc::channel(100);
    let cancel = CancellationToken::new();
    let link = link(broker.port, Pace::default());
    let door = Door { link, clock: Arc::new(Still), station: tell, status, cancel: cancel.clone() };
    let task = tokio::spawn(inbound::run(door));
    let port = broker.port.to_string();
    let common = ["-h", "127.0.0.1", "-p", port.as_str(), "-V", "5", "-q", "1"];

    // Pressed again and again until the subscription stands.
    let press = soon("a press arrives", async {
        loop {
            let mut button = Command::new("mosquitto_pub");
            button.args(common).args(["-t", "stillstand/1/b1/trigger/foot", "-m", "press"]);
            assert!(button.status().await.unwrap().success());
            if let Ok(Some(press)) = timeout(Duration::from_millis(200), station.recv()).await {
                return press;
            }
        }
    })
    .await;
    assert_eq!(press.topic, TopicKind::Trigger("foot".into()));
    assert_eq!(trigger_meaning(&press.payload, press.retain, press.dup), Ok(Contact::Press));
    press.done.send(None).unwrap();

    let mut asking = Command::new("mosquitto_rr");
    asking.args(common).args([
        "-t",
        "stillstand/1/b1/ask/read",
        "-e",
        "reply/desk/1",
        "-m",
        "{}",
        "-W",
        "20",
    ]);
    asking.args(["-D", "publish", "correlation-data", "abc", "-F", "%D %p"]).stdout(Stdio::piped());
    let asking = asking.kill_on_drop(true).spawn().unwrap();
    let ask = soon("the ask arrives", async {
        loop {
            let inbound = station.recv().await.unwrap();
            if inbound.topic == TopicKind::Ask("read".into()) {
                return inbound;
            }
        }
    })
    .await;
    ask.done.send(Some("{\"ok\":true}".into())).unwrap();
    let output = soon("the reply arrives", asking.wait_with_output()).await.unwrap();
    assert_eq!(String::from_utf8(output.stdout).unwrap().trim(), "abc {\"ok\":true}");
    cancel.cancel();
    soon("the session stops", task).await.unwrap();
}
