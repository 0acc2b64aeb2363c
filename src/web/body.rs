//! What a request carries, bounded in size and time.

use super::problem::Problem;
use axum::body::{Body, Bytes};
use axum::http::StatusCode;
use std::time::Duration;

/// How long what a request carries may take to come.
const COMES_WITHIN: Duration = Duration::from_secs(10);

/// All of it.
pub(super) async fn read(body: Body, what: &str, largest: usize) -> Result<Bytes, Problem> {
    match tokio::time::timeout(COMES_WITHIN, axum::body::to_bytes(body, largest)).await {
        Ok(Ok(bytes)) => Ok(bytes),
        Ok(Err(e)) => {
            let why = format!("the {what} cannot be read, or is larger than {largest} bytes: {e}");
            Err(Problem::new(StatusCode::BAD_REQUEST, why))
        }
        Err(_) => {
            let why = format!("the {what} did not come within {} s", COMES_WITHIN.as_secs());
            Err(Problem::new(StatusCode::REQUEST_TIMEOUT, why))
        }
    }
}
