//! The event stream of a page: the view as it changes, and a beat by which it knows that what it
//! shows is current. However many pages are open, each view is made once, and in memory once: pages that
//! take it, or leave it untaken, share it.
//!
//! ```text
//!   committed state, instruments ──► painter (while a page is open) ──► watch ──► every page's feed
//! ```

use super::access::Access;
use super::problem::Problem;
use super::{AppState, view};
use crate::daemon::station::Committed;
use crate::door::house::Place;
use axum::body::{Body, Bytes};
use axum::http::StatusCode;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use std::convert::Infallible;
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until};
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;

/// Views come at most this often.
const GAP: Duration = Duration::from_millis(100);
/// What has no signal of its own is looked at this often.
const LOOK: Duration = Duration::from_millis(200);
/// A page that misses three of them says within two seconds that it shows nothing current.
const BEAT: Duration = Duration::from_millis(500);
/// A view comes at least this often, so that a page's own clock never has long to drift.
pub(super) const REFRESH: Duration = Duration::from_secs(5);
/// Events that a slow page may leave untaken; beyond, it gets fewer of them.
const UNTAKEN: usize = 2;

/// The newest view and beat, as they stand on the wire.
#[derive(Debug, Clone, Default)]
struct Painted {
    /// Counts the views.
    views: u64,
    view: Bytes,
    /// The view for the room page without an account; empty where that is not open.
    room: Bytes,
    /// Counts the beats.
    beats: u64,
    beat: Bytes,
}

impl Painted {
    const fn view(&self, shows: Shows) -> &Bytes {
        match shows {
            Shows::All => &self.view,
            Shows::Room => &self.room,
        }
    }
}

/// What all open pages are shown; made while there is one.
#[derive(Debug, Clone, Default)]
pub struct Shown(Arc<Mutex<Weak<watch::Sender<Painted>>>>);

impl Shown {
    /// What is painted from now on; begins to paint if nobody did.
    fn watch(&self, state: &AppState) -> watch::Receiver<Painted> {
        let mut painter = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(sender) = painter.upgrade() {
            return sender.subscribe();
        }
        let (sender, receiver) = watch::channel(Painted::default());
        let sender = Arc::new(sender);
        *painter = Arc::downgrade(&sender);
        // Before the page's first view is made, so that nothing falls between the two.
        let mut committed = state.station.committed();
        committed.mark_unchanged();
        tokio::spawn(paint(state.clone(), committed, sender, self.clone()));
        receiver
    }

    /// Nobody looks any more: whoever comes next begins anew.
    fn ends(&self, sender: &watch::Sender<Painted>) -> bool {
        let mut painter = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let nobody = sender.receiver_count() == 0;
        if nobody {
            *painter = Weak::new();
        }
        nobody
    }
}

/// What a stream shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shows {
    All,
    /// What the room page shows.
    Room,
}

pub(super) fn events(
    state: AppState,
    access: &Access,
    place: Option<Arc<Place>>,
    cancel: CancellationToken,
) -> Response {
    if place.is_some_and(|place| !place.become_stream(matches!(access, Access::Stranger))) {
        let why = "too many pages are open at once: close some";
        return Problem::new(StatusCode::SERVICE_UNAVAILABLE, why).again_after(5).into_response();
    }
    let (shows, ended) = match access {
        Access::Free => (Shows::All, CancellationToken::new()),
        Access::Stranger => (Shows::Room, CancellationToken::new()),
        Access::Guest(guest) => (Shows::All, guest.ended.clone()),
    };
    let (sender, receiver) = mpsc::channel(UNTAKEN);
    tokio::spawn(async move {
        tokio::select! {
            () = feed(&state, shows, &sender) => {}
            () = ended.cancelled() => {}
            () = sender.closed() => {}
            () = cancel.cancelled() => {}
        }
    });
    let head = [(CONTENT_TYPE, "text/event-stream"), (CACHE_CONTROL, "no-cache")];
    (head, Body::from_stream(ReceiverStream::new(receiver))).into_response()
}

type Sender = mpsc::Sender<Result<Bytes, Infallible>>;

/// An event of a stream, as WHATWG HTML (section 9.2.5) has it. JSON has no line end in it.
fn event(kind: &str, json: &serde_json::Value) -> Bytes {
    format!("event: {kind}\ndata: {json}\n\n").into()
}

