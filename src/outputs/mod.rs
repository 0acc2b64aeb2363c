//! Horn, lamps and the shaker's relay: lines of a GPIO chip that follow what the bench shows.
//!
//! What each shows is decided in [`crate::domain::signal`]; here it is written to lines and nothing
//! else is done with it. Lines are held by threads of their own (`hold.rs`), each order with an end: a
//! program that hangs falls dark, and a relay opens.

mod hold;
mod kernel;
#[cfg(test)]
mod test;

pub use hold::{Chips, Guarded, Line};
pub use kernel::KernelChips;

use crate::clock::Clock;
use crate::domain::bench::Bench;
use crate::domain::moment::{Moment, SECOND};
use crate::domain::signal::relay::{Relay, Rules, Run};
use crate::domain::signal::{Rhythm, Scene, Told, show};
use crate::settings::model::{Output, StartedBy};
use hold::{End, Holder, Order, Until};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

/// A lamp stays on for so long without a new order.
const LAMP_HELD: Duration = Duration::from_secs(3);
/// A relay stays closed for so long without a new order.
const RELAY_HELD: Duration = Duration::from_secs(1);
/// How often orders are given anew while something is on: well within both.
const RENEWED: Duration = Duration::from_millis(200);
const LAMP_RENEWED: Duration = Duration::from_secs(1);

/// What the outputs have to say to the station.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OutputReport {
    /// A line can be used (again).
    Open {
        /// Name in the settings.
        name: String,
    },
    /// A line cannot be used. Said once for each reason; it is tried again by itself.
    Gone {
        /// Name in the settings.
        name: String,
        /// What is wrong and what helps.
        why: String,
    },
    /// An order ran out before another came, and the line is off.
    LetGo {
        /// Name in the settings.
        name: String,
        /// When it ran out, nanoseconds on the boot clock.
        at_ns: i64,
    },
    /// A relay opened by itself while its run was marked.
    RelayOpened {
        /// Name in the settings.
        name: String,
        /// In words.
        why: String,
        /// Before the end of its interval.
        early: bool,
        /// When.
        moment: Moment,
    },
}

/// What the outputs hear of.
#[derive(Debug)]
pub struct Heard {
    /// The committed bench.
    pub bench: watch::Receiver<Arc<Bench>>,
    /// The last stroke of each switch that counts.
    pub strokes: watch::Receiver<BTreeMap<String, Moment>>,
    /// Switches with lines of their own, whose press is a person's start.
    pub switches: BTreeSet<String>,
}

