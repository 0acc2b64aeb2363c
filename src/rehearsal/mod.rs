//! The whole station against simulated instruments and a stepped clock.
//!
//! Balance, probe, buttons and technician speak real bytes through the real adapters: the
//! instruments on pseudo-terminals, the buttons over a broker on loopback, the technician over
//! the page. Nothing in the station knows that it is a rehearsal but the flag in its records.

mod conductor;
mod hands;
mod http;
mod scenario;
pub mod broker; // a small MQTT 5 broker on loopback
pub mod pty; // pseudo-terminals that can be unplugged

use crate::clock::{Clock, SteppedClock};
use crate::daemon::compose::{self, Parts, Running};
use crate::domain::bench::Does;
use crate::domain::method::{Method, load};
use crate::domain::moment::{MINUTE, Moment};
use crate::domain::reading::InstrumentKind;
use crate::instruments::protocol::{AnyShape, Shape};
use crate::settings::{self, model};
use anyhow::{Context, bail};
use conductor::{Conductor, Instrument};
use hands::{Received, Switches};
use pty::Pty;
use scenario::{SAMPLES, SPECIMENS, Scenario};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

/// Name of the rehearsal's station: its own, so that nobody takes its records for real ones.
const STATION: &str = "rehearsal";
const BALANCE: (&str, &str) =
    ("balance-comma-header.toml", include_str!("../../config/instruments/balance-comma-header.toml"));
const PROBE: (&str, &str) =
    ("probe-text-unit.toml", include_str!("../../config/instruments/probe-text-unit.toml"));
const METHODS: [(&str, &str); 2] = [
    ("aashto-t176-mechanical.toml", include_str!("../../config/methods/aashto-t176-mechanical.toml")),
    ("astm-d2419-mechanical.toml", include_str!("../../config/methods/astm-d2419-mechanical.toml")),
];
/// Real time for the last documents to be acknowledged.
const DELIVERY: Duration = Duration::from_secs(30);

/// How a rehearsal is to go.
#[derive(Debug, Clone)]
pub struct Plan {
    /// Bench seconds in one real second.
    pub pace: u32,
    /// End when the scenario is done.
    pub once: bool,
    /// Seed of the scenario.
    pub seed: u64,
    /// A broker on loopback to use instead of the one built in.
    pub broker: Option<(String, u16)>,
    /// Folder for journal, pseudo-terminals' names and records.
    pub out: PathBuf,
    /// Address of the pages.
    pub listen: SocketAddr,
}

/// Runs a rehearsal; gives the file of the records as they were published.
///
/// # Errors
/// What went wrong, with the moment of the scenario; also if a record was not acknowledged.
pub async fn rehearse(plan: &Plan, cancel: CancellationToken) -> anyhow::Result<PathBuf> {
    std::fs::create_dir_all(&plan.out).with_context(|| format!("making {}", plan.out.display()))?;
    let own = match &plan.broker {
        None => Some(broker::start(([127, 0, 0, 1], 0).into(), broker::Behaviour::default()).await?),
        Some(_) => None,
    };
    let (host, port) = match (&plan.broker, &own) {
        (Some((host, port)), _) => (host.clone(), *port),
        (None, Some(own)) => (own.addr.ip().to_string(), own.addr.port()),
        (None, None) => bail!("there is no broker"),
    };
    loopback_only(&host, port).await?;
    let clock = stepped()?;
    let ended = cancel.child_token();
    let received = hands::consumer(&host, port, STATION, &ended)
        .await
        .with_context(|| format!("the consumer cannot use the broker at {host}:{port}"))?;
    let balance = instrument("balance", BALANCE, &plan.out)?;
    let probe = instrument("probe", PROBE, &plan.out)?;
    let station = compose::start(parts(plan, &host, port, &balance, &probe, &clock)?).await?;
    tracing::info!("watch the bench at http://{} and the messages at mqtt://{host}:{port}", station.pages);
    eprintln!(
        "bench page: http://{}/    broker: {host}:{port}, topics stillstand/1/{STATION}/#",
        station.pages
    );
    let switches = Switches::connect(&host, port, STATION, &ended)
        .await
        .with_context(|| format!("the switches cannot use the broker at {host}:{port}"))?;
    let mut conductor = Conductor {
        clock,
        station: &station,
        balance,
        probe,
        switches,
        pace: plan.pace,
        samples: [Uuid::nil(); SAMPLES.len()],
        specimens: [Uuid::nil(); SAMPLES.len() * SPECIMENS],
        places: [0; SAMPLES.len() * SPECIMENS],
        cancel: cancel.clone(),
    };
    conductor.instruments_open().await?;
    let played = play(&mut conductor, plan, &cancel, &received).await;
    // The instruments stay on their lines until the station has ended.
    let Conductor { balance: _balance, probe: _probe, .. } = conductor;
    ended.cancel();
    station.finish().await?;
    if let Some(own) = own {
        own.shutdown().await;
    }
    played
}

/// Plays the scenario; without `--once`, again and again with the next seeds until stopped.
async fn play(
    conductor: &mut Conductor<'_>,
    plan: &Plan,
    cancel: &CancellationToken,
    received: &watch::Receiver<Received>,
) -> anyhow::Result<PathBuf> {
    let mut seed = plan.seed;
    loop {
        let from = received.borrow().len();
        conductor.play(&Scenario::new(seed)).await?;
        let path = plan.out.join(format!("records-{seed}.jsonl"));
        deliver(conductor.station, received, from, &path).await?;
        if plan.once || cancel.is_cancelled() {
            return Ok(path);
        }
        tracing::info!("records: {}; the rehearsal goes on with the next seed", path.display());
        seed = seed.wrapping_add(1);
    }
}