/// Ends when the page has gone or the station has ended.
async fn feed(state: &AppState, shows: Shows, sender: &Sender) {
    let mut painted = state.shown.watch(state);
    let Some((mut views, mut beats)) = begin(state, shows, &mut painted, sender).await else { return };
    while painted.changed().await.is_ok() {
        // Room first, then what is newest: a slow page waits for a new view, not for an old one.
        let Ok(room) = sender.reserve().await else { return };
        let now = painted.borrow_and_update().clone();
        if now.views != views {
            views = now.views;
            room.send(Ok(now.view(shows).clone()));
            if now.beats != beats && send(sender, now.beat).await.is_none() {
                return;
            }
        } else if now.beats != beats {
            room.send(Ok(now.beat));
        }
        beats = now.beats;
    }
}

/// What a page is shown first; how many views and beats are behind it.
async fn begin(
    state: &AppState,
    shows: Shows,
    painted: &mut watch::Receiver<Painted>,
    sender: &Sender,
) -> Option<(u64, u64)> {
    match shows {
        // Made for it: it must not wait for a change.
        Shows::All => {
            let waiting = state.waiting(0).await;
            // Counted before it is made: rather one view twice than one not at all.
            let (views, beats) = {
                let first = painted.borrow_and_update();
                (first.views, first.beats)
            };
            send(sender, event("view", &state.view(waiting))).await?;
            Some((views, beats))
        }
        // However many strangers come and go, nothing is made for one of them: they get what was painted
        // last, with the time of the last beat, or wait for the first.
        Shows::Room => {
            let first = painted.borrow_and_update().clone();
            if first.views > 0 {
                send(sender, first.room).await?;
            }
            if first.views > 0 && first.beats > 0 {
                send(sender, first.beat).await?;
            }
            Some((first.views, first.beats))
        }
    }
}

async fn send(sender: &Sender, event: Bytes) -> Option<()> {
    sender.send(Ok(event)).await.ok()
}

/// Makes views and beats as long as somebody looks.
async fn paint(
    mut state: AppState,
    mut committed: watch::Receiver<Arc<Committed>>,
    sender: Arc<watch::Sender<Painted>>,
    shown: Shown,
) {
    let mut look = interval(LOOK);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut beat = interval(BEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut waiting = state.waiting(0).await;
    let mut last_view = (Instant::now(), state.clock.now().boot_ns);
    let room_open = state.door.as_ref().is_some_and(|door| door.room_open());
    // Strangers wait for what is painted first.
    let mut changed = room_open;
    loop {
        let next_view = last_view.0 + GAP;
        tokio::select! {
            () = sleep_until(next_view), if changed => {
                changed = false;
                committed.mark_unchanged();
                last_view = (Instant::now(), state.clock.now().boot_ns);
                let view = state.view(waiting);
                let room =
                    if room_open { event("view", &view::room::shown(&view)) } else { Bytes::default() };
                let view = event("view", &view);
                sender.send_modify(|painted| {
                    painted.views += 1;
                    painted.view = view;
                    painted.room = room;
                });
            }
            commit = committed.changed(), if !changed => {
                changed = true;
                if commit.is_err() {
                    break;
                }
            }
            _ = look.tick() => {
                // A stepped clock tells nobody that it was moved.
                let due = last_view.0.elapsed() >= REFRESH
                    || (!state.running_clock && state.clock.now().boot_ns != last_view.1);
                changed |= live_changed(&mut state) || due;
            }
            _ = beat.tick() => {
                if shown.ends(&sender) {
                    return;
                }
                let before = waiting;
                waiting = state.waiting(waiting).await;
                changed |= waiting != before;
                let beat = event("beat", &view::beat(state.clock.now(), state.running_clock));
                sender.send_modify(|painted| {
                    painted.beats += 1;
                    painted.beat = beat;
                });
            }
        }
    }
}

fn live_changed(state: &mut AppState) -> bool {
    // Marked only where it was seen to change: the other thread may change it in between.
    let mut any = state.outputs.has_changed().unwrap_or(false);
    if any {
        state.outputs.mark_unchanged();
    }
    for live in state.live.values_mut() {
        // An adapter that has ended changes nothing any more.
        if live.has_changed().unwrap_or(false) {
            live.mark_unchanged();
            any = true;
        }
    }
    any
}
