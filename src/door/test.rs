//! The door by itself: what lasts how long, who waits, who finds a place.

use super::accounts::{self, Account, Accounts, Role};
use super::house::{House, Most};
use super::password::{Hash, Password};
use super::tries::{Counted, Tries};
use super::{Door, Lasts, NotOn};
use std::net::IpAddr;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::sync::atomic::{AtomicI64, Ordering};
use uuid::Uuid;

const SECOND: i64 = 1_000_000_000;
const MINUTE: i64 = 60 * SECOND;
const HOUR: i64 = 60 * MINUTE;
const WORDS: &str = "four grey tins dried";

/// A file of accounts in a folder of its own, and a clock that is set.
struct Rig {
    folder: PathBuf,
    now_ns: AtomicI64,
}

fn account(name: &str, person: Option<&str>, role: Role, password: &str) -> Account {
    let password = Hash::of(&Password::new(password)).unwrap();
    Account { name: name.to_owned(), person: person.map(str::to_owned), role, password }
}

fn of_ada() -> Account {
    account("ada", Some("Ada Field"), Role::Operate, WORDS)
}

fn ip(text: &str) -> IpAddr {
    text.parse().unwrap()
}

impl Rig {
    fn new() -> Self {
        let folder = std::env::temp_dir().join(format!("stillstand-door-{}", Uuid::now_v7()));
        std::fs::create_dir(&folder).unwrap();
        Self { folder, now_ns: AtomicI64::new(HOUR) }
    }

    fn file(&self) -> PathBuf {
        self.folder.join("accounts.toml")
    }

    fn keep(&self, all: &[Account]) {
        Accounts { all: all.to_vec() }.write(&self.file()).unwrap();
    }

    fn door(&self) -> Door {
        let lasts = Lasts { idle_ns: 30 * MINUTE, person_ns: 12 * HOUR, screen_ns: 10 * HOUR };
        Door::open(self.file(), lasts, false).unwrap()
    }

    fn now(&self) -> i64 {
        self.now_ns.load(Ordering::Relaxed)
    }

    fn pass(&self, ns: i64) {
        self.now_ns.fetch_add(ns, Ordering::Relaxed);
    }

    async fn sign_on(&self, door: &Door, from: &str, name: &str, password: &str) -> Result<String, NotOn> {
        let on = door.sign_on(ip(from), name, Password::new(password), || self.now()).await;
        on.map(|(key, _)| key.reveal().to_owned())
    }
}

