//! A disk that fills up under the running station: it says so early, refuses what it cannot keep,
//! and goes on by itself once there is room.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lab::Lab;
use common::running::{Running, alarm, at_place, is_active, is_over};
use common::site::{Launched, Site};
use common::{PROGRAM, soon};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use tokio::net::UnixDatagram;

/// Size of the disk and the stated limit of free room, millions of bytes.
const DISK_MB: u64 = 24;
const LOW_MB: u64 = 12;

/// How this machine lets a test mount a small file system that nobody else sees, if it does: as
/// root, or in a user namespace of its own.
fn own_mounts() -> Option<&'static [&'static str]> {
    const WAYS: [&[&str]; 2] = [&["-Urm"], &["-m"]];
    let works = |way: &&&[&str]| {
        let mut try_it = Command::new("unshare");
        try_it.args(**way).args(["sh", "-c", "mount -t tmpfs -o size=1m tmpfs /mnt"]);
        try_it.stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|status| status.success())
    };
    WAYS.iter().find(works).copied()
}

/// The station with its journal on a small disk of its own; and that disk, seen from here.
async fn on_a_small_disk(site: &Site, way: &[&str]) -> (Running, PathBuf) {
    let disk = site.folder.file("disk");
    std::fs::create_dir_all(&disk).unwrap();
    let (socket, log) = (site.folder.file("notify"), site.folder.file("log"));
    let notify = UnixDatagram::bind(&socket).unwrap();
    let mount = format!("mount -t tmpfs -o size={DISK_MB}m tmpfs \"$0\" && exec \"$@\"");
    let child = tokio::process::Command::new("unshare")
        .args(way)
        .args(["sh", "-c", &mount])
        .arg(&disk)
        .args([PROGRAM, "run", "--settings"])
        .arg(site.folder.path())
        .env("NOTIFY_SOCKET", &socket)
        .env("STILLSTAND_JOURNAL__PATH", disk.join("journal.sqlite"))
        .env("STILLSTAND_JOURNAL__SPACE_LOW_MB", LOW_MB.to_string())
        .env_remove("WATCHDOG_USEC")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(std::fs::File::create(&log).unwrap())
        .kill_on_drop(true)
        .spawn()
        .unwrap();
    // Every program of the way is replaced by the next, so the number is the station's own.
    let root = PathBuf::from(format!("/proc/{}/root", child.id().unwrap()));
    let bench = Launched { child, notify, log }.ready().await;
    let seen = root.join(disk.strip_prefix("/").unwrap());
    (bench, seen)
}

/// Fills the disk until so many bytes are free; 0 means to the last.
fn fill(disk: &Path, leave: u64) {
    let mut filler = std::fs::OpenOptions::new().create(true).append(true).open(disk.join("filler")).unwrap();
    let free = || {
        let told = rustix::fs::statvfs(disk).unwrap();
        told.f_bavail * told.f_frsize
    };
    let block = vec![0_u8; 4096];
    while free() > leave && filler.write_all(&block).is_ok() {}
}

/// Registers samples until one is refused: the log has room of its own until it must grow. Gives how
/// many were confirmed, and the refusal.
async fn act_until_refused(bench: &Running) -> (usize, String) {
    let mut kept = 0;
    let refused = soon("an act is refused", async {
        loop {
            let what = serde_json::json!({ "act": "register-sample", "label": format!("Lot {kept}"),
                "method": common::work::METHOD, "specimens": 1 });
            match bench.act(what).await {
                (200, _) => kept += 1,
                (409, answer) => break answer["text"].as_str().unwrap().to_owned(),
                other => panic!("{other:?}"),
            }
        }
    })
    .await;
    (kept, refused)
}

