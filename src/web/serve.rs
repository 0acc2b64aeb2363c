//! Connections: how many, how long each may take for what, encrypted or not.

use super::access::Peer;
use super::{AppState, FAREWELL};
use crate::door::house::{House, Most, Place};
use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use axum::response::Response;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use std::convert::Infallible;
use std::io;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{MissedTickBehavior, interval, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower_service::Service;

/// How long a handshake may take, and the head of a request, from the end of the one before.
const HANDSHAKE_WITHIN: Duration = Duration::from_secs(10);
const HEAD_WITHIN: Duration = Duration::from_secs(15);
/// How long somebody may take nothing of an answer before the connection is closed, milliseconds.
const TAKES_WITHIN_MS: u32 = 30_000;
/// How much of a head waits for its end, and lines in it. The server looks at this after each read, so that
/// a head of twice as much may still be taken.
const HEAD_MOST: usize = 32 * 1024;
const LINES_MOST: usize = 64;
/// How often sign-ons are looked at.
const LOOK: Duration = Duration::from_secs(1);
const DAY_NS: i64 = 86_400_000_000_000;
/// After a fault of the system (no more files, say) the next connection waits.
const BREATH: Duration = Duration::from_millis(200);

/// Takes connections until `cancel`, and then waits a while for those that are open.
pub(super) async fn serve(
    listener: TcpListener,
    app: Router,
    state: AppState,
    cancel: CancellationToken,
) -> io::Result<()> {
    let house = House::new(Most::default());
    let open = TaskTracker::new();
    let mut look = interval(LOOK);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut told_on = None;
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = look.tick(), if state.door.is_some() || state.encryption.is_some() => {
                tell_of_its_end(&state, &mut told_on);
                if let Some(door) = &state.door {
                    door.look(state.clock.now().boot_ns, |guest| state.is_registered(guest).is_ok());
                }
                continue;
            }
            () = cancel.cancelled() => break,
        };
        let (stream, from) = match accepted {
            Ok((stream, from)) => (stream, from.ip().to_canonical()),
            Err(error) if is_the_others(&error) => continue,
            Err(error) => {
                tracing::warn!("a connection to the pages could not be taken: {error}");
                tokio::time::sleep(BREATH).await;
                continue;
            }
        };
        let known = state.door.as_ref().is_some_and(|door| door.is_known(from));
        // No answer where there is no place: words would cost what is short.
        let Some(place) = house.enter(from, known) else { continue };
        let (app, state, cancel) = (app.clone(), state.clone(), cancel.clone());
        open.spawn(async move { connection(stream, from, place, app, &state, cancel).await });
    }
    drop(listener);
    open.close();
    // A client that neither sends nor closes does not keep the station from ending.
    let _ = timeout(FAREWELL, open.wait()).await;
    Ok(())
}

/// Once a day while the certificate is about to end, or has.
fn tell_of_its_end(state: &AppState, told_on: &mut Option<i64>) {
    let wall_ns = state.clock.now().wall_ns;
    let today = Some(wall_ns.div_euclid(DAY_NS));
    let soon = state.encryption.as_ref().and_then(|encryption| encryption.ends().soon(wall_ns));
    if let Some(what) = soon.filter(|_| *told_on != today) {
        *told_on = today;
        tracing::warn!("{what}");
    }
}

/// A client that went before it was taken is no fault of this machine.
fn is_the_others(error: &io::Error) -> bool {
    use io::ErrorKind::{ConnectionAborted, ConnectionRefused, ConnectionReset};
    matches!(error.kind(), ConnectionAborted | ConnectionRefused | ConnectionReset)
}

async fn connection(
    stream: TcpStream,
    from: IpAddr,
    place: Place,
    app: Router,
    state: &AppState,
    cancel: CancellationToken,
) {
    let _ = stream.set_nodelay(true);
    // The kernel sees who takes nothing any more; a page that is only quiet is not meant.
    let _ = rustix::net::sockopt::set_tcp_user_timeout(&stream, TAKES_WITHIN_MS);
    let Some(encryption) = &state.encryption else {
        return requests(stream, from, place, app, cancel).await;
    };
    let handshake = timeout(HANDSHAKE_WITHIN, encryption.over(stream));
    tokio::select! {
        shaken = handshake => match shaken {
            Ok(Ok(stream)) => requests(stream, from, place, app, cancel).await,
            Ok(Err(error)) => tracing::debug!(%from, "no encrypted connection: {error}"),
            Err(_) => tracing::debug!(%from, "a handshake took too long"),
        },
        () = cancel.cancelled() => {}
    }
}

async fn requests<S>(stream: S, from: IpAddr, place: Place, app: Router, cancel: CancellationToken)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let place = Arc::new(place);
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let mut request: Request = request.map(Body::new);
        request.extensions_mut().insert(Peer(from));
        request.extensions_mut().insert(place.clone());
        let mut app = app.clone();
        async move { answered(app.call(request).await) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_WITHIN)
        .max_buf_size(HEAD_MOST)
        .max_headers(LINES_MOST)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = std::pin::pin!(connection);
    tokio::select! {
        // What went wrong is the other side's: it went, or was too slow.
        _ = connection.as_mut() => return,
        () = cancel.cancelled() => connection.as_mut().graceful_shutdown(),
    }
    let _ = connection.await;
}

/// The router answers everything.
fn answered(answer: Result<Response, Infallible>) -> Result<Response, Infallible> {
    answer
}
