//! Work off the station's one thread, which everything but the journal shares: reading years of samples
//! there would make the bench wait.

use super::AppState;
use super::access::Access;
use super::problem::Problem;
use axum::http::StatusCode;

/// Does the work on a thread of its own. What strangers ask for has few places in all, and keeps its
/// place until it is done: it cannot be broken off, although whoever asked may be gone.
///
/// # Errors
/// The station ends, or the work did not come to its end.
pub(super) async fn aside<T: Send + 'static>(
    state: &AppState,
    access: &Access,
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Problem> {
    let ended = || Problem::new(StatusCode::SERVICE_UNAVAILABLE, "this was not read to its end: try again");
    let turn = match (&state.door, access) {
        (Some(door), Access::Stranger) => Some(door.look_turn().await.ok_or_else(ended)?),
        _ => None,
    };
    let done = tokio::task::spawn_blocking(move || {
        let _turn = turn;
        work()
    });
    done.await.map_err(|_| ended())
}
