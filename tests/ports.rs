//! What can happen to a port, at the running program: said on the page with port and reason, and
//! over again when it is over.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::{Wire, print_key};
use common::running::{alarm, is_active, is_over};
use common::site::Site;
use common::{Folder, PROGRAM, soon};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::process::Stdio;
use tokio::io::AsyncReadExt;
use tokio::process::{Child, Command};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn unplugged_taken_and_back_on_another_number_each_is_said_and_over_again() {
    let site = Site::new("ports", None);
    let bench = site.start().await;
    let port = site.folder.file("balance.port");
    site.balance.say(print_key("10.00")).await;
    bench.until("a weighing", |v| v["balance"]["weighings"] == 1).await;
    let before = std::fs::read_link(&port).unwrap();

    // In the middle of a line.
    site.balance.say("      99.9").await;
    site.balance.pull().await;
    let view = bench.until("the balance is gone", |v| is_active(v, "instrument-gone-balance")).await;
    let text = alarm(&view, "instrument-gone-balance").unwrap()["text"].as_str().unwrap().to_owned();
    assert!(text.contains(port.to_str().unwrap()) && text.contains("put the cable back"), "{text}");

    // It comes back on another number, as udev does it: the device is there first, then the link.
    let mut devices = Vec::new();
    let again = loop {
        let name = format!("ttyUSB{}", devices.len());
        let wire = Wire::open(&site.folder.file(&name));
        if std::fs::read_link(site.folder.file(&name)).unwrap() != before {
            symlink(name, &port).unwrap();
            break wire;
        }
        devices.push(wire);
    };
    bench.until("the balance is back", |v| is_over(v, "instrument-gone-balance")).await;
    again.say("0 g\r\n").await;
    again.say(print_key("20.00")).await;
    let view = bench.until("a second weighing", |v| v["balance"]["weighings"] == 2).await;
    assert_eq!(view["balance"]["kept"][0]["mass"], "20.00 g", "nothing of the torn line");

    // Another program is quicker at the next plug: the alarm says what to do now.
    std::fs::remove_file(&port).unwrap();
    again.pull().await;
    bench.until("the balance is gone again", |v| is_active(v, "instrument-gone-balance")).await;
    let again = Wire::open(&site.folder.file("ttyACM0"));
    let quicker = serialport::new(site.folder.file("ttyACM0").to_str().unwrap(), 9600).open_native().unwrap();
    symlink("ttyACM0", &port).unwrap();
    let taken = |v: &serde_json::Value| {
        is_active(v, "instrument-gone-balance")
            && alarm(v, "instrument-gone-balance").unwrap()["text"].to_string().contains("another program")
    };
    bench.until("the balance is taken", taken).await;
    drop(quicker);
    again.free().await;
    bench.until("the balance is free again", |v| is_over(v, "instrument-gone-balance")).await;
    assert_eq!(bench.stop().await, 0);

    // The station starts while another program has the port.
    let held = serialport::new(port.to_str().unwrap(), 9600).open_native().unwrap();
    let bench = site.start().await;
    let view = bench.until("the balance is taken", |v| is_active(v, "instrument-gone-balance")).await;
    let text = alarm(&view, "instrument-gone-balance").unwrap()["text"].as_str().unwrap().to_owned();
    assert!(text.contains(port.to_str().unwrap()) && text.contains("another program holds"), "{text}");
    drop(held);
    // As the kernel does for a real port with its last close.
    again.free().await;
    bench.until("the balance is free", |v| is_over(v, "instrument-gone-balance")).await;
    again.say(print_key("30.00")).await;
    bench.until("a third weighing", |v| v["balance"]["weighings"] == 3).await;
    assert_eq!(bench.stop().await, 0);
}

/// The program as a user without any right of its own: `nobody` where the tests run as root, whom
/// the kernel lets pass exclusive use; else whoever runs them.
struct Nobody {
    folder: Folder,
    program: std::path::PathBuf,
    root: bool,
}

impl Nobody {
    async fn new(name: &str) -> Self {
        let folder = Folder::new(name);
        let program = folder.file("program");
        std::fs::copy(PROGRAM, &program).unwrap();
        let id = Command::new("id").arg("-u").output().await.unwrap();
        Self { folder, program, root: id.stdout.starts_with(b"0\n") }
    }

