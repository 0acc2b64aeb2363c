//! The whole station put together: journal, loop, instruments, switches, network, pages.
//!
//! What runs, and on what each waits:
//!
//! | task | waits on |
//! |---|---|
//! | station (`station.rs`) | inputs, the next deadline, the end of a commit, the watchdog |
//! | one for each instrument | bytes, the next request, the end |
//! | one for each GPIO line | edges, the end |
//! | inbound | the broker's messages |
//! | relay | new documents, changed state, the broker's acknowledgements |
//! | other stations (`network::follow`) | the broker's messages |
//! | pages (`pages.rs`, a thread) | requests, committed states |
//! | disk watch (`disk.rs`) | its next look |
//! | list of documents (`keeping::list`) | its next look |
//! | forwarders (`inputs.rs`) | the adapters' channels |

use super::disk;
use super::entry;
use super::inputs;
use super::outbox::JournalOutbox;
use super::pages;
use super::pulses::Pulses;
use super::sight::Sight;
use super::station::alive::Alive;
use super::station::{Committed, FoldError, Station, StationHandle, fold_readable};
pub use super::unstarted::StationError;
use crate::clock::Clock;
use crate::domain::bench::{Does, NetworkFacts, Started, TriggerSettings, What};
use crate::domain::calendar::Calendar;
use crate::domain::equipment::Kind;
use crate::domain::method::Method;
use crate::domain::moment::Moment;
use crate::domain::overview::{self, Following};
use crate::domain::reading::Live;
use crate::domain::signal::Told;
use crate::domain::solution::Recipe;
use crate::instruments::listener::Listener;
use crate::instruments::protocol::AnyShape;
use crate::instruments::task;
use crate::journal::{Journal, OpenWith};
use crate::keeping::list::Listing;
use crate::network::follow::{self, Follow};
use crate::network::inbound::{self, Door};
use crate::network::relay::{self, Relay};
use crate::network::session::Encryption;
use crate::network::{How, Link, Pace, ReplayWish, RetainedState, Secret, message};
use crate::outputs::{self, Chips, Heard, KernelChips};
use crate::settings::model::{Network, Protocol, Settings, Trigger};
use crate::settings::time_zone;
use crate::signing::{self, Key};
use crate::triggers::gpio;
use jiff::tz::TimeZone;
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::task::{JoinHandle, JoinSet};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

/// How long the journal may take to say what waits before the last answer is told again.
const COUNT_WITHIN: Duration = Duration::from_millis(100);
/// Messages that may wait between an adapter and the station.
const CHANNEL: usize = 256;

/// What a station is made of.
#[derive(Debug)]
pub struct Parts {
    /// The settings, checked.
    pub settings: Settings,
    /// The methods, all of them.
    pub methods: Vec<Method>,
    /// Kinds of equipment, where the settings name their folder.
    pub equipment: Vec<Kind>,
    /// Recipes of solutions, where the settings name their folder.
    pub recipes: Vec<Recipe>,
    /// The shapes that the instruments name.
    pub shapes: BTreeMap<String, AnyShape>,
    /// Bench time.
    pub clock: Arc<dyn Clock>,
    /// The clock runs by itself.
    pub running_clock: bool,
    /// Simulated instruments: records say so.
    pub rehearsal: bool,
}

/// A station at work.
#[derive(Debug)]
pub struct Running {
    /// The way in.
    pub station: StationHandle,
    /// The journal, for reading.
    pub journal: Journal,
    /// Its identity.
    pub journal_id: Uuid,
    /// Where the pages are.
    pub pages: SocketAddr,
    /// How they are called: scheme, name and port.
    pub called: String,
    /// What the instruments show.
    pub live: BTreeMap<String, watch::Receiver<Live>>,
    /// The loop; it ends only by `finish`, or by a fault.
    pub main_loop: JoinHandle<Result<(), FoldError>>,
    adapters: JoinSet<()>,
    relay: JoinSet<()>,
    ends: Ends,
    path: String,
}

/// In the order in which they are used at the end.
#[derive(Debug, Clone, Default)]
struct Ends {
    adapters: CancellationToken,
    main_loop: CancellationToken,
    relay: CancellationToken,
}

