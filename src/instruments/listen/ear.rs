//! The wire: one port, listened to with one speed after the other, and asked where that is wished.
//!
//! Silence says nothing about a speed, so a speed is given up only when something came that is no
//! text. Whoever presses a print key therefore tries one speed with each press.

use super::judge::{Fit, Shapes, Stretch, alike, fits};
use super::plan::{self, Known};
use super::text::{self, Cutter};
use crate::instruments::port::{Port, PortError};
use crate::instruments::protocol::{AnyShape, Decoder};
use crate::instruments::registers::{self, Answer, Shared};
use crate::instruments::talk::Ended;
use crate::instruments::{Line, Poll, Request};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{Instant, sleep_until, timeout};
use tokio_util::sync::CancellationToken;

/// Without a byte for so long, what came is whole: many characters of the slowest line.
const PAUSE: Duration = Duration::from_millis(300);
/// Bytes after which what came is looked at, though no pause came.
const LOOK_AFTER: usize = 64;
/// Most bytes that are judged with one speed.
const KEPT: usize = 64 * 1024;
/// Understood lines that make it clear.
const CLEAR: u32 = 5;
/// Times that a question is asked once it was answered.
const ASKED: u32 = 3;
/// Longest pause between two of the same question.
const BETWEEN: Duration = Duration::from_millis(500);
/// Whoever is to be asked may speak unasked: silence for so long says that it does not.
const SILENT: Duration = Duration::from_secs(3);
/// Longest listening before the first question.
const BEFORE_ASKING: Duration = Duration::from_secs(10);

/// How to listen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Orders {
    /// What is known of the line.
    pub known: Known,
    /// Whether questions may be written to the port.
    pub ask: bool,
    /// The longest time.
    pub within: Duration,
    /// Listen for the whole time, also when it is clear before.
    pub whole_time: bool,
}

/// What happens, as it happens.
#[derive(Debug)]
pub enum Event<'e> {
    /// The port is set to this line.
    Set(Line),
    /// A piece came, so long after the beginning.
    Came(Duration, Line, &'e [u8]),
    /// What came is no text.
    NoText(Line),
    /// A question is asked.
    Asks {
        /// The shape that it belongs to.
        shape: &'e AnyShape,
        /// With this line.
        line: Line,
    },
    /// A Modbus unit gave registers, or refused in these words.
    Registers(Duration, Line, Result<&'e [u8], &'e str>),
}

/// What came in all.
#[derive(Debug)]
pub struct Found {
    /// By speed and question, without those to which nothing came.
    pub stretches: Vec<Stretch>,
    /// What fits, the best first.
    pub fits: Vec<Fit>,
    /// A Modbus unit answered that it refuses.
    pub refused: bool,
    /// The time was over before every question was asked with every speed.
    pub cut_short: bool,
    /// How long it took.
    pub took: Duration,
}

/// Why listening with one line ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum End {
    Over,
    Clear,
    NoText,
    Silent,
}

/// A port that is listened to.
pub struct Ear<'e> {
    path: PathBuf,
    port: Shared<Port>,
    line: Line,
    shapes: &'e Shapes,
    orders: Orders,
    tell: Box<dyn FnMut(Event<'_>) + Send + 'e>,
    began: Instant,
    until: Instant,
    stop: CancellationToken,
    cutter: Cutter,
    stretches: Vec<Stretch>,
    refused: bool,
    cut_short: bool,
}