    fn listens(&self, port: &std::path::Path, seconds: &str) -> Child {
        let mut command = if self.root {
            let mut command = Command::new("setpriv");
            command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups"]).arg(&self.program);
            command
        } else {
            Command::new(&self.program)
        };
        command
            .args(["listen", "--for", seconds])
            .arg(port)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .kill_on_drop(true)
            .spawn()
            .expect("setpriv is there: it is part of util-linux")
    }

    /// Lets everybody use the port, as the group dialout may use a real one.
    fn open_to_all(port: &std::path::Path) {
        std::fs::set_permissions(port, std::fs::Permissions::from_mode(0o666)).unwrap();
    }
}

/// Waits for the first byte that it shows.
async fn has_opened(child: &mut Child, wire: &Wire) {
    wire.say("     52.30\r\n").await;
    let out = child.stdout.as_mut().unwrap();
    soon("a line is shown", out.read_exact(&mut [0])).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn exclusive_use_holds_against_a_user_without_rights_and_is_given_back_to_him() {
    let nobody = Nobody::new("nobody").await;
    let port = nobody.folder.file("port");
    let wire = Wire::open(&port);
    Nobody::open_to_all(&port);
    let mut first = nobody.listens(&port, "60");
    has_opened(&mut first, &wire).await;
    let second = soon("the second ends", nobody.listens(&port, "1").wait_with_output()).await.unwrap();
    let said = String::from_utf8_lossy(&second.stderr).into_owned();
    assert_eq!(second.status.code(), Some(69), "{said}");
    assert!(said.contains("another program holds") && said.contains("busy"), "{said}");
    // Ended in good order, it gives the port back although the other end stays open.
    let pid = first.id().unwrap().to_string();
    assert!(Command::new("kill").args(["-INT", &pid]).status().await.unwrap().success());
    let ended = soon("the first ends", first.wait_with_output()).await.unwrap();
    assert_eq!(ended.status.code(), Some(0), "what came is judged all the same");
    let mut third = nobody.listens(&port, "60");
    has_opened(&mut third, &wire).await;
    third.kill().await.unwrap();
    // Killed, it gives nothing back, and of a pseudo-terminal the kernel does not take it either.
    // Of a real port it does: the last close clears it.
    let fourth = soon("the fourth ends", nobody.listens(&port, "1").wait_with_output()).await.unwrap();
    let said = String::from_utf8_lossy(&fourth.stderr).into_owned();
    assert_eq!(fourth.status.code(), Some(69), "{said}");
    wire.free().await;
    let mut fifth = nobody.listens(&port, "60");
    has_opened(&mut fifth, &wire).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_port_of_a_group_that_one_is_not_in_says_which_group_to_join() {
    let nobody = Nobody::new("denied").await;
    let port = nobody.folder.file("port");
    let _wire = Wire::open(&port);
    std::fs::set_permissions(&port, std::fs::Permissions::from_mode(0o000)).unwrap();
    let ended = soon("it ends", nobody.listens(&port, "1").wait_with_output()).await.unwrap();
    let said = String::from_utf8_lossy(&ended.stderr).into_owned();
    assert_eq!(ended.status.code(), Some(69), "{said}");
    assert!(said.contains("dialout") && said.contains("mode 0"), "{said}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_cable_that_is_put_in_while_nothing_was_there_is_found() {
    let site = Site::new("later", None);
    site.balance.pull().await;
    let bench = site.start().await;
    bench.until("the balance is not there", |v| is_active(v, "instrument-gone-balance")).await;
    // A device of another name, and the link comes last, as udev makes it.
    let elsewhere = site.folder.file("ttyUSB7");
    let wire = Wire::open(&elsewhere);
    symlink("ttyUSB7", site.folder.file("balance.port")).unwrap();
    bench.until("the balance is there", |v| is_over(v, "instrument-gone-balance")).await;
    wire.say(print_key("12.34")).await;
    let view = bench.until("a weighing", |v| v["balance"]["weighings"] == 1).await;
    assert_eq!(view["balance"]["kept"][0]["mass"], "12.34 g");
    assert_eq!(bench.stop().await, 0);
}