/// Starts everything. The first input is the start itself, on the disk before anything else.
///
/// # Errors
/// See [`StationError`]; nothing is left running.
pub async fn start(parts: Parts) -> Result<Running, StationError> {
    start_with(parts, Arc::new(KernelChips)).await
}

/// As [`start`], with horn, lamps and relay on these chips.
///
/// # Errors
/// As [`start`].
pub async fn start_with(parts: Parts, chips: Arc<dyn Chips>) -> Result<Running, StationError> {
    let Parts { settings, methods, equipment, recipes, shapes, clock, running_clock, rehearsal } = parts;
    let path = settings.journal.path.display().to_string();
    let ways = entry::ways_in(&settings.web)?;
    let address = settings.web.listen;
    let listening = |source| StationError::Listen { address, source };
    let listener = tokio::net::TcpListener::bind(address).await.map_err(listening)?;
    let shown_at = listener.local_addr().map_err(listening)?;
    let link = settings.network.as_ref().map(|n| link(&settings, n)).transpose()?;
    let open_with = OpenWith { fresh_id: Uuid::now_v7(), now_wall_ns: clock.now().wall_ns };
    let (journal, restored) = Journal::open(&settings.journal.path, &open_with)?;
    let journal_id = restored.journal_id;
    if let Some(before) = restored.restored_from {
        tracing::warn!("this is a backup of the journal {before}; it goes on as the journal {journal_id}");
    }
    let (bench, restored) = fold_readable(&journal, restored)
        .await
        .map_err(|source| StationError::Fold { path: path.clone(), source })?;
    // After the journal, whose lock says that no other station makes a key here at the same time.
    let key = Arc::new(Key::kept_in(&signing::place_of(&settings.journal.path))?);
    let signing_key = key.public().clone();
    let (ends, alive) = (Ends::default(), Alive::default());
    let (station, handle) = Station::new(journal.clone(), bench, restored, clock.clone());
    let station = station.signing_with(key).beside(alive.clone());
    let main_loop = tokio::spawn(station.run(ends.main_loop.clone()));
    let now = clock.now();
    let mut facts = started(&settings, methods, equipment, recipes, rehearsal, now.wall_ns);
    facts.signing_key = Some(signing_key);
    handle.ask(What::Started(Box::new(facts)), now).await.ok_or(StationError::Ended)?;

    let mut adapters = JoinSet::new();
    let live = instruments(&settings, &shapes, &clock, &handle, &ends, &mut adapters)?;
    let strokes = switches(&settings, &clock, &handle, &ends, &mut adapters);
    let outputs = outputs(&settings, chips, strokes, &clock, &handle, &ends, &mut adapters);
    let mut relay = JoinSet::new();
    let followed = link.as_ref().and_then(|link| follow(&settings, link, &clock, &ends, &mut adapters));
    if let Some(link) = link {
        let of = (&journal, journal_id);
        network(link, of, (&clock, running_clock), &handle, &ends, &mut adapters, &mut relay);
        tokio::task::yield_now().await; // the broker is asked while the pages are made
    }
    let listing = journal_keepers(&settings, &journal, &clock, &handle, &ends, &mut adapters);
    let sight = Sight {
        station: handle.clone(),
        journal: journal.clone(),
        listing,
        live: live.clone(),
        followed,
        outputs,
        clock,
        running_clock,
    };
    let state = sight.shown(&settings, ways, shown_at.port());
    adapters.spawn(pages::spawn(listener, state, alive, ends.adapters.clone()).map_err(listening)?);
    tracing::info!(pages = %shown_at, journal = %path, station = %settings.station.id, "the station runs");
    let called = entry::called(&settings.web, shown_at);
    Ok(Running {
        station: handle,
        journal,
        journal_id,
        pages: shown_at,
        called,
        live,
        main_loop,
        adapters,
        relay,
        ends,
        path,
    })
}

