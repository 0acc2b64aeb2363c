//! From the adapters' messages to the station's inputs: one translation for each, no rule.

use super::asks;
use super::pulses::{Counted, Pulses};
use super::station::{Reply, StationHandle};
use crate::clock::Clock;
use crate::domain::bench::{
    Contact, NetworkCondition, NetworkReport as Told, Outcome, SwitchReport, Trigger, What,
};
use crate::domain::moment::{Moment, SECOND};
use crate::domain::reading::InstrumentReport;
use crate::network::documents::refusal;
use crate::network::inbound::Inbound;
use crate::network::topics::TopicKind;
use crate::network::{Condition, ConditionName, NetworkReport};
use crate::outputs::OutputReport;
use crate::triggers::gpio::{GpioReport, Level};
use crate::triggers::meaning::trigger_meaning;
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};
use uuid::Uuid;

/// Instruments.
pub(super) async fn instruments(
    mut reports: mpsc::Receiver<(Moment, InstrumentReport)>,
    station: StationHandle,
) {
    while let Some((moment, report)) = reports.recv().await {
        if !station.tell(What::Instrument(report), moment).await {
            return;
        }
    }
}

/// GPIO lines. Pulses are told as one count when the run is over, not one by one.
pub(super) async fn switches(
    mut reports: mpsc::Receiver<GpioReport>,
    mut pulses: Pulses,
    strokes: watch::Sender<BTreeMap<String, Moment>>,
    station: StationHandle,
    clock: Arc<dyn Clock>,
) {
    loop {
        let quiet = async {
            match pulses.over_at() {
                Some(ns) => clock.reached(ns).await,
                None => std::future::pending().await,
            }
        };
        let report = tokio::select! {
            // Pulses that wait to be read belong to the run that they may keep going.
            biased;
            report = reports.recv() => report,
            () = quiet => {
                if !tell(&station, pulses.over(&clock.now())).await {
                    return;
                }
                continue;
            }
        };
        let Some(report) = report else { return };
        let now = clock.now();
        if !tell(&station, unwatched(&mut pulses, &report, now)).await {
            return;
        }
        let (what, moment) = match report {
            GpioReport::Edge { trigger, level, moment, .. } if pulses.counts(&trigger) => {
                if level == Level::Active {
                    // A relay waits for each of them.
                    strokes.send_modify(|last| {
                        last.insert(trigger.clone(), moment);
                    });
                    if !tell(&station, pulses.add(&trigger, moment)).await {
                        return;
                    }
                }
                continue;
            }
            GpioReport::Edge { trigger, level, moment, .. } => {
                let contact = if level == Level::Active { Contact::On } else { Contact::Off };
                let via = "gpio".to_owned();
                (What::Trigger(Trigger { name: trigger, contact: Ok(contact), via }), moment)
            }
            GpioReport::Open { trigger, .. } => (What::Switch(SwitchReport::Open { name: trigger }), now),
            GpioReport::Gone { trigger, why } => {
                (What::Switch(SwitchReport::Gone { name: trigger, why }), now)
            }
            GpioReport::Lost { trigger, count, since, until } => {
                let since = Some(since);
                (What::Switch(SwitchReport::Lost { name: trigger, edges: count, since }), until)
            }
            // What a line shows when the watch begins is not a press.
            GpioReport::State { trigger, level, moment } => {
                tracing::info!(%trigger, ?level, "the line's state at the begin of the watch");
                let closed = level == Level::Active;
                (What::Switch(SwitchReport::Found { name: trigger, closed }), moment)
            }
        };
        if !station.tell(what, moment).await {
            return;
        }
    }
}

/// A switch's pulses may have been lost: its line was not watched, or the kernel's queue ran over.
fn unwatched(pulses: &mut Pulses, report: &GpioReport, now: Moment) -> Option<Counted> {
    match report {
        GpioReport::Open { trigger, .. } | GpioReport::Gone { trigger, .. } => pulses.lost(trigger, now),
        GpioReport::Lost { trigger, until, .. } => pulses.lost(trigger, *until),
        GpioReport::State { .. } | GpioReport::Edge { .. } => None,
    }
}

/// Tells what was counted. False: the station has ended.
async fn tell(station: &StationHandle, counted: impl IntoIterator<Item = Counted>) -> bool {
    for (what, last) in counted {
        if !station.tell(what, last).await {
            return false;
        }
    }
    true
}

/// Horn, lamps and the relay.
pub(super) async fn outputs(
    mut reports: mpsc::Receiver<OutputReport>,
    station: StationHandle,
    clock: Arc<dyn Clock>,
) {
    while let Some(report) = reports.recv().await {
        let (report, moment) = match report {
            OutputReport::Open { name } => (SwitchReport::OutputOpen { name }, clock.now()),
            OutputReport::Gone { name, why } => (SwitchReport::OutputGone { name, why }, clock.now()),
            // Of a relay that lets go the outputs themselves say what it means.
            OutputReport::LetGo { .. } => continue,
            OutputReport::RelayOpened { name, why, early, moment } => {
                (SwitchReport::RelayOpened { name, why, early }, moment)
            }
        };
        if !station.tell(What::Switch(report), moment).await {
            return;
        }
    }
}