/// Follows the bench until it is cancelled; then all lines are off. What they do is told in `told`.
pub async fn run(
    settings: BTreeMap<String, Output>,
    chips: Arc<dyn Chips>,
    heard: Heard,
    clock: Arc<dyn Clock>,
    reports: mpsc::Sender<OutputReport>,
    told: watch::Sender<BTreeMap<String, Told>>,
    cancel: CancellationToken,
) {
    let (relays, lamps): (BTreeMap<_, _>, BTreeMap<_, _>) =
        settings.into_iter().partition(|(_, output)| output.shows.moves());
    let (said, mut lines) = mpsc::unbounded_channel();
    let hold = |outputs: &BTreeMap<String, Output>, end| {
        let lines = outputs.iter().map(|(name, output)| (name.clone(), output.gpio.clone())).collect();
        Holder::spawn(lines, end, chips.clone(), said.clone())
    };
    let (of_relays, of_lamps) = (hold(&relays, End::Stays), hold(&lamps, End::Goes));
    let machine = |(name, output): (&String, &Output)| {
        Some((name.clone(), Machine::new(rules(output, &heard.switches)?, output)))
    };
    let machines = relays.iter().filter_map(machine).collect();
    let mut panel = Panel { machines, relays, lamps, faults: BTreeMap::new() };
    let mut heard = heard;
    while !cancel.is_cancelled() {
        let bench = heard.bench.borrow_and_update().clone();
        let strokes = heard.strokes.borrow_and_update().clone();
        // In this order an order ends too early rather than too late.
        let instant = Instant::now();
        let now = clock.now();
        let done = panel.pass(&bench, &strokes, &now, instant);
        done.relays.into_iter().for_each(|order| of_relays.order(order));
        done.lamps.into_iter().for_each(|order| of_lamps.order(order));
        told.send_if_modified(|last| {
            let changed = *last != done.told;
            *last = done.told;
            changed
        });
        for report in done.reports {
            if reports.send(report).await.is_err() {
                break;
            }
        }
        let next = async {
            match done.next_ns {
                Some(ns) => clock.reached(ns).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            () = cancel.cancelled() => {}
            changed = heard.bench.changed() => if changed.is_err() { break },
            () = stroke(&mut heard.strokes), if panel.is_closed() => {}
            Some(report) = lines.recv() => {
                let news = panel.hear(&report);
                if news && reports.send(report).await.is_err() {
                    break;
                }
            }
            () = next => {}
            () = tokio::time::sleep(done.renew) => {}
        }
    }
    // Each thread writes its lines off as it ends; that may take as long as a slow bus does.
    let ended = tokio::task::spawn_blocking(move || {
        of_relays.end();
        of_lamps.end();
    });
    let _ = ended.await;
}

/// The next stroke; for ever where nothing counts strokes any more.
async fn stroke(strokes: &mut watch::Receiver<BTreeMap<String, Moment>>) {
    if strokes.changed().await.is_err() {
        std::future::pending::<()>().await;
    }
}

/// What a relay may do by its settings; `check` has seen to it that there are some.
fn rules(output: &Output, switches: &BTreeSet<String>) -> Option<Rules> {
    let relay = output.relay.as_ref()?;
    Some(Rules {
        switches: switches.clone(),
        by_page: relay.started_by == StartedBy::PressOrPage,
        start_ns: i64::from(relay.start_within_s) * SECOND,
        longest_ns: i64::from(relay.longest_s) * SECOND,
        watches_strokes: relay.stroke.is_some(),
    })
}

/// A relay, and what its line was told.
struct Machine {
    relay: Relay,
    /// The switch that counts its strokes.
    stroke: Option<String>,
    /// The end of its last order.
    held: Option<Until>,
    /// The end of an order that ran out, nanoseconds on the boot clock.
    let_go_ns: Option<i64>,
}

/// All outputs at one instant.
struct Panel {
    machines: BTreeMap<String, Machine>,
    relays: BTreeMap<String, Output>,
    lamps: BTreeMap<String, Output>,
    faults: BTreeMap<String, String>,
}

/// What one pass leads to.
struct Pass {
    relays: Vec<Order>,
    lamps: Vec<Order>,
    reports: Vec<OutputReport>,
    told: BTreeMap<String, Told>,
    next_ns: Option<i64>,
    renew: Duration,
}

impl Panel {
    fn is_closed(&self) -> bool {
        self.machines.values().any(|machine| machine.relay.is_closed())
    }

    /// Takes in what a line says; whether it is news for the station.
    fn hear(&mut self, report: &OutputReport) -> bool {
        let (name, fault) = match report {
            OutputReport::Open { name } => (name, None),
            OutputReport::Gone { name, why } => (name, Some(why.clone())),
            OutputReport::LetGo { name, at_ns } => {
                if let Some(machine) = self.machines.get_mut(name) {
                    machine.let_go_ns = Some(*at_ns);
                }
                return false;
            }
            OutputReport::RelayOpened { .. } => return false,
        };
        if let Some(machine) = self.machines.get_mut(name) {
            machine.relay.line(fault.is_none());
        }
        match fault {
            Some(why) => drop(self.faults.insert(name.clone(), why)),
            None => drop(self.faults.remove(name)),
        }
        true
    }

    /// `instant` is `now` on the clock of the orders.
    fn pass(
        &mut self,
        bench: &Bench,
        strokes: &BTreeMap<String, Moment>,
        now: &Moment,
        instant: Instant,
    ) -> Pass {
        let scene = Scene::of(bench, now);
        let mut pass = Pass {
            relays: Vec::new(),
            lamps: Vec::new(),
            reports: Vec::new(),
            told: BTreeMap::new(),
            next_ns: scene.next_ns(),
            renew: LAMP_RENEWED,
        };
        if !self.machines.is_empty() {
            let run = Run::of(bench);
            for (name, machine) in &mut self.machines {
                machine.pass(name, run.as_ref(), strokes, (now, instant), &mut pass);
            }
        }
        for (name, machine) in &self.machines {
            if let Some(output) = self.relays.get(name) {
                let rhythm = if machine.relay.is_closed() { Rhythm::Steady } else { Rhythm::Off };
                let why = machine.relay.why().map(|why| why.words().to_owned());
                pass.told.insert(name.clone(), self.tell(name, output, rhythm, why));
            }
        }
        for (name, output) in &self.lamps {
            let show = show(output.shows, output.place, &scene);
            let until = show.is_on(now).then(|| Until::after(LAMP_HELD, now, instant));
            pass.lamps.push(Order { output: name.clone(), until });
            pass.next_ns = [pass.next_ns, show.changes_at(now)].into_iter().flatten().min();
            pass.told.insert(name.clone(), self.tell(name, output, show.rhythm, None));
        }
        pass
    }

    fn tell(&self, name: &str, output: &Output, rhythm: Rhythm, why: Option<String>) -> Told {
        let fault = self.faults.get(name).cloned();
        Told { shows: output.shows, place: output.place, rhythm, why, fault }
    }
}

impl Machine {
    fn new(rules: Rules, output: &Output) -> Self {
        let stroke = output.relay.as_ref().and_then(|relay| relay.stroke.clone());
        Self { relay: Relay::new(rules), stroke, held: None, let_go_ns: None }
    }

    fn pass(
        &mut self,
        name: &str,
        run: Option<&Run>,
        strokes: &BTreeMap<String, Moment>,
        (now, instant): (&Moment, Instant),
        pass: &mut Pass,
    ) {
        let was = self.relay.is_closed();
        // Whoever comes too late finds the line open, whatever the thread has said of it by now.
        let late = self.held.filter(|held| instant >= held.at).map(|held| held.boot_ns);
        if let Some(at_ns) = [self.let_go_ns.take(), late].into_iter().flatten().min() {
            self.relay.let_go(at_ns);
        }
        if let Some(at) = self.stroke.as_ref().and_then(|stroke| strokes.get(stroke)) {
            self.relay.stroke(at);
        }
        self.relay.passed(now);
        if was && !self.relay.is_closed() {
            // Only after an order for off does a line take the next start.
            pass.relays.push(Order { output: name.to_owned(), until: None });
        }
        self.relay.seen(run.cloned(), now);
        if let Some(why) = self.relay.why().filter(|why| was && why.ends_the_run()) {
            let at_ns = self.relay.opened_at().unwrap_or(now.boot_ns);
            pass.reports.push(OutputReport::RelayOpened {
                name: name.to_owned(),
                why: why.words().to_owned(),
                early: why.is_early(),
                moment: now.plus(at_ns.saturating_sub(now.boot_ns)),
            });
        }
        let opens_at = self.relay.opens_at();
        self.held = opens_at.map(|at_ns| {
            let left = u64::try_from(at_ns.saturating_sub(now.boot_ns)).unwrap_or(0);
            Until::after(Duration::from_nanos(left).min(RELAY_HELD), now, instant)
        });
        if self.held.is_some() {
            pass.renew = RENEWED;
        }
        pass.next_ns = [pass.next_ns, opens_at].into_iter().flatten().min();
        pass.relays.push(Order { output: name.to_owned(), until: self.held });
    }
}