impl Running {
    /// Ends in good order: no new inputs, all decided and stored, last words to the network.
    ///
    /// # Errors
    /// The loop or the journal could not finish.
    pub async fn finish(mut self) -> Result<(), StationError> {
        self.ends.adapters.cancel();
        while self.adapters.join_next().await.is_some() {}
        self.ends.main_loop.cancel();
        let ended = self.main_loop.await;
        self.ends.relay.cancel();
        while self.relay.join_next().await.is_some() {}
        self.journal.close().await?;
        match ended {
            Ok(Ok(())) => Ok(()),
            Ok(Err(source)) => Err(StationError::Fold { path: self.path, source }),
            Err(_) => Err(StationError::Ended),
        }
    }
}

fn started(
    settings: &Settings,
    methods: Vec<Method>,
    equipment: Vec<Kind>,
    recipes: Vec<Recipe>,
    rehearsal: bool,
    now_ns: i64,
) -> Started {
    // The settings were checked: this machine knows the zone.
    let zone = time_zone(&settings.station.time_zone).unwrap_or(TimeZone::UTC);
    Started {
        station: settings.station.id.clone(),
        title: settings.station.title.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        rehearsal,
        bench: settings.bench.clone(),
        triggers: settings.triggers.iter().map(|(name, t)| (name.clone(), trigger(t))).collect(),
        instruments: settings.instruments.iter().map(|(name, i)| (name.clone(), i.kind)).collect(),
        methods: methods.into_iter().map(Arc::new).collect(),
        equipment,
        recipes,
        calendar: Calendar::around(&zone, now_ns),
        signing_key: None,
        network: settings.network.as_ref().map_or_else(NetworkFacts::default, |network| NetworkFacts {
            unconfirmed: network.protocol == Protocol::Older,
            consumers: network.consumers.clone(),
        }),
    }
}

fn trigger(set: &Trigger) -> TriggerSettings {
    TriggerSettings { does: set.does, place: set.place, own_line: set.gpio.is_some() }
}

fn instruments(
    settings: &Settings,
    shapes: &BTreeMap<String, AnyShape>,
    clock: &Arc<dyn Clock>,
    station: &StationHandle,
    ends: &Ends,
    adapters: &mut JoinSet<()>,
) -> Result<BTreeMap<String, watch::Receiver<Live>>, StationError> {
    let (sender, reports) = mpsc::channel(CHANNEL);
    let mut live = BTreeMap::new();
    for (name, instrument) in &settings.instruments {
        let shape = shapes.get(&instrument.shape).ok_or_else(|| StationError::Shape {
            instrument: name.clone(),
            shape: instrument.shape.clone(),
        })?;
        let port = instrument.port.display().to_string();
        let wrong = |(key, what): (String, String)| StationError::Instrument {
            key: format!("instruments.{name}.{key}"),
            what,
        };
        let readability = instrument.readability().map_err(wrong)?;
        let correction = instrument
            .correction()
            .map_err(|all| all.into_iter().next().map_or(StationError::Ended, wrong))?;
        let listener = Listener::new(name, &port, shape.clone()).with(readability, correction);
        let listener = Box::new(listener);
        let running = task::spawn(
            name.clone(),
            instrument.port.clone(),
            shape.line(),
            listener,
            clock.clone(),
            sender.clone(),
            ends.adapters.clone(),
        );
        live.insert(name.clone(), running.live);
        adapters.spawn(async move {
            let _ = running.join.await;
        });
    }
    adapters.spawn(inputs::instruments(reports, station.clone()));
    Ok(live)
}

fn switches(
    settings: &Settings,
    clock: &Arc<dyn Clock>,
    station: &StationHandle,
    ends: &Ends,
    adapters: &mut JoinSet<()>,
) -> watch::Receiver<BTreeMap<String, Moment>> {
    let (sender, reports) = mpsc::channel(CHANNEL);
    let (stroke, strokes) = watch::channel(BTreeMap::new());
    for (name, trigger) in &settings.triggers {
        if let Some(line) = &trigger.gpio {
            let join = gpio::spawn(name, line.clone(), clock.clone(), sender.clone(), ends.adapters.clone());
            adapters.spawn(async move {
                let _ = join.await;
            });
        }
    }
    let counts = |trigger: &&Trigger| trigger.does == Does::ShakerPulse;
    let named = settings.triggers.iter().filter(|(_, trigger)| counts(trigger));
    let pulses = Pulses::new(named.map(|(name, t)| (name.clone(), t.pulses_per_cycle)).collect());
    adapters.spawn(inputs::switches(reports, pulses, stroke, station.clone(), clock.clone()));
    strokes
}

