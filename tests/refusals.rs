//! What the program will not do, and in which words it says so.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::site::{Site, settings};
use common::{Folder, program};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

/// Runs `run` or `check` on a folder; it must end by itself.
async fn ends(command: &str, folder: &Path) -> common::Ended {
    program(&[command, "--settings", folder.to_str().unwrap()]).await
}

fn says(text: &str, words: &[&str]) {
    for word in words {
        assert!(text.contains(word), "`{word}` is not in:\n{text}");
    }
}

/// Line of a text that holds a word, from 1.
fn line_of(text: &str, word: &str) -> usize {
    text.lines().position(|line| line.contains(word)).unwrap() + 1
}

#[tokio::test]
async fn a_second_daemon_on_one_journal_is_refused_and_the_first_goes_on() {
    let site = Site::new("twice", None);
    let bench = site.start().await;
    let second = ends("run", site.folder.path()).await;
    assert_eq!(second.code, 69, "{}", second.err);
    says(&second.err, &["journal.sqlite", "in use by", "only one station"]);
    bench.sample("Still at work", 1).await;
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test]
async fn a_station_that_ended_badly_leaves_no_lock_behind() {
    let site = Site::new("lock", None);
    let bench = site.start().await;
    site.kill(bench).await;
    assert_eq!(site.start().await.stop().await, 0);
}

#[tokio::test]
async fn an_unknown_key_is_named_with_its_file_and_line() {
    let folder = Folder::new("unknown");
    let text = settings(&folder, None, "[triggers.lamp]\ndoes = \"next\"\nplase = 2\n");
    folder.write("stillstand.toml", &text);
    for command in ["run", "check"] {
        let ended = ends(command, folder.path()).await;
        assert_eq!(ended.code, 78, "{command}: {}", ended.err);
        let place = format!("stillstand.toml:{}", line_of(&text, "plase"));
        says(&ended.err, &[&place, "plase"]);
    }
}

#[tokio::test]
async fn a_key_of_the_environment_that_nobody_knows_is_named() {
    let folder = Folder::new("environment");
    folder.write("stillstand.toml", &settings(&folder, None, ""));
    let mut command = tokio::process::Command::new(common::PROGRAM);
    command.args(["check", "--settings"]).arg(folder.path()).env("STILLSTAND_BENCH__PLASES", "9");
    let output = common::soon("check ends", command.output()).await.unwrap();
    assert_eq!(output.status.code(), Some(78));
    says(&String::from_utf8_lossy(&output.stderr), &["STILLSTAND_BENCH__PLASES"]);
}

#[tokio::test]
async fn a_method_file_with_five_faults_is_told_all_five_at_once() {
    const FAULTY: &str = include_str!("../src/domain/method/load/five-faults.toml");
    let folder = Folder::new("faults");
    let methods = format!("{}/config/methods", env!("CARGO_MANIFEST_DIR"));
    let own = settings(&folder, None, "").replace(&methods, &folder.file("methods").display().to_string());
    folder.write("stillstand.toml", &own);
    folder.write("methods/five-faults.toml", FAULTY);
    let ended = ends("check", folder.path()).await;
    assert_eq!(ended.code, 78, "{}", ended.err);
    for (n, key) in
        [(1, "seive"), (2, "window"), (3, "temperature.to"), (4, "readings.mark"), (5, "calculation.result")]
    {
        let place = format!("five-faults.toml:{}", line_of(FAULTY, &format!("# fault {n}")));
        let line = ended.err.lines().find(|l| l.contains(&place));
        let line = line.unwrap_or_else(|| panic!("fault {n} ({key}) is not told at {place}:\n{}", ended.err));
        says(line, &[key]);
    }
    assert_eq!(ended.err.lines().filter(|l| l.contains("five-faults.toml:")).count(), 5, "{}", ended.err);
    assert_eq!(ends("run", folder.path()).await.code, 78, "and it does not start with it");
}

#[tokio::test]
async fn faults_of_settings_methods_and_shapes_are_told_together() {
    let folder = Folder::new("together");
    let methods = format!("{}/config/methods", env!("CARGO_MANIFEST_DIR"));
    let own = settings(&folder, None, "[triggers.lamp]\ndoes = \"next\"\nplace = 12\n")
        .replace(&methods, &folder.file("methods").display().to_string())
        .replace("shape = \"probe-text-unit\"", "shape = \"balance-bare-number\"");
    folder.write("stillstand.toml", &own);
    folder.write("methods/empty.toml", "id = \"empty\"\n");
    let ended = ends("check", folder.path()).await;
    assert_eq!(ended.code, 78);
    says(
        &ended.err,
        &["triggers.lamp.place", "empty.toml", "instruments.probe.shape", "balance-bare-number"],
    );
}

