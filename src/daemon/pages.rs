//! The pages on a thread of their own: while hundreds of them take nothing, and the kernel's buffers
//! fill with what they were to be shown, no press and no line waits behind it.

use super::station::alive::{Alive, BEAT};
use crate::web::{self, AppState};
use std::io;
use tokio::net::TcpListener;
use tokio::runtime::{Builder, Runtime};
use tokio::sync::oneshot;
use tokio_util::sync::CancellationToken;

/// Serves the pages until `end`, and shows in `alive` that they do; what is given back ends with them.
///
/// # Errors
/// The system gives no thread, or nothing to wait with.
pub(super) fn spawn(
    listener: TcpListener,
    state: AppState,
    alive: Alive,
    end: CancellationToken,
) -> io::Result<impl Future<Output = ()> + Send + 'static> {
    // It is known to this runtime; the other one has to make its acquaintance.
    let listener = listener.into_std()?;
    let runtime = Builder::new_current_thread().enable_all().build()?;
    let (ended, is_over) = oneshot::channel::<()>();
    std::thread::Builder::new().name("pages".to_owned()).spawn(move || {
        if let Err(error) = serve(&runtime, listener, state, &alive, end) {
            tracing::error!("the pages ended: {error}");
        }
        alive.ends();
        // A question to the journal that is still being worked on keeps nobody.
        runtime.shutdown_background();
        drop(ended);
    })?;
    // However the thread ends, its half of the channel goes with it.
    Ok(async move { drop(is_over.await) })
}

fn serve(
    runtime: &Runtime,
    listener: std::net::TcpListener,
    state: AppState,
    alive: &Alive,
    end: CancellationToken,
) -> io::Result<()> {
    runtime.block_on(async {
        let mut beat = tokio::time::interval(BEAT);
        let serving = web::serve(TcpListener::from_std(listener)?, state, end);
        tokio::pin!(serving);
        loop {
            tokio::select! {
                served = &mut serving => return served,
                _ = beat.tick() => alive.beat(),
            }
        }
    })
}
