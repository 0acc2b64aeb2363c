//! What went wrong with a request, as RFC 9457 has it.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

/// A refusal of the request itself. (A refused act is an outcome, not a problem.)
#[derive(Debug)]
pub(super) struct Problem {
    status: StatusCode,
    detail: String,
}

impl Problem {
    pub(super) fn new(status: StatusCode, detail: impl Into<String>) -> Self {
        Self { status, detail: detail.into() }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = json!({
            "type": "about:blank",
            "title": self.status.canonical_reason(),
            "status": self.status.as_u16(),
            "detail": self.detail,
        });
        let mut response = (self.status, body.to_string()).into_response();
        let kind = HeaderValue::from_static("application/problem+json");
        response.headers_mut().insert(header::CONTENT_TYPE, kind);
        response
    }
}