/// From within: what was confirmed is there, in a chain that holds.
async fn copy_is_sound(site: &Site, bench: &Running, way: &[&str]) {
    let copy = site.folder.file("copy.sqlite");
    let pid = bench.child.id().unwrap().to_string();
    let users: &[&str] = if way[0].contains('U') { &["-U", "--preserve-credentials"] } else { &[] };
    let mut within = tokio::process::Command::new("nsenter");
    within.args(["-t", &pid, "-m"]).args(users).args([PROGRAM, "backup"]);
    within.arg(site.folder.file("disk/journal.sqlite")).arg(&copy).kill_on_drop(true);
    let copied = soon("a backup", within.output()).await.unwrap();
    assert!(copied.status.success(), "{}", String::from_utf8_lossy(&copied.stderr));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_is_said_early_refuses_what_cannot_be_kept_and_heals_without_a_start() {
    let Some(way) = own_mounts() else {
        eprintln!("SKIPPED: neither root nor a user namespace may mount a small file system here");
        return;
    };
    let lab = Lab::open().await;
    let site = Site::new("full-disk", Some(lab.port()));
    let (bench, disk) = on_a_small_disk(&site, way).await;
    let sample = bench.sample("Before", 2).await;
    let specimen = bench.specimen(sample, 1).await;
    bench.soaking(specimen).await;
    lab.reaches_station().await;

    fill(&disk, (LOW_MB - 2) * 1_000_000);
    bench.until("the room is low", |v| is_active(v, "disk-low")).await;
    let low = bench.view().await;
    assert!(alarm(&low, "disk-low").unwrap()["text"].as_str().unwrap().contains("12 MB"), "{low:#}");
    bench.sample("While it is low", 1).await;

    fill(&disk, 0);
    let (kept, refused) = act_until_refused(&bench).await;
    assert!(refused.starts_with("not kept: the disk is full"), "{refused}");
    let shown = bench.until("the page says so", |v| is_active(v, "not-kept")).await;
    assert!(shown["fault"].as_str().unwrap().contains("full"), "{shown:#}");
    assert_eq!(shown["samples"].as_array().unwrap().len(), 2 + kept, "what was confirmed, and nothing else");
    assert_eq!(bench.get("/readyz").await.status, 503);
    let later = bench.refused(serde_json::json!({ "act": "stop-awaiting" })).await;
    assert!(later.starts_with("not kept"), "{later}");
    let asked = lab
        .ask(
            "ask/act",
            format!(r#"{{ "id": "{}", "do": {{ "act": "stop-awaiting" }} }}"#, uuid::Uuid::now_v7())
                .as_bytes(),
        )
        .await;
    assert_eq!(
        (&asked["outcome"], &asked["refusal"]["refused"]),
        (&"refused".into(), &"not-kept".into()),
        "{asked}"
    );
    let topic = format!("stillstand/1/{}/alarm/not-kept", common::site::STATION);
    soon("the network is told", async {
        while lab.broker.retained(&topic).is_none_or(|body| body.is_empty()) {
            tokio::time::sleep(common::LOOK).await;
        }
    })
    .await;
    // Views and time go on.
    let before = at_place(&bench.view().await, 1)["running"]["elapsedMs"].as_i64().unwrap();
    bench.lasted(1, "soak", before + 500).await;

    std::fs::remove_file(disk.join("filler")).unwrap();
    bench.until("it goes on by itself", |v| v["fault"].is_null() && alarm(v, "not-kept").is_none()).await;
    bench.until("there is room again", |v| is_over(v, "disk-low")).await;
    bench.mark(specimen, "loosen", "begin").await;
    let view = bench.view().await;
    assert_eq!(view["samples"].as_array().unwrap().len(), 2 + kept);
    soon("the network is told that it is over", async {
        while lab.broker.retained(&topic).is_some_and(|body| !body.is_empty()) {
            tokio::time::sleep(common::LOOK).await;
        }
    })
    .await;
    copy_is_sound(&site, &bench, way).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_start_on_a_read_only_disk_ends_and_says_why() {
    let Some(way) = own_mounts() else {
        eprintln!("SKIPPED: neither root nor a user namespace may mount a small file system here");
        return;
    };
    let site = Site::new("read-only", None);
    let disk = site.folder.file("disk");
    std::fs::create_dir_all(&disk).unwrap();
    let mut start = tokio::process::Command::new("unshare");
    start.args(way).args(["sh", "-c", "mount -t tmpfs -o ro tmpfs \"$0\" && exec \"$@\""]).arg(&disk);
    start.args([PROGRAM, "run", "--settings"]).arg(site.folder.path());
    start.env("STILLSTAND_JOURNAL__PATH", disk.join("journal.sqlite")).kill_on_drop(true);
    let ended = soon("the start ends", start.output()).await.unwrap();
    let said = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(74), "{said}");
    assert!(said.contains("read-only") && said.contains("journal.sqlite"), "{said}");
}