impl Drop for Rig {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

#[tokio::test]
async fn a_person_stays_on_while_something_is_done_and_never_longer_than_set() {
    let rig = Rig::new();
    rig.keep(&[of_ada(), account("bench-a", None, Role::Operate, WORDS)]);
    let door = rig.door();
    let key = rig.sign_on(&door, "10.0.0.7", "ada", WORDS).await.unwrap();
    rig.pass(29 * MINUTE);
    assert!(door.guest(&key, rig.now(), false).is_some(), "a page that asks by itself is no person");
    rig.pass(MINUTE);
    assert!(door.guest(&key, rig.now(), true).is_none(), "half an hour without an act");

    let key = rig.sign_on(&door, "10.0.0.7", "Ada", WORDS).await.unwrap();
    for _ in 0..24 {
        rig.pass(29 * MINUTE);
        assert!(door.guest(&key, rig.now(), true).is_some());
    }
    rig.pass(25 * MINUTE);
    assert!(door.guest(&key, rig.now(), true).is_none(), "twelve hours and one minute");

    let screen = rig.sign_on(&door, "10.0.0.8", "bench-a", WORDS).await.unwrap();
    rig.pass(10 * HOUR - 1);
    assert!(door.guest(&screen, rig.now(), false).is_some(), "a bench screen has no idle end");
    rig.pass(1);
    assert!(door.guest(&screen, rig.now(), true).is_none());
}

#[tokio::test]
async fn a_change_of_password_or_role_ends_the_sign_ons_of_that_account_alone() {
    let rig = Rig::new();
    let other = account("ben", Some("Ben Stone"), Role::Review, "another five words here");
    let changes = [
        account("ada", Some("Ada Field"), Role::Operate, "now it is another one"),
        account("ada", Some("Ada Field"), Role::Look, "now it is another one"),
    ];
    rig.keep(&[of_ada(), other.clone()]);
    let door = rig.door();
    let mut password = WORDS;
    let bens = rig.sign_on(&door, "10.0.0.9", "ben", "another five words here").await.unwrap();
    for changed in changes {
        let key = rig.sign_on(&door, "10.0.0.7", "ada", password).await.unwrap();
        let ended = door.guest(&key, rig.now(), true).unwrap().ended;
        rig.keep(&[changed, other.clone()]);
        password = "now it is another one";
        door.look(rig.now(), |_| true);
        assert!(ended.is_cancelled(), "its streams end");
        assert!(door.guest(&key, rig.now(), true).is_none());
        assert!(door.guest(&bens, rig.now(), true).is_some());
    }
    let ended = door.guest(&bens, rig.now(), true).unwrap().ended;
    let screen = rig.sign_on(&door, "10.0.0.7", "ada", password).await.unwrap();
    door.look(rig.now(), |guest| guest.person.as_deref() != Some("Ben Stone"));
    assert!(
        ended.is_cancelled() && door.guest(&screen, rig.now(), true).is_some(),
        "Ben has left, Ada has not"
    );
    let bens = rig.sign_on(&door, "10.0.0.9", "ben", "another five words here").await.unwrap();
    rig.keep(std::slice::from_ref(&other));
    assert!(
        matches!(rig.sign_on(&door, "10.0.0.7", "ada", password).await, Err(NotOn::Wrong(_))),
        "withdrawn"
    );
    // A file that others could change lets nobody in.
    std::fs::set_permissions(rig.file(), std::fs::Permissions::from_mode(0o644)).unwrap();
    assert!(door.guest(&bens, rig.now(), true).is_none());
}

#[tokio::test]
async fn wrong_tries_wait_longer_and_longer_and_only_where_they_come_from() {
    let rig = Rig::new();
    rig.keep(&[of_ada()]);
    let door = rig.door();
    // The owner is known at 10.0.0.7.
    rig.sign_on(&door, "10.0.0.7", "ada", WORDS).await.unwrap();
    let mut waits = Vec::new();
    for _ in 0..6 {
        match rig.sign_on(&door, "10.0.0.66", "ada", "a wrong one of course").await {
            Err(NotOn::Wrong(wait)) => waits.push(wait),
            other => panic!("{other:?}"),
        }
        if let Some(wait) = waits.last().filter(|wait| **wait > 0) {
            let early = rig.sign_on(&door, "10.0.0.66", "ada", WORDS).await;
            assert!(
                matches!(early, Err(NotOn::TooEarly(_))),
                "the right one too is not looked at: {early:?}"
            );
            rig.pass(i64::try_from(*wait).unwrap() * SECOND);
        }
    }
    assert!(waits.windows(2).all(|pair| pair[0] <= pair[1]), "{waits:?}");
    assert!(waits[..3] == [0, 0, 0] && waits[5] >= 4, "{waits:?}");
    // The owner is not locked out: not where she was before, and not elsewhere.
    assert!(rig.sign_on(&door, "10.0.0.7", "ada", WORDS).await.is_ok());
    assert!(rig.sign_on(&door, "10.0.0.99", "ada", WORDS).await.is_ok());
}

#[test]
fn an_account_under_attack_costs_more_but_not_its_owner() {
    let mut tries = Tries::default();
    let [ada, ben] = ["ada", "ben"].map(Counted::of);
    let owner = ip("10.0.0.7");
    tries.right(owner, ada);
    for last in 1..=12 {
        tries.wrong(ip(&format!("10.0.1.{last}")), ada, 0);
    }
    assert!(tries.wrong(ip("10.0.1.200"), ada, 0) >= 29, "one slip at a strange address");
    assert_eq!(tries.wrong(owner, ada, 0), 0, "one slip where the owner was before");
    assert_eq!(tries.wrong(ip("10.0.1.201"), ben, 0), 0, "another account");
    // One machine has a whole /64 of addresses.
    for last in 1..=5 {
        tries.wrong(ip(&format!("2001:db8::{last}")), ben, 0);
    }
    assert!(tries.wait_s(ip("2001:db8::77"), ben, 0).is_some());
    assert!(tries.wait_s(ip("2001:db8:0:1::77"), ben, 0).is_none());
    assert!(tries.wait_s(ip("2001:db8::77"), ben, 2 * HOUR).is_none(), "after hours it is forgotten");
}

#[tokio::test]
async fn somebody_elses_right_password_does_not_forgive_wrong_ones() {
    let rig = Rig::new();
    rig.keep(&[of_ada(), account("eve", Some("Eve Hill"), Role::Look, "her very own password")]);
    let door = rig.door();
    let mut waited = false;
    for _ in 0..8 {
        match rig.sign_on(&door, "10.0.0.66", "ada", "a wrong one of course").await {
            Err(NotOn::Wrong(_)) => {}
            Err(NotOn::TooEarly(_)) => waited = true,
            other => panic!("{other:?}"),
        }
        let _ = rig.sign_on(&door, "10.0.0.66", "eve", "her very own password").await;
    }
    assert!(waited);
}

#[test]
fn the_file_is_the_owners_alone_and_is_replaced_whole() {
    let rig = Rig::new();
    rig.keep(&[of_ada()]);
    let mode = || std::fs::metadata(rig.file()).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(), 0o600);
    let text = std::fs::read_to_string(rig.file()).unwrap();
    assert!(text.contains("$argon2id$v=19$m=19456,t=2,p=1$"), "{text}");
    assert!(!text.contains(WORDS));
    // What a cut-off write left is no hindrance.
    std::fs::write(rig.folder.join("accounts.toml.new"), "half").unwrap();
    rig.keep(&[of_ada(), account("bench-a", None, Role::Look, WORDS)]);
    assert_eq!((mode(), Accounts::read(&rig.file()).unwrap().all.len()), (0o600, 2));
    assert_eq!(std::fs::read_dir(&rig.folder).unwrap().count(), 1, "nothing lies about");
    // Two commands at once.
    let first = accounts::lock(&rig.file()).unwrap();
    assert!(accounts::lock(&rig.file()).unwrap_err().to_string().contains("another command"));
    drop(first);
    assert!(accounts::lock(&rig.file()).is_ok());
}

