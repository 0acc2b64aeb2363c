//! The talk with a Modbus RTU server over one open stream.
//!
//! An answer of Modbus RTU does not say which question it belongs to. So a late one must never be
//! there when the next question is asked: whoever did not answer in time is waited for as long as it
//! may take at most, and what comes meanwhile is thrown away.

use super::talk::{Ended, Talk, Unwanted};
use super::{Bank, Poll};
use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll as Polled};
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, ReadBuf};
use tokio::time::{sleep, timeout};
use tokio_modbus::client::{Client, rtu};
use tokio_modbus::{Error, Request, Response, Slave};

/// Most bytes of a Modbus RTU frame; the standard's figure (Modbus over serial line V1.02, 2.5.1).
const FRAME_MAX: usize = 256;

/// A stream that the library's client holds for one question, and that is read here between two.
pub(super) struct Shared<S>(Arc<Mutex<S>>);

impl<S> Clone for Shared<S> {
    fn clone(&self) -> Self {
        Self(self.0.clone())
    }
}

impl<S> Shared<S> {
    pub(super) fn new(stream: S) -> Self {
        Self(Arc::new(Mutex::new(stream)))
    }

    pub(super) fn stream(&self) -> MutexGuard<'_, S> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Shared<S> {
    fn poll_read(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Polled<io::Result<()>> {
        Pin::new(&mut *self.stream()).poll_read(context, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Shared<S> {
    fn poll_write(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Polled<io::Result<usize>> {
        Pin::new(&mut *self.stream()).poll_write(context, bytes)
    }

    fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Polled<io::Result<()>> {
        Pin::new(&mut *self.stream()).poll_flush(context)
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Polled<io::Result<()>> {
        Pin::new(&mut *self.stream()).poll_shutdown(context)
    }
}

/// What a question came to.
pub(super) enum Answer {
    /// The registers, each with its high byte first.
    Registers(Vec<u8>),
    /// An answer that holds none, in words.
    Refused(String),
    /// None in time.
    None,
}

/// Talks until the stream ends. May be dropped at any instant.
pub(super) async fn over<S>(talk: &mut Talk, stream: S, poll: &Poll) -> Ended
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    talk.heard = false;
    let mut stream = Shared::new(stream);
    loop {
        let turn = talk.clock.reached(talk.due_ns);
        if let Err(ended) = unheard(&mut stream, turn).await {
            return ended;
        }
        let now = talk.clock.now().boot_ns;
        if now < talk.due_ns {
            // The clock woke early.
            continue;
        }
        talk.due_ns = now.saturating_add(poll.every_ns);
        let answer = match timeout(poll.answer_within, ask(stream.clone(), poll)).await {
            Ok(Ok(answer)) => answer,
            Ok(Err(ended)) => return ended,
            Err(_) => Answer::None,
        };
        let asked_in_vain = !matches!(answer, Answer::Registers(_));
        if let Err(Unwanted) = report(talk, answer).await {
            return Ended::Unwanted;
        }
        if asked_in_vain && let Err(ended) = unheard(&mut stream, sleep(poll.longest_answer)).await {
            return ended;
        }
    }
}

/// Throws away what comes until `over`; nothing that waits is left then.
pub(super) async fn unheard<S: AsyncRead + Unpin>(
    stream: &mut Shared<S>,
    over: impl Future<Output = ()>,
) -> Result<(), Ended> {
    let mut over = std::pin::pin!(over);
    let mut bytes = [0; FRAME_MAX];
    loop {
        tokio::select! {
            biased;
            read = stream.read(&mut bytes) => match read {
                Ok(0) => return Err(Ended::Gone(None)),
                Err(said) => return Err(Ended::Gone(Some(said))),
                Ok(count) => tracing::debug!(count, "bytes that nobody asked for are thrown away"),
            },
            () = &mut over => return Ok(()),
        }
    }
}

/// Asks once. The client of the question ends with it, and with it whatever it has half read.
pub(super) async fn ask<S>(stream: Shared<S>, poll: &Poll) -> Result<Answer, Ended>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let mut client = rtu::attach_slave(stream, Slave(poll.unit_id));
    let request = match poll.bank {
        Bank::Input => Request::ReadInputRegisters(poll.address, poll.count),
        Bank::Holding => Request::ReadHoldingRegisters(poll.address, poll.count),
    };
    // By the general call: the library's own one for registers takes their number on trust.
    match client.call(request).await {
        Ok(Ok(Response::ReadInputRegisters(words) | Response::ReadHoldingRegisters(words))) => {
            Ok(Answer::Registers(words.into_iter().flat_map(u16::to_be_bytes).collect()))
        }
        Ok(Ok(_)) => Ok(Answer::Refused("an answer that holds registers".to_owned())),
        Ok(Err(exception)) => Ok(Answer::Refused(format!(
            "registers; the instrument refuses with exception {} ({exception}): compare unit id, registers and \
             address with its manual",
            u8::from(exception)
        ))),
        Err(Error::Protocol(said)) => Ok(Answer::Refused(format!("an answer to this question ({said})"))),
        Err(Error::Transport(said)) => match said.kind() {
            io::ErrorKind::InvalidData => Ok(Answer::Refused(format!("an answer of Modbus RTU ({said})"))),
            io::ErrorKind::BrokenPipe if said.raw_os_error().is_none() => Err(Ended::Gone(None)),
            _ => Err(Ended::Gone(Some(said))),
        },
    }
}

async fn report(talk: &mut Talk, answer: Answer) -> Result<(), Unwanted> {
    match answer {
        Answer::Registers(bytes) => {
            talk.heard = true;
            let at = talk.clock.now();
            talk.hear(&bytes, at).await
        }
        Answer::Refused(why) => {
            talk.heard = true;
            talk.refused(why).await
        }
        Answer::None => talk.unanswered().await,
    }
}

#[cfg(test)]
mod test;
