//! The door by itself: what lasts how long, who waits, who finds a place.

use super::accounts::{self, Account, Accounts, Role};
use super::house::{House, Most};
use super::password::{Hash, Password};
use super::tries::{Counted, Tries};
use super::{Door, Ends, Lasts, NotOn};
use std::net::IpAddr;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::sync::Arc;
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

    fn door(&self) -> Arc<Door> {
        let lasts = Lasts { idle_ns: 30 * MINUTE, person_ns: 12 * HOUR, screen_ns: 10 * HOUR };
        Arc::new(Door::open(self.file(), lasts, false).unwrap())
    }

    fn now(&self) -> i64 {
        self.now_ns.load(Ordering::Relaxed)
    }

    fn pass(&self, ns: i64) {
        self.now_ns.fetch_add(ns, Ordering::Relaxed);
    }

    async fn sign_on(
        &self,
        door: &Arc<Door>,
        from: &str,
        name: &str,
        password: &str,
    ) -> Result<String, NotOn> {
        let now = self.now();
        let on = door.sign_on(ip(from), name, Password::new(password), move || now).await;
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
    tries.right(owner, ada, 0);
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

#[test]
fn a_visitors_wrong_tries_hold_up_strangers_of_the_same_network_and_nobody_who_was_signed_on() {
    let mut tries = Tries::default();
    let [ada, ben] = ["ada", "ben"].map(Counted::of);
    let [desk, visitor, fresh] = ["2001:db8::a", "2001:db8::bad", "2001:db8::f"].map(ip);
    tries.right(desk, ada, 0);
    for _ in 0..12 {
        tries.wrong(visitor, ada, 0);
        tries.wrong(visitor, ben, 0);
    }
    assert_eq!(tries.wait_s(desk, ada, 0), None, "where she was signed on before");
    assert_eq!(tries.wrong(desk, ada, 0), 0, "and a slip there costs no more than on a quiet day");
    assert!(tries.wait_s(desk, ben, 0).is_some(), "where he was not");
    assert!(tries.wait_s(fresh, ada, 0).is_some(), "a visitor may have any address of the network");
    // What is wrong at the desk itself counts there.
    for _ in 0..4 {
        tries.wrong(desk, ada, 0);
    }
    assert!(tries.wait_s(desk, ada, 0).is_some());
}

/// Ends once it is so.
async fn until(what: &str, mut so: impl FnMut() -> bool) {
    let soon = async {
        while !so() {
            tokio::task::yield_now().await;
        }
    };
    tokio::time::timeout(std::time::Duration::from_mins(1), soon)
        .await
        .unwrap_or_else(|_| panic!("never: {what}"));
}

#[tokio::test]
async fn who_breaks_off_has_tried_all_the_same_and_the_next_one_waits_for_the_turn() {
    let rig = Rig::new();
    rig.keep(&[of_ada()]);
    let door = rig.door();
    for n in 0..4 {
        let mut tries = Box::pin(rig.sign_on(&door, "10.0.0.66", "ada", "a wrong one of course"));
        tokio::select! {
            biased;
            on = &mut tries => panic!("{on:?}"),
            () = until("a password is worked on", || door.turn.available_permits() == 0) => {}
        }
        drop(tries);
        // What was begun goes on, and it is the only one.
        assert_eq!((door.turn.available_permits(), door.queue.available_permits()), (0, 7), "try {n}");
        until("it is over", || door.turn.available_permits() == 1).await;
    }
    let now = rig.sign_on(&door, "10.0.0.66", "ada", WORDS).await;
    assert!(matches!(now, Err(NotOn::TooEarly(_))), "four were wrong: {now:?}");
    // Many at once that all break off take the places there are, and no more.
    for n in 0..20 {
        let from = format!("10.0.1.{n}");
        let mut tries = Box::pin(rig.sign_on(&door, &from, "ada", "a wrong one of course"));
        let _ = tokio::time::timeout(std::time::Duration::ZERO, &mut tries).await;
    }
    until("they are at work", || door.turn.available_permits() == 0).await;
    assert_eq!(rig.sign_on(&door, "10.0.2.1", "ada", WORDS).await, Err(NotOn::Busy));
    until("they are over", || door.queue.available_permits() == 8).await;
    assert!(rig.sign_on(&door, "10.0.2.1", "ada", WORDS).await.is_ok());
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
fn an_account_without_a_person_may_no_more_than_operate_whoever_wrote_the_file() {
    let rig = Rig::new();
    rig.keep(&[account("wall", None, Role::Operate, WORDS)]);
    let text = std::fs::read_to_string(rig.file()).unwrap();
    for role in [Role::Review, Role::Administer] {
        std::fs::write(rig.file(), text.replace("\"operate\"", &format!("\"{}\"", role.word()))).unwrap();
        let said = Accounts::read(&rig.file()).unwrap_err().to_string();
        let words = format!("`wall` may {}: a bench screen may look or operate", role.word());
        assert!(said.contains(&words) && !said.contains("argon2id"), "{said}");
        let given = account("wall", None, role, WORDS);
        assert!(Accounts { all: vec![given] }.write(&rig.file()).is_err());
    }
}

#[test]
fn a_certificate_asks_to_be_renewed_for_its_last_thirty_days() {
    let (end_s, day_ns) = (1_805_142_997, 24 * HOUR);
    let certificate = Ends::at(Some(end_s));
    let left = |days: i64| certificate.soon(end_s * SECOND - days * day_ns);
    assert_eq!((left(31), left(30)), (None, None));
    for (days, words) in [(29, "ends in 29 days (2027-03-15)"), (0, "ends in 0 days"), (-1, "has ended")] {
        let said = left(days).unwrap();
        assert!(said.contains(words) && said.contains("start the station anew"), "{said}");
    }
    assert_eq!(Ends::at(None).soon(end_s * SECOND), None);
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

#[test]
fn a_visitor_takes_no_place_of_a_screen_in_the_same_ipv6_network() {
    let house =
        House::new(Most { strangers: 8, known: 8, of_one: 2, streams: 8, streams_of_one: 1, onlookers: 8 });
    // A visitor has as many addresses as he likes, and they count as one.
    let visitor: Vec<_> =
        (1..9).filter_map(|n| house.enter(ip(&format!("2001:db8::bad:{n}")), false)).collect();
    assert_eq!(visitor.len(), 2);
    assert!(visitor[0].become_stream(true) && !visitor[1].become_stream(true), "one stream of them all");
    // Screens that are signed on have places of their own, each of them.
    for screen in ["2001:db8::a", "2001:db8::b"].map(ip) {
        let stream = house.enter(screen, true).unwrap();
        assert!(stream.become_stream(false));
        let more: Vec<_> = (0..3).filter_map(|_| house.enter(screen, true)).collect();
        assert_eq!(more.len(), 2, "and no more than one address may have");
        assert!(!more[0].become_stream(false));
    }
    // Another network is another stranger, and what was left is free again.
    assert!(house.enter(ip("2001:db8:0:1::1"), false).is_some());
    drop(visitor);
    assert!(house.enter(ip("2001:db8::bad:1"), false).is_some());
}
