//! `stillstand listen` as an installer meets it: the built program at pseudo-terminals.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::Wire;
use common::{Ended, Folder, LOOK, program, soon};
use serde_json::Value;
use std::process::Stdio;
use tokio::process::Command;
use tokio::sync::watch;

/// Lines of each shipped shape that speaks by itself or on its print key: the table of
/// docs/instruments.md, and each with a load that moves and one that is too much, where it tells so.
const SPEAKING: [(&str, &[&str]); 5] = [
    ("balance-comma-header", &["ST,GS,+0000052.3 g\r\n", "US,GS,+0000050.1 g\r\n", "OL,GS,+999999999 g\r\n"]),
    ("balance-trailing-mark", &["      52.30 g\r\n", "      48.11 g ?\r\n", "   --------\r\n"]),
    // 45 and 59: the exclusive or of the bytes behind STX up to ETX, reckoned by another tool.
    ("balance-framed-checksum", &["\u{2}+    52.30 g\u{3}45", "\u{2}?    48.11 g\u{3}59\r\n"]),
    ("balance-bare-number", &["     52.30\r\n", "    -0.04\r\n"]),
    ("probe-text-unit", &["TEMP   22.4 C\r\n", "TEMP   72.3 F\r\n"]),
];

/// Question and answer of each shipped shape that is asked.
const ASKED: [(&str, &[u8], &[u8]); 7] = [
    ("balance-status-words", b"SI\r\n", b"S S      52.30 g\r\n"),
    ("balance-fixed-columns", b"\x1BP\r\n", b"+    52.30 g  \r\n"),
    ("probe-polled-number", b"T\r", b"+022.41\r"),
    ("probe-scpi-measure", b"MEAS:TEMP?\n", b"+2.24E+01\n"),
    ("probe-scpi-read", b"READ?\n", b"+2.24E+01\n"),
    // Unit 1, input register 0, 22.4; holding registers 0 and 1, low word first. The checks by `crc`.
    ("probe-modbus-input", &[1, 4, 0, 0, 0, 1], &[1, 4, 2, 0x00, 0xE0]),
    ("probe-modbus-float", &[1, 3, 0, 0, 0, 2], &[1, 3, 4, 0x33, 0x33, 0x41, 0xB3]),
];

/// With the check of Modbus RTU behind, low byte first (Modbus over serial line V1.02, 6.2.2).
fn crc(frame: &[u8]) -> Vec<u8> {
    let mut sum = 0xFFFF_u16;
    for byte in frame {
        sum ^= u16::from(*byte);
        for _ in 0..8 {
            sum = if sum & 1 == 1 { (sum >> 1) ^ 0xA001 } else { sum >> 1 };
        }
    }
    [frame, &sum.to_le_bytes()].concat()
}

/// A link to a pseudo-terminal whose instrument says these lines over and over.
struct Speaker {
    folder: Folder,
    task: tokio::task::JoinHandle<()>,
}

impl Speaker {
    fn new(name: &str, lines: &[&str]) -> Self {
        let folder = Folder::new(name);
        let wire = Wire::open(&folder.file("port"));
        let lines = lines.iter().map(|line| (*line).to_owned()).collect::<Vec<_>>();
        let task = tokio::spawn(async move {
            for text in lines.iter().cycle() {
                wire.say(text).await;
                tokio::time::sleep(LOOK).await;
            }
        });
        Self { folder, task }
    }

    fn port(&self) -> String {
        self.folder.file("port").display().to_string()
    }
}

impl Drop for Speaker {
    fn drop(&mut self) {
        self.task.abort();
    }
}

async fn listened(args: &[&str]) -> (Ended, Value) {
    let ended = program(&[&["listen", "--json"], args].concat()).await;
    let found = serde_json::from_str(&ended.out).unwrap_or_else(|_| panic!("{ended:#?}"));
    (ended, found)
}

fn first(found: &Value) -> &str {
    found["proposals"][0]["shape"].as_str().unwrap_or_else(|| panic!("{found:#}"))
}

