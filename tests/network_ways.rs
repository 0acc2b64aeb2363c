//! Passwords, encryption with a laboratory's own authority, the station's own certificate, and
//! MQTT 3.1.1, all against a real broker.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::lines::print_key;
use common::mosquitto::free_port;
use common::outage::{RealBroker, authority};
use common::running::{Running, alarm, is_active};
use common::site::{STATION, Site, settings};
use std::process::Command;

/// Starts a station whose settings say more of the network.
async fn station(site: &Site, port: u16, more: &str) -> Running {
    site.folder.write("stillstand.toml", &settings(&site.folder, Some(port), more));
    site.start().await
}

/// What the alarm of the absent broker says.
async fn why_away(bench: &Running) -> String {
    let view = bench.until("an alarm", |v| is_active(v, "network-away")).await;
    alarm(&view, "network-away").unwrap()["text"].as_str().unwrap().to_owned()
}

/// Both ways round: a weighing goes out, an ask comes in.
async fn works(bench: &Running, site: &Site) {
    site.balance.say(print_key("52.30")).await;
    bench.until("the weighing is there", |v| v["balance"]["weighings"].as_u64().is_some_and(|n| n > 0)).await;
    bench.until("nothing waits", |v| v["waiting"] == 0 && !is_active(v, "network-away")).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn encrypted_with_an_authority_and_a_certificate_of_the_stations_own() {
    let plain = free_port();
    let mut broker = RealBroker::prepared(&format!(
        "per_listener_settings true\nlistener {{port}} 127.0.0.1\ncafile {{folder}}/lab.pem\n\
         certfile {{folder}}/lab-server.pem\nkeyfile {{folder}}/lab-server.key\nrequire_certificate true\n\
         use_identity_as_username true\nallow_anonymous false\nacl_file {{folder}}/access\n\
         listener {plain} 127.0.0.1\nallow_anonymous true"
    ));
    authority(&broker.folder, "lab");
    authority(&broker.folder, "other");
    broker.folder.write(
        "access",
        "pattern write stillstand/1/%u/#\npattern read stillstand/1/%u/trigger/#\npattern read stillstand/1/%u/ask/#\n",
    );
    broker.start().await;
    let site = Site::new("tls", None);
    let own = broker.folder.path().display().to_string();
    let with = |ca: &str, certificate: &str| {
        format!(
            "[network.tls]\nca-file = \"{own}/{ca}.pem\"\ncertificate-file = \"{own}/{certificate}-{STATION}.pem\"\n\
             key-file = \"{own}/{certificate}-{STATION}.key\"\n"
        )
    };
    let bench = station(&site, broker.port, &with("other", "lab")).await;
    let why = why_away(&bench).await;
    assert!(why.contains("network.tls.ca-file"), "{why}");
    assert_eq!(bench.stop().await, 0);
    site.free().await;

    let bench = station(&site, broker.port, &with("lab", "other")).await;
    why_away(&bench).await;
    assert_eq!(bench.stop().await, 0);
    site.free().await;

    let mut reader = tokio::process::Command::new("mosquitto_sub");
    reader.args(["-h", "127.0.0.1", "-p", &plain.to_string(), "-V", "5", "-q", "1", "-C", "1", "-W", "60"]);
    reader.args(["-t", &format!("stillstand/1/{STATION}/weighing")]).stdout(std::process::Stdio::piped());
    let reader = reader.spawn().unwrap();
    let bench = station(&site, broker.port, &with("lab", "lab")).await;
    works(&bench, &site).await;
    let heard = common::soon("the weighing", reader.wait_with_output()).await.unwrap();
    assert!(String::from_utf8_lossy(&heard.stdout).contains("52.3"));
    assert_eq!(bench.stop().await, 0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_password_from_a_file_lets_in_and_is_shown_nowhere() {
    const SECRET: &str = "kelp-lantern-42";
    let mut broker = RealBroker::prepared(
        "listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {folder}/users",
    );
    let users = broker.folder.file("users");
    let made =
        Command::new("mosquitto_passwd").args(["-b", "-c"]).arg(&users).args([STATION, SECRET]).status();
    assert!(made.unwrap().success());
    broker.start().await;
    let site = Site::new("password", None);
    let file = site.folder.write("secret", "not-this-one\n");
    let more = format!("user = \"{STATION}\"\npassword-file = \"{}\"\n", file.display());
    let bench = station(&site, broker.port, &more).await;
    let why = why_away(&bench).await;
    assert!(why.contains("not allowed") || why.contains("password is wrong"), "{why}");
    assert_eq!(bench.stop().await, 0);
    site.free().await;
    site.folder.write("secret", &format!("{SECRET}\n"));
    let bench = station(&site, broker.port, &more).await;
    bench.until("connected", |v| !is_active(v, "network-away")).await;
    let said = bench.said();
    assert_eq!(bench.stop().await, 0);
    assert!(!said.contains(SECRET), "the log holds the password");
    let journal = std::fs::read(site.journal()).unwrap();
    assert!(!journal.windows(SECRET.len()).any(|w| w == SECRET.as_bytes()), "the journal holds the password");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_older_protocol_works_and_its_weakness_is_shown() {
    let config = "listener {port} 127.0.0.1\nallow_anonymous true\nacl_file {folder}/access";
    let mut broker = RealBroker::prepared(config);
    broker.folder.write("access", "topic readwrite stillstand/#\ntopic readwrite reply/#\n");
    broker.start().await;
    broker.registers_archive().await;
    let site = Site::new("older", None);
    let bench = station(&site, broker.port, "protocol = \"3.1.1\"\n").await;
    let mut archive = broker.archive();
    site.balance.say(print_key("52.30")).await;
    archive.catches_up(1).await;
    assert_eq!(bench.view().await["unconfirmed"], true);
    assert!(bench.said().contains("MQTT 3.1.1 is set"));
    broker.shows("status", |s| s["state"] == "online").await;
    assert_eq!(bench.stop().await, 0);
    broker.shows("status", |s| s["state"] == "offline").await;
    site.free().await;

    // What the access list denies looks taken: that is what the page warns of.
    broker.kill().await;
    broker.folder.write("access", "topic read #\n");
    broker.start().await;
    let bench = station(&site, broker.port, "protocol = \"3.1.1\"\n").await;
    site.balance.say(print_key("61.70")).await;
    bench.until("it looks taken", |v| v["waiting"] == 0 && !is_active(v, "network-away")).await;
    assert_eq!(bench.stop().await, 0);
    site.free().await;
    // MQTT 5 says the truth.
    let bench = station(&site, broker.port, "").await;
    site.balance.say(print_key("70.10")).await;
    bench.until("denied", |v| is_active(v, "network-denied") && v["waiting"] != 0).await;
    assert_eq!(bench.stop().await, 0);
}