/// Triggers and asks from the network.
pub(super) async fn inbound(
    mut messages: mpsc::Receiver<Inbound>,
    journal: Uuid,
    station: StationHandle,
    clock: Arc<dyn Clock>,
) {
    while let Some(message) = messages.recv().await {
        let (station, clock) = (station.clone(), clock.clone());
        match &message.topic {
            // In the order of arrival: a stop must not overtake its start.
            TopicKind::Trigger(name) => {
                let contact = if is_late(&message, clock.as_ref()) {
                    Err("it is older than its sender wished: it waited here past its expiry".to_owned())
                } else {
                    trigger_meaning(&message.payload, message.retain, message.dup).map_err(|e| e.to_string())
                };
                let trigger = Trigger { name: name.clone(), contact, via: "mqtt".to_owned() };
                let (what, done) = (What::Trigger(trigger), message.done);
                if message.response_topic.is_none() {
                    // The session may have gone: then the broker sends the message again, marked.
                    if !station.send(what, message.arrived, Some(Reply::Decided(done))).await {
                        return;
                    }
                    continue;
                }
                let (reply, outcome) = oneshot::channel();
                if !station.send(what, message.arrived, Some(Reply::Outcome(reply))).await {
                    return;
                }
                tokio::spawn(async move {
                    let outcome = outcome.await.ok().and_then(|o| serde_json::to_string(&o).ok());
                    let _ = done.send(outcome);
                });
            }
            TopicKind::Ask(verb) => {
                let answer = ask(verb, &message, journal, &station, clock.as_ref()).await;
                tokio::spawn(async move {
                    let reply = match answer {
                        Answer::Now(reply) => reply,
                        Answer::Later(outcome) => match outcome.await.ok() {
                            Some(Outcome::AsBefore { reply }) => reply.to_string(),
                            Some(outcome) => {
                                serde_json::to_string(&outcome).unwrap_or_else(|e| refusal(&e.to_string()))
                            }
                            None => refusal("the station is stopping"),
                        },
                    };
                    let _ = message.done.send(Some(reply));
                });
            }
        }
    }
}

/// The answer to an ask: at once, or when its act is on the disk.
enum Answer {
    Now(String),
    Later(oneshot::Receiver<Outcome>),
}

/// The message waited here longer than its sender wished.
fn is_late(message: &Inbound, clock: &dyn Clock) -> bool {
    message
        .expiry
        .is_some_and(|s| clock.now().since(&message.arrived).ns >= i64::from(s).saturating_mul(SECOND))
}

/// `ask/act` takes the same acts as the page; `ask/view` gives the committed bench as the page
/// shows it, without what the instruments' displays show; consumers confirm receipt and ask for a
/// replay. Queues in the order of arrival.
async fn ask(
    verb: &str,
    message: &Inbound,
    journal: Uuid,
    station: &StationHandle,
    clock: &dyn Clock,
) -> Answer {
    if is_late(message, clock) {
        return Answer::Now(refusal("it is older than its sender wished: it waited here past its expiry"));
    }
    if verb == "view" {
        return Answer::Now(view(station, clock));
    }
    let asked = asks::meaning(verb, &message.payload, journal);
    let what = match asked {
        Ok(what) => what,
        Err(why) => return Answer::Now(refusal(&why)),
    };
    let what = match message.key {
        Some(key) => What::Asked { key, what: Box::new(what) },
        None if message.dup => {
            let why = "the broker sent this ask again; ask with correlation data, and it happens once";
            return Answer::Now(refusal(why));
        }
        None => what,
    };
    let (reply, outcome) = oneshot::channel();
    station.send(what, message.arrived, Some(Reply::Outcome(reply))).await;
    Answer::Later(outcome)
}

fn view(station: &StationHandle, clock: &dyn Clock) -> String {
    let committed = station.committed().borrow().clone();
    let (bench, fault) = (committed.shown(), committed.fault.as_ref());
    let seen = crate::web::view::Seen {
        bench: &bench,
        sequence: committed.sequence,
        fault: fault.map(|alarm| alarm.text.as_str()),
        now: clock.now(),
        running_clock: true,
        zone: "UTC",
        // Whoever asks over the network gets what was read.
        units: crate::domain::units::Units::default(),
        waiting: 0,
        live: BTreeMap::new(),
        outputs: BTreeMap::new(),
    };
    crate::web::view::view(&seen).to_string()
}

/// What the network says of itself.
pub(super) async fn network(
    mut reports: mpsc::Receiver<NetworkReport>,
    station: StationHandle,
    clock: Arc<dyn Clock>,
) {
    use crate::network::Identity;
    while let Some(report) = reports.recv().await {
        let told = match report {
            NetworkReport::Connected { identity: Identity::Out } => Told::Connected,
            NetworkReport::Disconnected { identity: Identity::Out, why } => Told::Away { why },
            NetworkReport::Connected { identity: Identity::In | Identity::Room } => continue,
            NetworkReport::Disconnected { identity: Identity::In | Identity::Room, why } => {
                Told::Noted { text: why }
            }
            NetworkReport::Replaced { number, bytes, limit } => Told::Noted {
                text: format!(
                    "document {number} of {bytes} bytes is over the broker's limit of {limit}; a notice went out"
                ),
            },
            NetworkReport::Dropped { topic, why } => Told::Noted { text: format!("{topic}: {why}") },
            NetworkReport::Condition(Condition { name, active, text }) => {
                Told::Condition { condition: delivery(name), active, text }
            }
        };
        if !station.tell(What::Network(told), clock.now()).await {
            return;
        }
    }
}

const fn delivery(name: ConditionName) -> NetworkCondition {
    match name {
        ConditionName::NoSubscriber => NetworkCondition::NoSubscriber,
        ConditionName::Denied | ConditionName::StateDenied => NetworkCondition::Denied,
        ConditionName::SubscribeDenied => NetworkCondition::InboundDenied,
        ConditionName::TakenOver => NetworkCondition::TakenOver,
        ConditionName::Unsuitable => NetworkCondition::Unsuitable,
        ConditionName::OutboxUnreadable => NetworkCondition::Unreadable,
    }
}