/// Waits until every document is acknowledged and every record has arrived; writes the records.
async fn deliver(
    station: &Running,
    received: &watch::Receiver<Received>,
    from: usize,
    path: &Path,
) -> anyhow::Result<()> {
    let wanted = SAMPLES.len() * SPECIMENS;
    let mut received = received.clone();
    let arrived = received.wait_for(|all| records(all, from).len() >= wanted);
    tokio::time::timeout(DELIVERY, arrived)
        .await
        .with_context(|| format!("not every record has arrived{}", network_alarms(station)))??;
    let acknowledged = async {
        while station.journal.unacked_count().await? > 0 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        anyhow::Ok(())
    };
    tokio::time::timeout(DELIVERY, acknowledged)
        .await
        .with_context(|| format!("not every document was acknowledged{}", network_alarms(station)))??;
    let mut text = records(&received.borrow(), from).join("\n");
    text.push('\n');
    std::fs::write(path, text).with_context(|| format!("writing {}", path.display()))
}

/// What the station itself says of its network, to stand behind a failure.
fn network_alarms(station: &Running) -> String {
    let committed = station.station.committed().borrow().clone();
    let alarms = committed.bench.alarms.values().filter(|alarm| alarm.cleared.is_none());
    alarms
        .map(|alarm| (alarm.key(), &alarm.text))
        .filter(|(key, _)| key.starts_with("network-"))
        .map(|(key, text)| format!("; {key}: {text}"))
        .collect::<Vec<_>>()
        .concat()
}

/// The records among what arrived, each once, by the order of arrival.
fn records(all: &Received, from: usize) -> Vec<String> {
    let mut seen = Vec::new();
    for (topic, body) in all.iter().skip(from) {
        if topic.ends_with("/record") && !seen.contains(body) {
            seen.push(body.clone());
        }
    }
    seen
}

/// A rehearsal's records must not reach a real laboratory.
async fn loopback_only(host: &str, port: u16) -> anyhow::Result<()> {
    let addresses: Vec<SocketAddr> =
        tokio::net::lookup_host((host, port)).await.with_context(|| format!("finding {host}"))?.collect();
    if addresses.is_empty() || addresses.iter().any(|a| !a.ip().is_loopback()) {
        bail!("a rehearsal publishes only on this machine, and {host}:{port} is not on loopback");
    }
    Ok(())
}

/// Wall time starts now; the boot clock starts at ten minutes of an invented boot.
fn stepped() -> anyhow::Result<SteppedClock> {
    let real = crate::clock::RealClock::new()?.now();
    Ok(SteppedClock::new(Moment { boot_ns: 10 * MINUTE, boot: Uuid::nil(), ..real }))
}

fn instrument(name: &'static str, (file, text): (&str, &str), out: &Path) -> anyhow::Result<Instrument> {
    let shape = Shape::load(file, text).map_err(|faults| {
        anyhow::anyhow!("{}", faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
    })?;
    let pty = Pty::open(&out.join(format!("{name}.port"))).context("opening a pseudo-terminal")?;
    Ok(Instrument { name, shape: Arc::new(shape), pty })
}

fn methods() -> anyhow::Result<Vec<Method>> {
    METHODS
        .iter()
        .map(|(file, text)| {
            load(file, text).map_err(|faults| anyhow::anyhow!("{} faults in {file}", faults.len()))
        })
        .collect()
}

fn parts(
    plan: &Plan,
    host: &str,
    port: u16,
    balance: &Instrument,
    probe: &Instrument,
    clock: &SteppedClock,
) -> anyhow::Result<Parts> {
    let mut settings = settings::load(None, std::iter::empty())?;
    STATION.clone_into(&mut settings.station.id);
    "Rehearsal bench".clone_into(&mut settings.station.title);
    settings.journal.path = plan.out.join("journal.sqlite");
    settings.web.listen = plan.listen;
    settings.network = Some(model::Network {
        host: host.to_owned(),
        port,
        user: None,
        password_file: None,
        keep_alive_s: 30,
        window: 16,
        protocol: model::Protocol::Five,
        resend_minutes: 30,
        tls: None,
        follow: Vec::new(),
        consumers: BTreeMap::new(),
    });
    for (simulated, kind) in [(balance, InstrumentKind::Balance), (probe, InstrumentKind::SolutionProbe)] {
        let instrument = model::Instrument {
            kind,
            port: plan.out.join(format!("{}.port", simulated.name)),
            shape: simulated.shape.id.clone(),
            readability: None,
            correction: None,
        };
        settings.instruments.insert(simulated.name.to_owned(), instrument);
    }
    let mut trigger = |name: String, does, place| {
        settings.triggers.insert(name, model::Trigger { does, place, pulses_per_cycle: 1, gpio: None });
    };
    trigger("shaker".to_owned(), Does::ShakerContact, None);
    trigger("foot-switch".to_owned(), Does::Next, None);
    for place in 1..=settings.bench.places {
        trigger(format!("place-{place}"), Does::Next, Some(place));
    }
    let shapes: BTreeMap<String, AnyShape> = [balance, probe]
        .into_iter()
        .map(|i| (i.shape.id.clone(), AnyShape::Lines(i.shape.clone())))
        .collect();
    Ok(Parts {
        settings,
        equipment: Vec::new(),
        recipes: Vec::new(),
        methods: methods()?,
        shapes,
        clock: Arc::new(clock.clone()),
        running_clock: false,
        rehearsal: true,
    })
}