/// Horn, lamps and the shaker's relay; what they do, for the pages.
fn outputs(
    settings: &Settings,
    chips: Arc<dyn Chips>,
    strokes: watch::Receiver<BTreeMap<String, Moment>>,
    clock: &Arc<dyn Clock>,
    station: &StationHandle,
    ends: &Ends,
    adapters: &mut JoinSet<()>,
) -> watch::Receiver<BTreeMap<String, Told>> {
    let (told, shown) = watch::channel(BTreeMap::new());
    if settings.outputs.is_empty() {
        return shown;
    }
    let mut committed = station.committed();
    let (sender, bench) = watch::channel(committed.borrow().shown());
    adapters.spawn(async move {
        loop {
            tokio::select! {
                changed = committed.changed() => if changed.is_err() { return },
                // The outputs end before the loop does.
                () = sender.closed() => return,
            }
            sender.send_replace(committed.borrow_and_update().shown());
        }
    });
    let (sender, reports) = mpsc::channel(CHANNEL);
    // What came over the network is nobody's hand at the bench.
    let by_hand = |trigger: &&Trigger| trigger.gpio.is_some() && trigger.does != Does::ShakerContact;
    let switches = settings.triggers.iter().filter(|(_, trigger)| by_hand(trigger));
    let switches = switches.map(|(name, _)| name.clone()).collect();
    adapters.spawn(inputs::outputs(reports, station.clone(), clock.clone()));
    adapters.spawn(outputs::run(
        settings.outputs.clone(),
        chips,
        Heard { bench, strokes, switches },
        clock.clone(),
        sender,
        told,
        ends.adapters.clone(),
    ));
    shown
}

/// What looks after the journal while it is written: the room on its disk, and its list of documents.
fn journal_keepers(
    settings: &Settings,
    journal: &Journal,
    clock: &Arc<dyn Clock>,
    station: &StationHandle,
    ends: &Ends,
    adapters: &mut JoinSet<()>,
) -> Listing {
    adapters.spawn(disk::run(disk::Watch {
        settings: settings.journal.clone(),
        journal: journal.clone(),
        station: station.clone(),
        clock: clock.clone(),
        cancel: ends.adapters.clone(),
    }));
    let listing = Listing::new(journal.clone());
    adapters.spawn(listing.clone().run(ends.adapters.clone()));
    listing
}

/// Keeps the retained state as the committed bench is, and says every few seconds how it stands.
fn retained(
    station: &StationHandle,
    journal: &Journal,
    journal_id: Uuid,
    (clock, clock_runs): (Arc<dyn Clock>, bool),
    tasks: &mut JoinSet<()>,
) -> watch::Receiver<Arc<RetainedState>> {
    let (sender, receiver) = watch::channel(Arc::new(RetainedState::default()));
    let (mut committed, journal) = (station.committed(), journal.clone());
    tasks.spawn(async move {
        let mut told = message::Told::new(journal_id);
        let mut beat = tokio::time::interval(Duration::from_nanos(overview::EVERY_NS.unsigned_abs()));
        beat.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        // Nobody has counted yet: that is not none.
        let mut waiting = None;
        loop {
            let state = tokio::select! {
                changed = committed.changed() => {
                    if changed.is_err() {
                        return;
                    }
                    let bench = committed.borrow_and_update().shown();
                    told.tell(&bench, &clock.now())
                }
                _ = beat.tick() => {
                    let bench = committed.borrow_and_update().shown();
                    told.tell(&bench, &clock.now());
                    if let Ok(Ok(count)) = tokio::time::timeout(COUNT_WITHIN, journal.unacked_count()).await {
                        waiting = Some(count);
                    }
                    Some(told.tell_overview(&bench, &clock.now(), waiting, clock_runs))
                }
            };
            if let Some(state) = state
                && sender.send(Arc::new(state)).is_err()
            {
                return;
            }
        }
    });
    receiver
}