/// The proposed section as the settings would read it.
fn settings(found: &Value) -> toml::Table {
    found["proposals"][0]["settings"].as_str().unwrap().parse().unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_shipped_shape_that_speaks_is_the_proposal_for_its_lines() {
    for (shape, lines) in SPEAKING {
        let speaker = Speaker::new(shape, lines);
        let (ended, found) = listened(&[&speaker.port()]).await;
        assert_eq!((ended.code, first(&found)), (0, shape), "{found:#}");
        assert_eq!(found["verdict"], "one");
        let table = settings(&found);
        let (name, kind) =
            if shape.starts_with("balance") { ("balance", "balance") } else { ("probe", "solution-probe") };
        let section = &table["instruments"][name];
        assert_eq!(section["kind"].as_str(), Some(kind));
        assert_eq!(section["port"].as_str(), Some(speaker.port().as_str()), "the link, which stays");
        assert_eq!(section["shape"].as_str(), Some(shape));
        // Half a line at the beginning tells against nothing.
        assert_eq!(found["fits"][0]["lines"], found["fits"][0]["understood"]);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_shipped_shape_that_is_asked_is_the_proposal_for_its_answer() {
    let mut all = tokio::task::JoinSet::new();
    for (shape, question, answer) in ASKED {
        all.spawn(is_proposed(shape, question, answer));
    }
    while let Some(one) = all.join_next().await {
        one.unwrap();
    }
}

/// The instrument that answers this question so is found by asking.
async fn is_proposed(shape: &'static str, question: &'static [u8], answer: &'static [u8]) {
    let modbus = shape.contains("modbus");
    let (question, answer) =
        if modbus { (crc(question), crc(answer)) } else { (question.to_vec(), answer.to_vec()) };
    let folder = Folder::new(shape);
    let port = folder.file("port");
    let pty = stillstand::rehearsal::pty::Pty::open(&port).unwrap();
    let instrument = async {
        let (mut heard, mut buffer) = (Vec::new(), [0; 64]);
        loop {
            let length = pty.read(&mut buffer).await.unwrap();
            heard.extend_from_slice(&buffer[..length]);
            while let Some(at) = heard.windows(question.len()).position(|part| part == question) {
                heard.drain(..at + question.len());
                pty.write(&answer).await.unwrap();
            }
        }
    };
    let port = port.display().to_string();
    let args = ["--ask", port.as_str()];
    let (ended, found) = tokio::select! {
        () = instrument => unreachable!("it answers for ever"),
        listened = listened(&args) => listened,
    };
    assert_eq!((ended.code, first(&found)), (0, shape), "{found:#}\n{}", ended.err);
    assert_eq!(found["verdict"], "one", "{found:#}");
    assert_eq!(found["fits"][0]["understood"], 3, "asked three times");
    let unit = if shape.starts_with("balance") { "g" } else { "Cel" };
    assert_eq!(found["fits"][0]["last"]["unit"], unit);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn without_ask_nothing_is_written_and_silence_says_what_to_try() {
    let folder = Folder::new("silent");
    let pty = stillstand::rehearsal::pty::Pty::open(&folder.file("port")).unwrap();
    let port = folder.file("port").display().to_string();
    let mut buffer = [0; 64];
    let args = ["listen", "--for", "1", port.as_str()];
    let ended = tokio::select! {
        _ = pty.read(&mut buffer) => panic!("it wrote {:?}", buffer.escape_ascii().to_string()),
        ended = program(&args) => ended,
    };
    assert_eq!(ended.code, 69);
    for advice in ["switched on", "cable", "print key", "--ask"] {
        assert!(ended.out.contains(advice), "{}", ended.out);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn questions_that_are_answered_alike_are_said_to_be() {
    let folder = Folder::new("alike");
    let wire = Wire::open(&folder.file("port"));
    let (_says, says) = watch::channel("+2.24E+01\n".to_owned());
    // Both questions end in `?` and LF; this one answers both.
    let instrument = wire.answers("?\n", says);
    let port = folder.file("port").display().to_string();
    let ended = program(&["listen", "--ask", &port]).await;
    instrument.abort();
    assert_eq!(ended.code, 0, "{}", ended.err);
    assert!(ended.out.contains("2 shapes fit alike. To tell them apart, warm the probe"), "{}", ended.out);
    for shape in ["probe-scpi-measure", "probe-scpi-read"] {
        assert!(ended.out.contains(&format!("shape = \"{shape}\"")), "{}", ended.out);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn lines_that_no_shape_knows_and_noise_are_told_apart() {
    let speaker = Speaker::new("unknown", &["MASS 52.30 g OK\r\n"]);
    let unknown = program(&["listen", "--for", "1", &speaker.port()]).await;
    assert_eq!(unknown.code, 65);
    assert!(unknown.out.contains("MASS 52.30 g OK\\r\\n"), "it is shown: {}", unknown.out);
    assert!(unknown.out.contains("Write a shape"), "{}", unknown.out);
    // The same with a shape of one's own: that of docs/instruments.md, unasked.
    let page = include_str!("../docs/instruments.md");
    let shape = page.split("```toml").find(|part| part.contains("balance-word-behind")).unwrap();
    let shape = shape.split("```").next().unwrap();
    speaker.folder.write("shapes/balance-word-behind.toml", shape);
    let shapes = speaker.folder.file("shapes").display().to_string();
    let (_, found) = listened(&["--shapes", &shapes, &speaker.port()]).await;
    assert_eq!(first(&found), "balance-word-behind");
    let proposal = &found["proposals"][0];
    assert!(proposal["changes"].to_string().contains("[request]"), "it would ask: {proposal:#}");
    drop(speaker);
    let folder = Folder::new("noise");
    let wire = Wire::open(&folder.file("port"));
    wire.say(b"\x00\xE6\x80\x86\xFE\x00\x98\xF8\x1E".repeat(8)).await;
    let noise = program(&["listen", "--for", "1", &folder.file("port").display().to_string()]).await;
    assert_eq!(noise.code, 65);
    assert!(noise.err.contains("no text"), "{}", noise.err);
    assert!(noise.out.contains("no text at any speed") && noise.out.contains("--speed"), "{}", noise.out);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn seven_bits_with_parity_are_told_from_eight() {
    let folder = Folder::new("parity");
    let wire = Wire::open(&folder.file("port"));
    // As an adapter gives them that was set to eight bits: the parity bit on top, even.
    let sent: Vec<u8> = b"ST,GS,+0000052.3 g\r\nUS,GS,+0000050.1 g\r\n"
        .iter()
        .map(|byte| if byte.count_ones() % 2 == 1 { byte | 0x80 } else { *byte })
        .collect();
    wire.say(sent.repeat(4)).await;
    let (_, found) = listened(&[&folder.file("port").display().to_string()]).await;
    let fit = &found["fits"][0];
    assert_eq!(
        (&fit["shape"], &fit["framing"]),
        (&"balance-comma-header".into(), &"7E1".into()),
        "{found:#}"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_port_that_cannot_be_used_says_why_and_what_to_do() {
    let folder = Folder::new("trouble");
    let port = folder.file("port");
    let path = port.display().to_string();
    let missing = program(&["listen", &path]).await;
    assert_eq!(missing.code, 69);
    assert!(
        missing.err.contains("is not there") && missing.err.contains("`stillstand listen`"),
        "{}",
        missing.err
    );
    folder.write("file", "no port");
    let file = program(&["listen", &folder.file("file").display().to_string()]).await;
    assert_eq!(file.code, 69);
    assert!(file.err.contains("cannot be used as a serial port"), "{}", file.err);
    // This process is the other program.
    let _pty = stillstand::rehearsal::pty::Pty::open(&port).unwrap();
    let held = serialport::new(&path, 9600).open_native().unwrap();
    let busy = program(&["listen", &path]).await;
    assert_eq!(busy.code, 69);
    let me = format!("process {}", std::process::id());
    assert!(busy.err.contains("another program holds") && busy.err.contains(&me), "{}", busy.err);
    drop(held);
    let shapes = folder.write("shapes/broken.toml", "id = 3\n");
    let broken =
        program(&["listen", &path, "--shapes", &shapes.parent().unwrap().display().to_string()]).await;
    assert_eq!(broken.code, 78);
    assert!(broken.err.contains("broken.toml"), "{}", broken.err);
    let pulled = Folder::new("pulled");
    let wire = Wire::open(&pulled.file("port"));
    let path = pulled.file("port").display().to_string();
    wire.say("     52.30\r\n").await;
    let mut child = Command::new(common::PROGRAM)
        .args(["listen", &path])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()
        .unwrap();
    let mut shown = [0; 4];
    let out = child.stdout.as_mut().unwrap();
    soon("a line is shown", tokio::io::AsyncReadExt::read_exact(out, &mut shown)).await.unwrap();
    wire.pull().await;
    let ended = soon("it ends", child.wait_with_output()).await.unwrap();
    assert_eq!(ended.status.code(), Some(69));
    let said = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert!(said.contains("was lost while it was listened to"), "{said}");
}

/// Another tool at the other end of the wire.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_other_end_may_be_another_tool() {
    let folder = Folder::new("socat");
    let port = folder.file("port");
    let speaker = "while printf 'ST,GS,+0000052.3 g\\r\\nUS,GS,+0000050.1 g\\r\\n'; do sleep 0.1; done\n";
    let asked = "while read -r line; do printf 'S S      52.30 g\\r\\n'; done\n";
    for (script, shape, more) in
        [(speaker, "balance-comma-header", &[][..]), (asked, "balance-status-words", &["--ask"][..])]
    {
        let script = folder.write("instrument.sh", script);
        let mut socat = Command::new("socat")
            .arg(format!("PTY,link={},raw,echo=0,wait-slave", port.display()))
            .arg(format!("EXEC:sh {}", script.display()))
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .expect("socat is installed: tests/run does that");
        soon("socat makes its port", async {
            while !port.exists() {
                tokio::time::sleep(LOOK).await;
            }
        })
        .await;
        let path = port.display().to_string();
        let (ended, found) = listened(&[more, &[&path]].concat()).await;
        let _ = socat.kill().await;
        let _ = std::fs::remove_file(&port);
        assert_eq!((ended.code, first(&found)), (0, shape), "{found:#}\n{}", ended.err);
        assert_eq!(found["pseudoTerminal"], true);
    }
}

#[tokio::test]
async fn without_a_port_those_that_are_there_are_listed() {
    let listed = program(&["listen"]).await;
    assert_eq!(listed.code, 0);
    assert!(!listed.out.is_empty());
    let (ended, found) = listened(&[]).await;
    assert_eq!(ended.code, 0);
    // Each one that is listed is there.
    for port in found["ports"].as_array().unwrap() {
        assert!(std::path::Path::new(port["device"].as_str().unwrap()).exists(), "{port}");
    }
    for wrong in [
        &["--ask"][..],
        &["--speed", "9601", "/dev/null"],
        &["--framing", "9X1", "/dev/null"],
        &["--for", "0", "x"],
    ] {
        assert_eq!(program(&[&["listen"], wrong].concat()).await.code, 64, "{wrong:?}");
    }
}
