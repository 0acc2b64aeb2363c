//! What went wrong with a request, as RFC 9457 has it.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

/// A refusal of the request itself. (A refused act is an outcome, not a problem.)
#[derive(Debug)]
pub(super) struct Problem {
    status: StatusCode,
    detail: String,
    /// Seconds until another try makes sense.
    again_s: Option<u64>,
}

impl Problem {
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self { status, detail: detail.into(), again_s: None }
    }

    /// The same may be asked again after so many seconds.
    pub(super) fn again_after(mut self, seconds: u64) -> Self {
        self.again_s = Some(seconds);
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = json!({
            "type": "about:blank",
            "title": self.status.canonical_reason(),
            "status": self.status.as_u16(),
            "detail": self.detail,
            "againS": self.again_s,
        });
        let mut response = (self.status, body.to_string()).into_response();
        let kind = HeaderValue::from_static("application/problem+json");
        response.headers_mut().insert(header::CONTENT_TYPE, kind);
        if let Some(seconds) = self.again_s {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        response
    }
}