impl<'e> Ear<'e> {
    /// Opens the port for this program alone.
    pub async fn open(
        path: &Path,
        shapes: &'e Shapes,
        orders: Orders,
        stop: CancellationToken,
        tell: impl FnMut(Event<'_>) + Send + 'e,
    ) -> Result<Self, PortError> {
        let first = plan::to_hear(orders.known).first().copied();
        let line = first.or_else(|| plan::line(9600, "8N1")).ok_or_else(|| PortError::Unusable {
            path: path.display().to_string(),
            said: "no speed to try".to_owned(),
        })?;
        let port = Shared::new(Port::open(path, line).await?);
        let began = Instant::now();
        Ok(Self {
            path: path.to_owned(),
            port,
            line,
            shapes,
            orders,
            tell: Box::new(tell),
            began,
            until: began + orders.within,
            stop,
            cutter: Cutter::default(),
            stretches: Vec::new(),
            refused: false,
            cut_short: false,
        })
    }

    /// Listens, and asks where that is wished, until it is clear or the time is over.
    pub async fn find(mut self) -> Result<Found, PortError> {
        let clear = self.hear_all().await?;
        if self.orders.ask && !clear && !self.over() {
            self.ask_all().await?;
        }
        if self.orders.whole_time && !self.over() {
            let asked = self.judged();
            let line = asked.first().map_or(self.line, |fit| fit.heard);
            self.hear(line, self.until, None).await?;
        }
        let fits = self.judged();
        self.stretches.retain(|stretch| !stretch.is_silent());
        Ok(Found {
            stretches: self.stretches,
            fits,
            refused: self.refused,
            cut_short: self.cut_short,
            took: self.began.elapsed(),
        })
    }

    fn over(&self) -> bool {
        self.stop.is_cancelled() || Instant::now() >= self.until
    }

    fn judged(&self) -> Vec<Fit> {
        fits(self.shapes, &self.stretches)
    }

    /// Listens with one line after the other. Gives whether it became clear.
    async fn hear_all(&mut self) -> Result<bool, PortError> {
        let lines = plan::to_hear(self.orders.known);
        let (until, quiet) = if self.orders.ask {
            (self.until.min(self.began + BEFORE_ASKING), Some(SILENT))
        } else {
            (self.until, None)
        };
        for line in lines.iter().cycle() {
            match self.hear(*line, until, quiet).await? {
                End::Clear => return Ok(true),
                End::Over | End::Silent => break,
                End::NoText => (self.tell)(Event::NoText(*line)),
            }
        }
        Ok(false)
    }

    fn set(&mut self, line: Line) -> Result<(), PortError> {
        self.show_rest();
        // What waits in the port at the beginning was said with whatever line: it counts for the first.
        if self.line != line {
            self.port.stream().set(&self.path, line)?;
            self.line = line;
        }
        (self.tell)(Event::Set(line));
        Ok(())
    }

    /// Listens with one line.
    async fn hear(&mut self, line: Line, until: Instant, quiet: Option<Duration>) -> Result<End, PortError> {
        self.set(line)?;
        let began = Instant::now();
        let mut looked_at = 0;
        let mut heard = Stretch::new(line, None);
        let end = loop {
            let fresh = heard.bytes.len() > looked_at;
            let next = match quiet {
                _ if fresh => until.min(Instant::now() + PAUSE),
                Some(quiet) if heard.is_silent() => until.min(began + quiet),
                _ => until,
            };
            let came = self.read(next, &mut heard).await?;
            let many =
                heard.bytes.len() - looked_at >= LOOK_AFTER.max(looked_at / 4) && began.elapsed() >= PAUSE;
            if !came {
                self.show_rest();
            }
            if (!came && fresh) || many {
                looked_at = heard.bytes.len();
                if let Some(end) = self.looked(&heard) {
                    break end;
                }
            }
            if !came && (self.stop.is_cancelled() || Instant::now() >= until) {
                break End::Over;
            }
            if !came && heard.is_silent() {
                break End::Silent;
            }
        };
        self.stretches.push(heard);
        Ok(end)
    }

    fn looked(&self, heard: &Stretch) -> Option<End> {
        if !text::is_text(&heard.bytes) {
            return Some(End::NoText);
        }
        let fits = fits(self.shapes, std::slice::from_ref(heard));
        let clear = alike(&fits) == 1 && fits.first().is_some_and(|fit| fit.understood >= CLEAR);
        (clear && !self.orders.whole_time).then_some(End::Clear)
    }

    /// Takes what comes until `until`. Gives whether something came.
    async fn read(&mut self, until: Instant, heard: &mut Stretch) -> Result<bool, PortError> {
        let mut bytes = [0; 1024];
        let mut port = self.port.clone();
        let count = tokio::select! {
            biased;
            () = self.stop.cancelled() => return Ok(false),
            read = port.read(&mut bytes) => match read {
                Ok(0) => return Err(PortError::lost(&self.path, None)),
                Err(said) => return Err(PortError::lost(&self.path, Some(&said))),
                Ok(count) => count,
            },
            () = sleep_until(until) => return Ok(false),
        };
        let bytes = bytes.get(..count).unwrap_or_default();
        let room = KEPT.saturating_sub(heard.bytes.len()).min(bytes.len());
        heard.bytes.extend_from_slice(bytes.get(..room).unwrap_or_default());
        for piece in self.cutter.feed(bytes) {
            (self.tell)(Event::Came(self.began.elapsed(), self.line, &piece));
        }
        Ok(true)
    }

    fn show_rest(&mut self) {
        if let Some(piece) = self.cutter.rest() {
            (self.tell)(Event::Came(self.began.elapsed(), self.line, &piece));
        }
    }

    /// Asks each question with one line after the other, until one is answered; then the others
    /// of its kind with that line too, so that those that fit alike show.
    async fn ask_all(&mut self) -> Result<(), PortError> {
        for turn in plan::to_ask(self.shapes, self.orders.known) {
            self.set(turn.line)?;
            let before = self.stretches.len();
            for id in &turn.shapes {
                self.ask(id).await?;
                if self.over() {
                    self.cut_short = true;
                    return Ok(());
                }
            }
            let answered = fits(self.shapes, self.stretches.get(before..).unwrap_or_default());
            let Some(best) = answered.first().filter(|fit| fit.as_said) else { continue };
            let lines = matches!(self.shapes.get(&best.shape), Some(AnyShape::Lines(_)));
            let others: Vec<String> = self
                .shapes
                .values()
                .filter(|shape| plan::is_asked(shape) && matches!(shape, AnyShape::Lines(_)) == lines)
                .map(|shape| shape.id().to_owned())
                .filter(|id| !turn.shapes.contains(id))
                .collect();
            for id in others {
                if !self.over() {
                    self.ask(&id).await?;
                }
            }
            return Ok(());
        }
        Ok(())
    }

    /// Asks one shape's question: once, and more often if there is an answer that it understands.
    async fn ask(&mut self, id: &str) -> Result<(), PortError> {
        let shapes = self.shapes;
        let Some(shape) = shapes.get(id) else { return Ok(()) };
        let mut heard = Stretch::new(self.line, Some(id.to_owned()));
        (self.tell)(Event::Asks { shape, line: self.line });
        for turn in 0..ASKED {
            let since = Instant::now();
            match shape {
                AnyShape::Lines(lines) => match &lines.request {
                    Some(request) => {
                        self.ask_line(request, Decoder::new(lines.framing), &mut heard).await?;
                    }
                    None => return Ok(()),
                },
                AnyShape::Registers(registers) => self.ask_registers(&registers.poll, &mut heard).await?,
            }
            let answered = fits(shapes, std::slice::from_ref(&heard)).iter().any(|fit| fit.shape == id);
            if !answered || turn + 1 == ASKED || self.over() {
                break;
            }
            let next = (since + BETWEEN).min(self.until);
            while self.read(next, &mut heard).await? {}
        }
        self.show_rest();
        self.stretches.push(heard);
        Ok(())
    }

    async fn ask_line(
        &mut self,
        request: &Request,
        mut decoder: Decoder,
        heard: &mut Stretch,
    ) -> Result<(), PortError> {
        let until = Instant::now() + request.answer_within;
        let mut port = self.port.clone();
        match timeout(request.answer_within, port.write_all(&request.send)).await {
            Ok(Ok(())) => {}
            Ok(Err(said)) => return Err(PortError::lost(&self.path, Some(&said))),
            Err(_) => return Ok(()),
        }
        loop {
            let before = heard.bytes.len();
            if !self.read(until, heard).await? {
                return Ok(());
            }
            if !decoder.feed(heard.bytes.get(before..).unwrap_or_default()).is_empty() {
                return Ok(());
            }
        }
    }

    async fn ask_registers(&mut self, poll: &Poll, heard: &mut Stretch) -> Result<(), PortError> {
        let lost = |path: &Path, ended: Ended| match ended {
            Ended::Gone(said) => PortError::lost(path, said.as_ref()),
            Ended::Unwanted => PortError::lost(path, None),
        };
        let asked = timeout(poll.answer_within, registers::ask(self.port.clone(), poll)).await;
        let answer = asked.unwrap_or(Ok(Answer::None)).map_err(|ended| lost(&self.path, ended))?;
        let at = self.began.elapsed();
        match answer {
            Answer::Registers(bytes) => {
                (self.tell)(Event::Registers(at, self.line, Ok(&bytes)));
                heard.registers.push(bytes);
                return Ok(());
            }
            Answer::Refused(why) => {
                self.refused = true;
                (self.tell)(Event::Registers(at, self.line, Err(&why)));
            }
            Answer::None => {}
        }
        // An answer does not say which question it belongs to: a late one must not meet the next.
        let quiet = sleep_until(Instant::now() + poll.longest_answer);
        registers::unheard(&mut self.port, quiet).await.map_err(|ended| lost(&self.path, ended))
    }
}