#[tokio::test]
async fn sound_settings_are_told_to_be_sound_and_nothing_is_started() {
    let folder = Folder::new("sound");
    folder.write("stillstand.toml", &settings(&folder, Some(1883), ""));
    let ended = ends("check", folder.path()).await;
    assert_eq!((ended.code, ended.err.as_str()), (0, ""));
    let shipped = concat!(env!("CARGO_MANIFEST_DIR"), "/config/methods");
    let methods = format!("{} methods", std::fs::read_dir(shipped).unwrap().count());
    says(&ended.out, &[&methods, "2 instruments", "10 triggers"]);
    assert!(!folder.file("journal.sqlite").exists());
}

#[tokio::test]
async fn settings_that_are_not_there_are_named() {
    let folder = Folder::new("nothing");
    let ended = ends("run", &folder.file("nowhere.toml")).await;
    assert_eq!(ended.code, 78, "{}", ended.err);
    says(&ended.err, &["nowhere.toml"]);
}

#[tokio::test]
async fn pages_whose_port_is_taken_are_told_with_the_port() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let folder = Folder::new("port");
    folder.write("stillstand.toml", &settings(&folder, None, "").replace("127.0.0.1:0", &address));
    let ended = ends("run", folder.path()).await;
    assert_eq!(ended.code, 69, "{}", ended.err);
    says(&ended.err, &[&address, "pages"]);
    assert!(!folder.file("journal.sqlite").exists(), "no journal was begun");
}

#[tokio::test]
async fn a_journal_of_a_newer_program_is_left_as_it_is() {
    let site = Site::new("newer", None);
    assert_eq!(site.start().await.stop().await, 0);
    let journal = site.journal();
    rusqlite::Connection::open(&journal).unwrap().pragma_update(None, "user_version", 99).unwrap();
    let before = std::fs::read(&journal).unwrap();
    let ended = ends("run", site.folder.path()).await;
    assert_eq!(ended.code, 65, "{}", ended.err);
    says(&ended.err, &["journal.sqlite", "format 99", "newer"]);
    assert_eq!(std::fs::read(&journal).unwrap(), before, "it was left untouched");
}

#[tokio::test]
async fn a_file_that_is_no_journal_is_left_as_it_is() {
    let site = Site::new("foreign", None);
    site.folder.write("journal.sqlite", "A shopping list: gloves, bleach, sieve brush. ".repeat(30).as_str());
    let before = std::fs::read(site.journal()).unwrap();
    let ended = ends("run", site.folder.path()).await;
    assert_eq!(ended.code, 65, "{}", ended.err);
    says(&ended.err, &["journal.sqlite", "not a journal"]);
    assert_eq!(std::fs::read(site.journal()).unwrap(), before);
}

#[tokio::test]
async fn a_signing_key_that_others_may_read_stops_the_start_and_stays() {
    let site = Site::new("open-key", None);
    assert_eq!(site.start().await.stop().await, 0);
    let key = site.folder.file("journal.signing-key.pem");
    let before = std::fs::read(&key).unwrap();
    std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o644)).unwrap();
    let ended = ends("run", site.folder.path()).await;
    assert_eq!(ended.code, 78, "{}", ended.err);
    says(&ended.err, &["journal.signing-key.pem", "chmod 600"]);
    assert_eq!(std::fs::read(&key).unwrap(), before);
}

#[tokio::test]
async fn verify_names_the_first_altered_event() {
    let site = Site::new("altered", None);
    let bench = site.start().await;
    for label in ["Lot A", "Lot B", "Lot C"] {
        bench.sample(label, 1).await;
    }
    assert_eq!(bench.stop().await, 0);
    let journal = site.journal();
    let sound = program(&["verify", journal.to_str().unwrap()]).await;
    assert_eq!(sound.code, 0, "{}", sound.err);
    says(&sound.out, &["sound", "head"]);

    let db = rusqlite::Connection::open(&journal).unwrap();
    let seq: i64 = db
        .query_row(
            "SELECT seq FROM event WHERE kind = 'sample-registered' AND payload LIKE '%Lot B%'",
            [],
            |r| r.get(0),
        )
        .unwrap();
    // Whoever alters a journal takes its guards away first.
    let guards: Vec<String> = db
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = 'event'")
        .unwrap()
        .query_map([], |r| r.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    for guard in guards {
        db.execute_batch(&format!("DROP TRIGGER {guard}")).unwrap();
    }
    db.execute("UPDATE event SET payload = replace(payload, 'Lot B', 'Lot D') WHERE seq = ?1", [seq])
        .unwrap();
    drop(db);

    let altered = program(&["verify", journal.to_str().unwrap()]).await;
    assert_eq!(altered.code, 65, "{}", altered.out);
    says(&altered.err, &[&format!("event {seq} "), "sample-registered"]);
}

#[tokio::test]
async fn verify_of_a_journal_that_is_not_there_makes_none() {
    let folder = Folder::new("missing");
    let path = folder.file("journal.sqlite");
    let ended = program(&["verify", path.to_str().unwrap()]).await;
    assert_ne!(ended.code, 0);
    says(&ended.err, &["journal.sqlite"]);
    assert!(!path.exists());
}
