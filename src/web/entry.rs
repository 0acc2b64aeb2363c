//! Signing on and off at the pages, and what a page is told of whose it is.

use super::access::{Access, Peer};
use super::problem::Problem;
use super::{AppState, body};
use crate::door::password::Password;
use crate::door::{Door, Guest, NotOn};
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Extension, Json, Router};
use serde::Deserialize;
use serde_json::{Value, json};
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;

/// `__Host-`: only over an encrypted connection, only from this name, for all of it (RFC 6265bis).
const COOKIE: &str = "__Host-stillstand";
/// Characters of a key.
const KEY: usize = 64;
/// Largest sign-on, bytes.
const LARGEST: usize = 4096;

pub(super) fn routes() -> Router<AppState> {
    Router::new()
        .route("/sign-on", get(super::pages::sign_on).post(sign_on))
        .route("/sign-on/state", get(now))
        .route("/sign-off", post(sign_off))
}

/// The key in a request. A cookie that comes twice is none.
pub(super) fn key(headers: &HeaderMap) -> Option<&str> {
    let lines = headers.get_all(header::COOKIE).iter().filter_map(|line| line.to_str().ok());
    let mut ours = lines.flat_map(|line| line.split(';')).filter_map(|pair| {
        let (name, value) = pair.trim().split_once('=')?;
        (name == COOKIE).then_some(value)
    });
    let key = ours.next()?;
    let whole = key.len() == KEY && key.bytes().all(|byte| byte.is_ascii_hexdigit());
    (ours.next().is_none() && whole).then_some(key)
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    account: String,
    password: Password,
}

async fn sign_on(
    State(state): State<AppState>,
    peer: Option<Extension<Peer>>,
    Extension(access): Extension<Access>,
    sent: Body,
) -> Result<Response, Problem> {
    let door = door(&state)?;
    let from = peer.map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |Extension(peer)| peer.0);
    let sent = body::read(sent, "sign-on", LARGEST).await?;
    // What cannot be read is not repeated: a password may stand in it.
    let wanted: Wanted = serde_json::from_slice(&sent)
        .map_err(|_| Problem::new(StatusCode::BAD_REQUEST, "no sign-on: send `account` and `password`"))?;
    let clock = state.clock.clone();
    let on = door.sign_on(from, &wanted.account, wanted.password, move || clock.now().boot_ns).await;
    let (key, guest) = on.map_err(|not| refused(not, from))?;
    if let Err(why) = state.is_registered(&guest) {
        door.sign_off(&guest);
        return Err(Problem::new(StatusCode::FORBIDDEN, why));
    }
    // Whoever was signed on in this browser is not any more.
    if let Access::Guest(before) = &access {
        door.sign_off(before);
    }
    tracing::info!(account = guest.account, %from, "signed on at the pages");
    let cookie = format!("{COOKIE}={}; Path=/; Secure; HttpOnly; SameSite=Strict", key.reveal());
    Ok(([(header::SET_COOKIE, cookie)], Json(told(&guest))).into_response())
}

/// The name is not logged: people type a password into the wrong field.
fn refused(not: NotOn, from: IpAddr) -> Problem {
    match not {
        NotOn::Wrong(wait_s) => {
            tracing::warn!(%from, wait_s, "a wrong sign-on at the pages");
            let why = "this name and this password do not belong together";
            Problem::new(StatusCode::UNAUTHORIZED, why).again_after(wait_s)
        }
        NotOn::TooEarly(wait_s) => {
            let why = format!("too many were wrong: wait {wait_s} s");
            Problem::new(StatusCode::TOO_MANY_REQUESTS, why).again_after(wait_s)
        }
        NotOn::Busy => {
            let why = "too many sign on at once: try again";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, why).again_after(2)
        }
        NotOn::NoChance => {
            tracing::error!("this machine gives no chance numbers: nobody can sign on");
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, "this machine gives no chance numbers")
        }
    }
}

async fn sign_off(
    State(state): State<AppState>,
    Extension(access): Extension<Access>,
) -> Result<Response, Problem> {
    let door = door(&state)?;
    if let Access::Guest(guest) = &access {
        door.sign_off(guest);
        tracing::info!(account = guest.account, "signed off at the pages");
    }
    let gone = format!("{COOKIE}=; Path=/; Secure; HttpOnly; SameSite=Strict; Max-Age=0");
    Ok(([(header::SET_COOKIE, gone)], Json(json!({ "on": null }))).into_response())
}

/// Whose this page is.
async fn now(State(state): State<AppState>, Extension(access): Extension<Access>) -> Json<Value> {
    Json(json!({
        "accounts": state.door.is_some(),
        "roomOpen": state.door.as_ref().is_none_or(|door| door.room_open()),
        "on": match &access {
            Access::Guest(guest) => told(guest),
            Access::Free | Access::Stranger => Value::Null,
        },
    }))
}

fn told(guest: &Guest) -> Value {
    json!({
        "account": guest.account,
        "person": guest.person,
        "role": guest.role,
        "screen": guest.person.is_none(),
    })
}

fn door(state: &AppState) -> Result<&Arc<Door>, Problem> {
    let why = "there are no accounts here: whoever reaches the pages may use them";
    state.door.as_ref().ok_or_else(|| Problem::new(StatusCode::NOT_FOUND, why))
}
