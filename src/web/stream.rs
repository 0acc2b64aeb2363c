//! The event stream of a page: the view as it changes, and a beat by which it knows that what it
//! shows is current.

use super::{AppState, view};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use std::convert::Infallible;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until};
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;

/// Views come at most this often, and what has no signal of its own is looked at this often.
const GAP: Duration = Duration::from_millis(200);
const BEAT: Duration = Duration::from_secs(1);
/// A view comes at least this often, so that a page's own clock never has long to drift.
pub(super) const REFRESH: Duration = Duration::from_secs(5);
/// Events that a slow page may leave untaken; beyond, it gets fewer of them.
const UNTAKEN: usize = 2;

pub(super) fn events(state: AppState, cancel: CancellationToken) -> Response {
    let (sender, receiver) = mpsc::channel(UNTAKEN);
    tokio::spawn(async move {
        tokio::select! {
            () = feed(state, &sender) => {}
            () = sender.closed() => {}
            () = cancel.cancelled() => {}
        }
    });
    Sse::new(ReceiverStream::new(receiver)).into_response()
}

type Sender = mpsc::Sender<Result<Event, Infallible>>;

/// Ends when the page has gone or the station has ended.
async fn feed(mut state: AppState, sender: &Sender) {
    let mut committed = state.station.committed();
    let mut look = interval(GAP);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut beat = interval(BEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut waiting = state.waiting(0).await;
    let mut last_view: Option<(Instant, i64)> = None;
    let mut changed = true;
    loop {
        let next_view = last_view.map_or_else(Instant::now, |(at, _)| at + GAP);
        let goes_on = tokio::select! {
            () = sleep_until(next_view), if changed => {
                // Room first, then the view: a slow page waits for a new one, not for an old one.
                let Ok(room) = sender.reserve().await else { break };
                changed = false;
                committed.mark_unchanged();
                last_view = Some((Instant::now(), state.clock.now().boot_ns));
                room.send(Ok(Event::default().event("view").data(state.view(waiting))));
                true
            }
            commit = committed.changed(), if !changed => {
                changed = true;
                commit.is_ok()
            }
            _ = look.tick() => {
                let due = last_view.is_some_and(|(at, boot_ns)| {
                    at.elapsed() >= REFRESH
                        // A stepped clock tells nobody that it was moved.
                        || (!state.running_clock && state.clock.now().boot_ns != boot_ns)
                });
                changed |= live_changed(&mut state) || due;
                true
            }
            _ = beat.tick() => {
                let before = waiting;
                waiting = state.waiting(waiting).await;
                changed |= waiting != before;
                let Ok(room) = sender.reserve().await else { break };
                let beat = view::beat(state.clock.now(), state.running_clock).to_string();
                room.send(Ok(Event::default().event("beat").data(beat)));
                true
            }
        };
        if !goes_on {
            break;
        }
    }
}

fn live_changed(state: &mut AppState) -> bool {
    let mut any = false;
    for live in state.live.values_mut() {
        // An adapter that has ended changes nothing any more.
        if live.has_changed().unwrap_or(false) {
            live.mark_unchanged();
            any = true;
        }
    }
    any
}
