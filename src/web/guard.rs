//! Checks on every request, on loopback too: a page from elsewhere that the same browser shows
//! could otherwise reach the bench (by a name that resolves to this machine, or by a form).

use super::problem::Problem;
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
     connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'";

/// Names by which this machine's own browser may call it.
const HOSTS: [&str; 3] = ["localhost", "127.0.0.1", "[::1]"];

/// Lets a request through or answers it with 403; sets the headers of every answer.
pub(super) async fn guard(port: u16, request: Request, next: Next) -> Response {
    let mut response = match check(port, request.method(), request.headers()) {
        Ok(()) => next.run(request).await,
        Err(why) => {
            tracing::warn!(%why, "a request was refused");
            Problem::new(StatusCode::FORBIDDEN, why).into_response()
        }
    };
    let headers = response.headers_mut();
    let mut set = |name: HeaderName, value: &'static str| {
        headers.insert(name, HeaderValue::from_static(value));
    };
    set(header::CONTENT_SECURITY_POLICY, POLICY);
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "no-referrer");
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

fn check(port: u16, method: &Method, headers: &HeaderMap) -> Result<(), String> {
    let host = only(headers, &header::HOST)?.ok_or("the request names no host")?;
    let is_ours = HOSTS.iter().any(|name| {
        let named = host.strip_prefix(name);
        named == Some(&format!(":{port}")) || (port == 80 && named == Some(""))
    });
    if !is_ours {
        return Err(format!("`{host}` is not this station: call it localhost:{port} or 127.0.0.1:{port}"));
    }
    if let Some(origin) = only(headers, &header::ORIGIN)?
        && origin.strip_prefix("http://") != Some(host)
    {
        return Err(format!("a page of `{origin}` may not use this station"));
    }
    if method == Method::POST {
        let kind = only(headers, &header::CONTENT_TYPE)?.unwrap_or("nothing");
        let essence = kind.split(';').next().unwrap_or_default().trim();
        if !essence.eq_ignore_ascii_case("application/json") {
            return Err(format!("the request carries {kind}; send application/json"));
        }
    }
    Ok(())
}

/// The one value of a header. Twice is as bad as unreadable: two readers may take different ones.
fn only<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, String> {
    let mut values = headers.get_all(name).iter();
    let Some(value) = values.next() else { return Ok(None) };
    if values.next().is_some() {
        return Err(format!("the request carries `{name}` twice"));
    }
    value.to_str().map(Some).map_err(|_| format!("`{name}` cannot be read"))
}
