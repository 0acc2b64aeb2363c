//! Checks on every request, on loopback too: a page from elsewhere that the same browser shows
//! could otherwise reach the bench (by a name that resolves to this machine, or by a form).
//!
//! There is no token in forms, because there is no form that a browser sends by itself: each POST is
//! JSON, which a page from elsewhere cannot send unasked, and says where it comes from.

use super::AppState;
use super::problem::Problem;
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::borrow::Cow;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::time::Instant;

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
     connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'";
/// A year, for this name alone: other machines of the laboratory are none of ours.
const ONLY_ENCRYPTED: &str = "max-age=31536000";
const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");
const FETCH_MODE: HeaderName = HeaderName::from_static("sec-fetch-mode");
const FETCH_DEST: HeaderName = HeaderName::from_static("sec-fetch-dest");

/// Names by which this machine's own browser may call it.
const HOSTS: [&str; 3] = ["localhost", "127.0.0.1", "[::1]"];

/// Characters of a request that are repeated, in an answer or in the log.
const REPEATED_MOST: usize = 100;
/// The log tells of refused requests at most this often: whoever is refused may come back at once.
const TOLD_EVERY: Duration = Duration::from_secs(1);

/// When the log was told last, and of how many it was not told since.
#[derive(Debug, Default)]
struct Untold {
    last: Option<Instant>,
    more: u64,
}

impl Untold {
    /// Whether the log is told of one more, and how many others it stands for.
    fn told(&mut self, now: Instant) -> Option<u64> {
        if self.last.is_some_and(|last| now.duration_since(last) < TOLD_EVERY) {
            self.more += 1;
            return None;
        }
        self.last = Some(now);
        Some(std::mem::take(&mut self.more))
    }
}

/// By what the station may be called.
#[derive(Debug, Clone)]
pub(super) struct Called {
    names: Arc<[String]>,
    port: u16,
    encrypted: bool,
    /// There are accounts: a POST must say where it comes from.
    accounts: bool,
    untold: Arc<Mutex<Untold>>,
}

impl Called {
    pub(super) fn of(state: &AppState) -> Self {
        let own = state.name.as_deref().map(str::to_owned);
        Self {
            names: HOSTS.map(str::to_owned).into_iter().chain(own).collect(),
            port: state.port,
            encrypted: state.encryption.is_some(),
            accounts: state.door.is_some(),
            untold: Arc::default(),
        }
    }

    const fn scheme(&self) -> (&'static str, u16) {
        if self.encrypted { ("https://", 443) } else { ("http://", 80) }
    }

    fn is_ours(&self, host: &str) -> bool {
        self.names.iter().any(|name| {
            let named = host.get(..name.len()).filter(|named| named.eq_ignore_ascii_case(name));
            let rest = named.and(host.get(name.len()..));
            rest == Some(&format!(":{}", self.port)) || (self.port == self.scheme().1 && rest == Some(""))
        })
    }
}

/// Lets a request through or answers it with 403; sets the headers of every answer.
pub(super) async fn guard(called: Called, request: Request, next: Next) -> Response {
    let mut response = match check(&called, request.method(), request.headers()) {
        Ok(()) => next.run(request).await,
        Err(why) => {
            let told = called.untold.lock().unwrap_or_else(PoisonError::into_inner).told(Instant::now());
            if let Some(more) = told {
                tracing::warn!(%why, more, "a request was refused; `more` before it were not told");
            }
            Problem::new(StatusCode::FORBIDDEN, why).into_response()
        }
    };
    let headers = response.headers_mut();
    let mut set = |name: HeaderName, value: &'static str| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    set(header::CONTENT_SECURITY_POLICY, POLICY);
    set(header::X_FRAME_OPTIONS, "DENY");
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "no-referrer");
    set(HeaderName::from_static("cross-origin-opener-policy"), "same-origin");
    set(HeaderName::from_static("cross-origin-resource-policy"), "same-origin");
    if called.encrypted {
        set(header::STRICT_TRANSPORT_SECURITY, ONLY_ENCRYPTED);
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

fn check(called: &Called, method: &Method, headers: &HeaderMap) -> Result<(), String> {
    let host = only(headers, &header::HOST)?.ok_or("the request names no host")?;
    if !called.is_ours(host) {
        let port = called.port;
        let name = called.names.last().map_or("localhost", String::as_str);
        let host = short(host);
        return Err(format!("`{host}` is not this station: call it {name}:{port} or 127.0.0.1:{port}"));
    }
    let origin = only(headers, &header::ORIGIN)?;
    if let Some(origin) = origin
        && !origin.strip_prefix(called.scheme().0).is_some_and(|from| from.eq_ignore_ascii_case(host))
    {
        let origin = short(origin);
        return Err(format!("a page of `{origin}` may not use this station"));
    }
    from_elsewhere(method, headers)?;
    if method == Method::POST {
        if called.accounts && origin.is_none() {
            return Err("the request does not say where it comes from: send `origin`".to_owned());
        }
        let kind = only(headers, &header::CONTENT_TYPE)?.unwrap_or("nothing");
        let essence = kind.split(';').next().unwrap_or_default().trim();
        if !essence.eq_ignore_ascii_case("application/json") {
            let kind = short(kind);
            return Err(format!("the request carries {kind}; send application/json"));
        }
    }
    Ok(())
}

/// What a browser says of the page behind a request (Fetch Metadata). From another site it may be
/// opened as a page of its own, by a link; nothing of it may be taken into a page there.
fn from_elsewhere(method: &Method, headers: &HeaderMap) -> Result<(), String> {
    let Some(site) = only(headers, &FETCH_SITE)? else { return Ok(()) };
    let opened = only(headers, &FETCH_MODE)? == Some("navigate")
        && only(headers, &FETCH_DEST)?.is_none_or(|dest| dest == "document");
    let good = match site {
        "same-origin" => true,
        "none" => method != Method::POST,
        _ => opened && (method == Method::GET || method == Method::HEAD),
    };
    if good {
        return Ok(());
    }
    let site = short(site);
    Err(format!("a page of another site ({site}) may not use this station"))
}

/// As much of what came as is repeated: a header may have many thousand characters.
fn short(text: &str) -> Cow<'_, str> {
    match text.char_indices().nth(REPEATED_MOST) {
        Some((end, _)) => format!("{}…", text.get(..end).unwrap_or_default()).into(),
        None => text.into(),
    }
}

/// The one value of a header. Twice is as bad as unreadable: two readers may take different ones.
pub(super) fn only<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, String> {
    let mut values = headers.get_all(name).iter();
    let Some(value) = values.next() else { return Ok(None) };
    if values.next().is_some() {
        return Err(format!("the request carries `{name}` twice"));
    }
    value.to_str().map(Some).map_err(|_| format!("`{name}` cannot be read"))
}

#[cfg(test)]
#[path = "test/guard.rs"]
mod test;
