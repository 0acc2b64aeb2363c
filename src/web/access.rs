//! Who may ask for what: the one table of addresses, and the look at the cookie. What acts need stands
//! in `Do::needs`. A route that is not in the table needs `administer`; a test finds it. Where there is
//! no route, whoever is signed on is told so, and a stranger is told of nothing.

use super::problem::Problem;
use super::{AppState, entry};
use crate::door::{Guest, Role};
use axum::extract::{MatchedPath, Request, State};
use axum::http::{HeaderName, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use std::net::IpAddr;

/// Who asks.
#[derive(Debug, Clone)]
pub(super) enum Access {
    /// There are no accounts: whoever reaches the pages.
    Free,
    /// Nobody who is signed on.
    Stranger,
    /// Somebody who is.
    Guest(Guest),
}

/// The address that a connection comes from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Peer(pub(super) IpAddr);

/// What an address needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Needs {
    /// Nothing.
    Nothing,
    /// What the room page shows: nothing where it is open, else as `look`.
    Room,
    /// An account with this role.
    Role(Role),
}

/// Whether somebody opens it, or a page asks for it by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// Opening it says that somebody is there; without an account one is led to the sign-on.
    Page,
    /// A page asks for it by itself.
    Data,
    /// Opening it says that somebody is there. A browser saves what comes: without an account nothing does,
    /// or the page to sign on would be the file.
    File,
}

