//! One act of a person: stamped on arrival, answered once it is on the disk.
//!
//! Whoever signed on with an account of a person acts as that person and nobody else. At a bench
//! screen, whose account is shared by those who work there, the page names the person, and the
//! register of people asks for code or badge as it does without accounts.

use super::access::{Access, lacking};
use super::problem::Problem;
use super::{AppState, body};
use crate::domain::bench::{Act, BY_ACCOUNT, Needs, Outcome, What};
use crate::domain::review;
use crate::door::{Guest, Role};
use axum::body::Body;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use std::time::Duration;

/// Largest act, bytes.
const LARGEST: usize = 64 * 1024;
/// How long the disk may take before the page is told that nothing is confirmed.
const CONFIRM_WITHIN: Duration = Duration::from_secs(10);

pub(super) async fn act(
    State(state): State<AppState>,
    Extension(access): Extension<Access>,
    sent: Body,
) -> Response {
    let text = match body::read(sent, "act", LARGEST).await {
        Ok(text) => text,
        Err(problem) => return problem.into_response(),
    };
    // With the last byte: what the loop does before it gets here must not move the press.
    let moment = state.clock.now();
    let read = std::str::from_utf8(&text).map_err(|e| e.to_string());
    let mut act: Act = match read.and_then(|text| serde_json::from_str(text).map_err(|e| e.to_string())) {
        Ok(act) => act,
        Err(e) => return Problem::new(StatusCode::BAD_REQUEST, format!("not an act: {e}")).into_response(),
    };
    "page".clone_into(&mut act.via);
    if let Access::Guest(guest) = &access
        && let Err(problem) = may(&state, guest, &mut act)
    {
        return problem.into_response();
    }
    let id = act.id;
    match tokio::time::timeout(CONFIRM_WITHIN, state.station.ask(What::Act(act), moment)).await {
        Ok(Some(outcome @ Outcome::Refused { .. })) => (StatusCode::CONFLICT, Json(outcome)).into_response(),
        Ok(Some(outcome)) => Json(outcome).into_response(),
        Ok(None) => {
            let why = "the station has ended; send the act again once it runs";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, why).into_response()
        }
        Err(_) => {
            let why = format!("act {id} is not confirmed yet; sent again it still happens only once");
            Problem::new(StatusCode::GATEWAY_TIMEOUT, why).into_response()
        }
    }
}

/// Whether this account may do this now; names its person as the one who acts.
fn may(state: &AppState, guest: &Guest, act: &mut Act) -> Result<(), Problem> {
    let role = match act.what.needs() {
        Needs::Nothing => Role::Look,
        Needs::Bench | Needs::Anybody | Needs::Role(review::Role::Operate) => Role::Operate,
        Needs::Role(review::Role::Review) => Role::Review,
        Needs::Role(review::Role::Administer) => Role::Administer,
    };
    if guest.role < role {
        return Err(Problem::new(StatusCode::FORBIDDEN, lacking(guest, role)));
    }
    if let Some(door) = &state.door
        && let Err(wait_s) = door.may_act(guest, state.clock.now().boot_ns)
    {
        let why = "too many acts at once: this one was not looked at";
        return Err(Problem::new(StatusCode::TOO_MANY_REQUESTS, why).again_after(wait_s));
    }
    let Some(person) = &guest.person else { return Ok(()) };
    let committed = state.station.committed().borrow().clone();
    let people = &committed.bench.people;
    let own = people.meant(person).map_or(person.as_str(), |known| known.name.as_str());
    let named = act.who.as_deref().map(str::trim).filter(|who| !who.is_empty());
    let is_own = |who: &str| match people.meant(who) {
        Some(meant) => meant.name == own,
        None => who == own,
    };
    if let Some(other) = named.filter(|who| !is_own(who)) {
        let why = format!("{own} is signed on here, and the act names `{other}`: sign off first");
        return Err(Problem::new(StatusCode::FORBIDDEN, why));
    }
    act.who = Some(own.to_owned());
    BY_ACCOUNT.clone_into(&mut act.via);
    Ok(())
}