/// Listens to other stations, where the settings name any.
fn follow(
    settings: &Settings,
    link: &Link,
    clock: &Arc<dyn Clock>,
    ends: &Ends,
    tasks: &mut JoinSet<()>,
) -> Option<watch::Receiver<Arc<Following>>> {
    let stations = settings.network.as_ref()?.follow.clone();
    if stations.is_empty() {
        return None;
    }
    let (told, receiver) = watch::channel(Arc::new(follow::nothing(&stations)));
    let (link, clock, cancel) = (link.clone(), clock.clone(), ends.adapters.clone());
    tasks.spawn(follow::run(Follow { link, stations, clock, told, cancel }));
    Some(receiver)
}

/// Tells the relay of each replay that a consumer asked for, once it is committed.
fn replays(station: &StationHandle, tasks: &mut JoinSet<()>) -> watch::Receiver<ReplayWish> {
    let wish = |committed: &Committed| {
        let asked = committed.bench.replay.as_ref();
        asked.map_or_else(ReplayWish::default, |r| ReplayWish { count: r.count, number: r.number })
    };
    let mut committed = station.committed();
    let (sender, receiver) = watch::channel(wish(&committed.borrow()));
    tasks.spawn(async move {
        while committed.changed().await.is_ok() {
            let wish = wish(&committed.borrow_and_update());
            if sender.send_if_modified(|last| std::mem::replace(last, wish) != wish) && sender.is_closed() {
                return;
            }
        }
    });
    receiver
}

fn network(
    link: Link,
    (journal, journal_id): (&Journal, Uuid),
    (clock, running_clock): (&Arc<dyn Clock>, bool),
    station: &StationHandle,
    ends: &Ends,
    adapters: &mut JoinSet<()>,
    relay: &mut JoinSet<()>,
) {
    let outbox = JournalOutbox::new(journal.clone(), clock.clone());
    let retained = retained(station, journal, journal_id, (clock.clone(), running_clock), relay);
    let replays = replays(station, relay);
    let (status, reports) = mpsc::channel(CHANNEL);
    let (messages, inbound) = mpsc::channel(CHANNEL);
    let door = Door {
        link: link.clone(),
        clock: clock.clone(),
        station: messages,
        status: status.clone(),
        cancel: ends.adapters.clone(),
    };
    adapters.spawn(inbound::run(door));
    adapters.spawn(inputs::inbound(inbound, journal_id, station.clone(), clock.clone()));
    relay.spawn(relay::run(Relay {
        link,
        outbox,
        status,
        retained,
        replays,
        clock: clock.clone(),
        cancel: ends.relay.clone(),
    }));
    relay.spawn(inputs::network(reports, station.clone(), clock.clone()));
}

fn link(settings: &Settings, network: &Network) -> Result<Link, StationError> {
    let password = network
        .password_file
        .as_ref()
        .map(|path| {
            let text = std::fs::read_to_string(path)
                .map_err(|source| StationError::Password { path: path.display().to_string(), source })?;
            Ok::<_, StationError>(Secret(text.lines().next().unwrap_or_default().to_owned()))
        })
        .transpose()?;
    let tls = network
        .tls
        .as_ref()
        .map(|tls| {
            let own = tls.certificate_file.as_deref().zip(tls.key_file.as_deref());
            Encryption::read(&tls.ca_file, own)
        })
        .transpose()?;
    let older = network.protocol == Protocol::Older;
    if older {
        tracing::warn!(
            "MQTT 3.1.1 is set: the broker acknowledges there also what it throws away, so a document that its \
             access list denies looks delivered. Use MQTT 5 where the broker can"
        );
    }
    let resend = Duration::from_mins(u64::from(network.resend_minutes));
    Ok(Link {
        station: settings.station.id.clone(),
        session: Uuid::now_v7(),
        host: network.host.clone(),
        port: network.port,
        user: network.user.clone(),
        password,
        keep_alive_s: network.keep_alive_s,
        window: network.window,
        pace: Pace { replay: resend, ..Pace::default() },
        how: How { older, tls },
    })
}