struct Row(&'static str, Needs, Kind);

use Kind::{Data, File, Page};
const LOOK: Needs = Needs::Role(Role::Look);
const OPERATE: Needs = Needs::Role(Role::Operate);
const ADMINISTER: Needs = Needs::Role(Role::Administer);

/// Every address with what it needs. What each role may do is told in docs/threats.md.
const TABLE: [Row; 52] = [
    Row("/livez", Needs::Nothing, Data),
    Row("/readyz", Needs::Nothing, Data),
    Row("/page/{file}", Needs::Nothing, Data),
    Row("/sign-on", Needs::Nothing, Data),
    Row("/sign-on/state", Needs::Nothing, Data),
    Row("/sign-off", Needs::Nothing, Data),
    Row("/room", Needs::Room, Page),
    Row("/room/events", Needs::Room, Data),
    Row("/room/temperatures", Needs::Room, Data),
    Row("/room/stations", Needs::Room, Data),
    Row("/samples/list", Needs::Room, Data),
    Row("/", LOOK, Page),
    Row("/samples", LOOK, Page),
    Row("/samples/{id}", LOOK, Page),
    Row("/review", LOOK, Page),
    Row("/solutions", LOOK, Page),
    Row("/equipment", LOOK, Page),
    Row("/records", LOOK, Page),
    Row("/record/{id}", LOOK, Page),
    Row("/charts", LOOK, Page),
    Row("/samples/{id}/label", LOOK, Page),
    Row("/report/{sample}", LOOK, Page),
    Row("/report/{sample}/pdf", LOOK, File),
    Row("/worksheet/{method}", LOOK, Page),
    Row("/worksheet/{method}/pdf", LOOK, File),
    Row("/records/export", LOOK, File),
    Row("/records/export/description", LOOK, File),
    Row("/events", LOOK, Data),
    Row("/view", LOOK, Data),
    Row("/charts/view", LOOK, Data),
    Row("/equipment/view", LOOK, Data),
    Row("/equipment/{item}/records", LOOK, Data),
    Row("/solutions/view", LOOK, Data),
    Row("/review/view", LOOK, Data),
    Row("/reading", LOOK, Data),
    Row("/samples/find", LOOK, Data),
    Row("/samples/{id}/data", LOOK, Data),
    Row("/samples/{id}/label.css", LOOK, Data),
    Row("/records/list", LOOK, Data),
    Row("/records/room", LOOK, Data),
    Row("/records/kept", LOOK, Data),
    Row("/documents", LOOK, Data),
    Row("/documents/{id}", LOOK, Data),
    Row("/documents/{id}/versions", LOOK, Data),
    Row("/documents/{id}/shown", LOOK, Data),
    Row("/documents/{id}/signature", LOOK, Data),
    Row("/keys", LOOK, Data),
    // And what the act itself needs: a question may be asked by whoever looks.
    Row("/act", LOOK, Data),
    Row("/people", OPERATE, Page),
    Row("/people/view", OPERATE, Data),
    Row("/settings", ADMINISTER, Page),
    Row("/settings/view", ADMINISTER, Data),
];

/// Lets a request through to its address, or says what is missing.
pub(super) async fn access(State(state): State<AppState>, mut request: Request, next: Next) -> Response {
    let Some(door) = state.door.clone() else {
        request.extensions_mut().insert(Access::Free);
        return next.run(request).await;
    };
    let matched = request.extensions().get::<MatchedPath>().map(|path| path.as_str().to_owned());
    let row = TABLE.iter().find(|row| matched.as_deref() == Some(row.0));
    let (needs, kind) = match (row, &matched) {
        (Some(row), _) => (row.1, row.2),
        (None, Some(_)) => (ADMINISTER, Data),
        // Nothing is here, which is for whoever may look; who typed it wrongly signs on as anywhere else.
        (None, None) => (LOOK, if is_opened(&request) { Page } else { Data }),
    };
    let acts = request.method() == Method::POST || kind != Data;
    let guest = entry::key(request.headers())
        .and_then(|key| door.guest(key, state.clock.now().boot_ns, acts))
        .filter(|guest| match state.is_registered(guest) {
            Ok(()) => true,
            Err(why) => {
                tracing::info!(account = guest.account, %why, "a sign-on has ended");
                door.sign_off(guest);
                false
            }
        });
    let access = guest.map_or(Access::Stranger, Access::Guest);
    let refused = match (&access, needs) {
        (_, Needs::Nothing) => None,
        (_, Needs::Room) if door.room_open() => None,
        (Access::Guest(guest), needs) => lacks(guest, needs),
        _ => return sign_on_first(&request, kind),
    };
    if let Some(why) = refused {
        return Problem::new(StatusCode::FORBIDDEN, why).into_response();
    }
    request.extensions_mut().insert(access);
    next.run(request).await
}

/// A browser opens it as a page (Fetch Metadata).
fn is_opened(request: &Request) -> bool {
    request.headers().get(HeaderName::from_static("sec-fetch-mode")).is_some_and(|mode| mode == "navigate")
}

fn lacks(guest: &Guest, needs: Needs) -> Option<String> {
    let role = match needs {
        Needs::Role(role) => role,
        Needs::Nothing | Needs::Room => Role::Look,
    };
    (guest.role < role).then(|| lacking(guest, role))
}

/// What somebody is told whose account may not do something.
pub(super) fn lacking(guest: &Guest, role: Role) -> String {
    format!(
        "the account `{}` may {}; this needs one that may {}",
        guest.account,
        guest.role.word(),
        role.word()
    )
}

/// A person who opens a page is led to the sign-on and back; a page's own question is refused.
fn sign_on_first(request: &Request, kind: Kind) -> Response {
    if kind == Page && request.method() == Method::GET {
        let to = request.uri().path_and_query().map_or("/", |path| path.as_str());
        let to: String = to.bytes().map(escaped).collect();
        return Redirect::to(&format!("/sign-on?to={to}")).into_response();
    }
    let mut response =
        Problem::new(StatusCode::UNAUTHORIZED, "nobody is signed on here: sign on first").into_response();
    // RFC 9110 asks for a way in; there is no registered scheme for a cookie.
    let way = axum::http::HeaderValue::from_static("Cookie form-action=\"/sign-on\"");
    response.headers_mut().insert(header::WWW_AUTHENTICATE, way);
    response
}

fn escaped(byte: u8) -> String {
    if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
        char::from(byte).to_string()
    } else {
        format!("%{byte:02X}")
    }
}

#[cfg(test)]
#[path = "test/access.rs"]
mod test;
