//! One requested line.

use crate::lines::{self, FindError, shown};
use crate::settings::model::{Bias, Gpio};
use gpiocdev::Request;
use gpiocdev::line::{self, EdgeDetection, EdgeEvent, EdgeKind, EventClock, Value};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::unix::AsyncFd;

/// Edges that the kernel keeps while the program is busy; its default of 16 is one bouncing switch.
const KERNEL_QUEUE: u32 = 256;
/// Edges taken over in one read.
const AT_ONCE: usize = 32;
/// How often a quiet line is looked at. Older kernels do not wake whoever waits on a chip that is
/// unplugged (seen with 6.1), so a quiet line alone does not show that its chip is still there.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// A line that is watched for both edges.
#[derive(Debug)]
pub(super) struct Line {
    pub(super) chip: PathBuf,
    pub(super) offset: u32,
    /// The kernel debounces it; else the program does.
    pub(super) debounced: bool,
    request: Request,
}

/// Finds and requests a line. May block for as long as the chip's bus takes.
pub(super) fn open(settings: &Gpio) -> Result<Line, FindError> {
    let chip = lines::chip(&settings.chip)?;
    let offset = lines::line(&settings.line, &chip)?;
    let by_kernel = settings.debounce_ms > 0;
    let (request, debounced) = match request(settings, chip.path(), offset, by_kernel) {
        // A chip or a kernel without debounce refuses the line with it and gives it without.
        Err(_) if by_kernel => (request(settings, chip.path(), offset, false), false),
        asked => (asked, by_kernel),
    };
    let request = request.map_err(|e| FindError::Refused {
        chip: shown(chip.path()),
        line: offset,
        why: e.to_string(),
    })?;
    Ok(Line { chip: chip.path().to_owned(), offset, debounced, request })
}

/// Both edges, stamped by the kernel on its monotonic clock: that of uptime, which no setting of the
/// time bends.
fn request(settings: &Gpio, chip: &Path, offset: u32, debounce: bool) -> Result<Request, gpiocdev::Error> {
    let mut builder = Request::builder();
    builder
        .on_chip(chip)
        .with_consumer("stillstand")
        .with_kernel_event_buffer_size(KERNEL_QUEUE)
        .with_line(offset)
        .as_input()
        .with_edge_detection(EdgeDetection::BothEdges)
        .with_event_clock(EventClock::Monotonic);
    if settings.active_low {
        builder.as_active_low();
    }
    builder.with_bias(match settings.bias {
        Bias::AsIs => None,
        Bias::PullUp => Some(line::Bias::PullUp),
        Bias::PullDown => Some(line::Bias::PullDown),
        Bias::Off => Some(line::Bias::Disabled),
    });
    if debounce {
        builder.with_debounce_period(Duration::from_millis(settings.debounce_ms.into()));
    }
    builder.request()
}

impl Line {
    /// Hands the line to the runtime. Must be called within one.
    ///
    /// Not by the library's own wrapper, which panics when the registration fails.
    #[expect(
        deprecated,
        reason = "its successor is unsafe, for types whose descriptor may change; a request owns one file for life"
    )]
    pub(super) fn watch(self) -> Result<Watched, gpiocdev::Error> {
        Ok(Watched(AsyncFd::new(self.request)?))
    }
}

/// A line whose edges can be waited for.
#[derive(Debug)]
pub(super) struct Watched(AsyncFd<Request>);

impl Watched {
    /// What the line shows now.
    pub(super) fn value(&self) -> Result<Value, gpiocdev::Error> {
        self.0.get_ref().lone_value()
    }

    /// How the line stood before the edges that are waiting, and those edges.
    pub(super) fn found(&self) -> Result<(Value, Vec<EdgeEvent>), gpiocdev::Error> {
        let now = self.value()?;
        let waiting = self.drain()?;
        // An edge that came between the begin of the watch and this look changed it already.
        let before = waiting.first().map_or(now, |edge| match edge.kind {
            EdgeKind::Rising => Value::Inactive,
            EdgeKind::Falling => Value::Active,
        });
        Ok((before, waiting))
    }

    /// The next edges, at least one; an error once the line cannot be watched any more.
    pub(super) async fn edges(&self) -> Result<Vec<EdgeEvent>, gpiocdev::Error> {
        let mut for_nothing = 0_u32;
        loop {
            let Ok(ready) = tokio::time::timeout(LOOK_EVERY, self.0.readable()).await else {
                self.value()?;
                continue;
            };
            let mut ready = ready?;
            let events = self.drain()?;
            if events.len() < AT_ONCE {
                ready.clear_ready();
            }
            if !events.is_empty() {
                return Ok(events);
            }
            // The chip may be gone, which this look shows. A kernel that keeps waking us all the same
            // must not keep us busy.
            self.value()?;
            for_nothing += 1;
            if for_nothing > 2 {
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
        }
    }

    /// What the kernel holds, up to [`AT_ONCE`] edges.
    ///
    /// Not by the library's `read_edge_event`: as of 0.8.0 it reads up to eight queued edges and
    /// hands out the first, so a bouncing contact would lose the others (seen with gpio-sim).
    fn drain(&self) -> Result<Vec<EdgeEvent>, gpiocdev::Error> {
        let request = self.0.get_ref();
        if !request.has_edge_event()? {
            return Ok(Vec::new());
        }
        let size = request.edge_event_u64_size();
        let mut buffer = vec![0; size * AT_ONCE];
        let words = request.read_edge_events_into_slice(&mut buffer)?;
        buffer
            .chunks_exact(size)
            .take(words / size)
            .map(|event| request.edge_event_from_slice(event))
            .collect()
    }
}