#[test]
fn what_is_wrong_with_the_file_is_said_without_what_is_secret() {
    let rig = Rig::new();
    assert!(Accounts::read(&rig.file()).unwrap_err().to_string().contains("stillstand account add"));
    let head = "[[account]]\nname = \"ada\"\nrole = \"operate\"\n";
    for (text, words) in [
        (format!("{head}password = \"my own secret words\"\n"), "line 4"),
        (format!("{head}password = \"my own secret words\n"), "line 4"),
        (format!("{head}pasword = \"my own secret words\"\n"), "pasword"),
    ] {
        std::fs::write(rig.file(), text).unwrap();
        std::fs::set_permissions(rig.file(), std::fs::Permissions::from_mode(0o600)).unwrap();
        let said = Accounts::read(&rig.file()).unwrap_err().to_string();
        assert!(said.contains(words) && !said.contains("secret words"), "{said}");
    }
    std::fs::set_permissions(rig.file(), std::fs::Permissions::from_mode(0o640)).unwrap();
    assert!(Accounts::read(&rig.file()).unwrap_err().to_string().contains("chmod 600"));
}

#[test]
fn weak_passwords_are_refused_with_what_to_do() {
    let check = |text: &str| Password::new(text).check("ada", Some("Ada Fieldstone"));
    for (text, words) in [
        ("short", "12 to 128"),
        ("aaaaaaaaaaaaaaaa", "few different"),
        ("ada fieldstone", "own name"),
        ("four grey\ttins dried", "control"),
        (&"long ".repeat(30), "12 to 128"),
    ] {
        let said = check(text).unwrap_err();
        assert!(said.contains(words), "{text}: {said}");
    }
    assert_eq!(check(WORDS), Ok(()));
}

#[test]
fn nothing_secret_shows_itself() {
    let rig = Rig::new();
    rig.keep(&[of_ada()]);
    let shown = format!("{:?} {:?} {:?}", of_ada(), Password::new(WORDS), rig.door());
    assert!(!shown.contains("argon2id") && !shown.contains(WORDS), "{shown}");
}

#[test]
fn a_flood_of_connections_takes_no_stream_and_no_known_address_its_place() {
    let house =
        House::new(Most { strangers: 8, known: 4, of_one: 3, streams: 4, streams_of_one: 2, onlookers: 1 });
    let flood: Vec<_> =
        (0..20).filter_map(|n| house.enter(ip(&format!("10.0.1.{}", n % 5)), false)).collect();
    assert_eq!(flood.len(), 8, "three of one address, eight in all");
    assert!(house.enter(ip("10.0.2.1"), false).is_none());
    // Where somebody is signed on, there is room, and a stream gives it back at once.
    let streams: Vec<_> = (0..2).map(|_| house.enter(ip("10.0.2.1"), true).unwrap()).collect();
    assert!(streams.iter().all(|place| place.become_stream(false)));
    let third = house.enter(ip("10.0.2.1"), true).unwrap();
    assert!(!third.become_stream(false), "two streams of one address");
    drop(streams);
    assert!(third.become_stream(false));
    // Nor do they who look at the open room page without an account.
    let onlooker = |n: usize| flood[n].become_stream(true);
    assert_eq!((onlooker(0), onlooker(1)), (true, false), "one of them in all");
    drop(flood);
    assert!(house.enter(ip("10.0.1.1"), false).is_some());
}
