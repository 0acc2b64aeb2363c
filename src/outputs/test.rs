//! Lines on a chip that exists only here.

use super::hold::{End, Holder, Order, Until};
use super::*;
use crate::domain::moment::Stamp;
use crate::domain::moment::test::at;
use crate::domain::signal::relay::{Begin, Why};
use crate::domain::specimen::{By, Marked};
use crate::settings::model::{Drive, OutputLine};
use std::sync::Mutex;

/// A chip whose lines remember their level; it can be pulled out and put back.
#[derive(Debug, Default, Clone)]
struct Board(Arc<Mutex<State>>);

#[derive(Debug, Default)]
struct State {
    out: bool,
    levels: BTreeMap<String, bool>,
    /// Every change, in order.
    changes: Vec<(String, bool)>,
    /// So many of the next writes of this kind fail.
    fails: Option<(bool, u32)>,
}

struct OnBoard(String, Board);

impl Board {
    fn pull(&self, out: bool) {
        let mut state = self.0.lock().unwrap();
        state.out = out;
        if out {
            state.levels.clear();
        }
    }

    fn is_on(&self, line: &str) -> bool {
        self.0.lock().unwrap().levels.get(line) == Some(&true)
    }

    fn fail(&self, kind: bool, times: u32) {
        self.0.lock().unwrap().fails = Some((kind, times));
    }

    fn changes(&self) -> Vec<(String, bool)> {
        self.0.lock().unwrap().changes.clone()
    }
}

impl Chips for Board {
    fn open(&self, line: &OutputLine) -> Result<Box<dyn Line>, String> {
        let mut state = self.0.lock().unwrap();
        if state.out {
            return Err(format!("no GPIO chip is called `{}`", line.chip));
        }
        state.levels.insert(line.line.clone(), false);
        Ok(Box::new(OnBoard(line.line.clone(), self.clone())))
    }
}

impl Line for OnBoard {
    fn set(&mut self, on: bool) -> Result<(), String> {
        let mut state = self.1.0.lock().unwrap();
        if state.out {
            return Err("the device is gone".to_owned());
        }
        if let Some((kind, left)) = &mut state.fails
            && *kind == on
            && *left > 0
        {
            *left -= 1;
            return Err("the bus is busy".to_owned());
        }
        if state.levels.insert(self.0.clone(), on) != Some(on) {
            state.changes.push((self.0.clone(), on));
        }
        Ok(())
    }
}

/// Waits for something that must come within ten seconds.
fn until(what: &str, is_so: impl Fn() -> bool) {
    let begun = Instant::now();
    while !is_so() {
        assert!(begun.elapsed() < Duration::from_secs(10), "{what} did not come");
        std::thread::yield_now();
    }
}

fn holder(board: &Board, end: End) -> (Holder, mpsc::UnboundedReceiver<OutputReport>) {
    let line = |name: &str| OutputLine {
        chip: "panel".to_owned(),
        line: name.to_uppercase(),
        active_low: false,
        drive: Drive::PushPull,
    };
    let lines = ["horn", "motor"].map(|name| (name.to_owned(), line(name))).into();
    let (said, reports) = mpsc::unbounded_channel();
    (Holder::spawn(lines, end, Arc::new(board.clone()), said), reports)
}

fn on(output: &str, for_ms: u64) -> Order {
    let until = Until::after(Duration::from_millis(for_ms), &at(0), Instant::now());
    Order { output: output.to_owned(), until: Some(until) }
}

#[test]
fn an_order_that_nobody_renews_ends_by_itself() {
    let board = Board::default();
    let (holder, mut reports) = holder(&board, End::Goes);
    until("both lines", || board.0.lock().unwrap().levels.len() == 2);
    assert!(matches!(reports.blocking_recv(), Some(OutputReport::Open { .. })));
    holder.order(on("motor", 300));
    until("the motor", || board.is_on("MOTOR"));
    assert!(!board.is_on("HORN"));
    until("its end", || !board.is_on("MOTOR"));
    assert_eq!(board.changes(), [("MOTOR".to_owned(), true), ("MOTOR".to_owned(), false)]);
    holder.order(on("motor", 3_600_000));
    until("a lamp that goes on", || board.is_on("MOTOR"));
}

#[test]
fn what_moves_a_machine_does_not_start_again_by_itself_once_its_order_ran_out() {
    let board = Board::default();
    let (holder, mut reports) = holder(&board, End::Stays);
    until("both lines", || board.0.lock().unwrap().levels.len() == 2);
    holder.order(on("motor", 200));
    until("the motor", || board.is_on("MOTOR"));
    until("its end", || !board.is_on("MOTOR"));
    let mut said = std::iter::from_fn(|| reports.blocking_recv());
    let ended = OutputReport::LetGo { name: "motor".to_owned(), at_ns: at(SECOND / 5).boot_ns };
    assert!(said.any(|report| report == ended));
    // The program goes on as if nothing had been; what comes after it shows that it was read.
    holder.order(on("motor", 3_600_000));
    holder.order(on("horn", 3_600_000));
    until("the horn", || board.is_on("HORN"));
    assert!(!board.is_on("MOTOR"));
    holder.order(Order { output: "motor".to_owned(), until: None });
    holder.order(on("motor", 3_600_000));
    until("the next start", || board.is_on("MOTOR"));
}

#[test]
fn a_clean_end_switches_everything_off() {
    let board = Board::default();
    let (holder, _reports) = holder(&board, End::Goes);
    until("both lines", || board.0.lock().unwrap().levels.len() == 2);
    holder.order(on("motor", 3_600_000));
    holder.order(on("horn", 3_600_000));
    until("both on", || board.is_on("MOTOR") && board.is_on("HORN"));
    holder.end();
    assert!(!board.is_on("MOTOR") && !board.is_on("HORN"));
}

#[test]
fn a_chip_that_goes_away_is_said_once_and_its_lines_come_back_off() {
    let board = Board::default();
    let (holder, mut reports) = holder(&board, End::Stays);
    let mut said = |count: usize| -> Vec<OutputReport> {
        (0..count).map(|_| reports.blocking_recv().unwrap()).collect()
    };
    said(2);
    holder.order(on("motor", 3_600_000));
    until("the motor", || board.is_on("MOTOR"));
    board.pull(true);
    // Each line says that it is gone, and then why it cannot be had again.
    let gone = said(4);
    assert!(gone.iter().all(|report| matches!(report, OutputReport::Gone { .. })), "{gone:?}");
    holder.order(on("motor", 3_600_000));
    board.pull(false);
    let back = said(2);
    assert!(back.iter().all(|report| matches!(report, OutputReport::Open { .. })), "{back:?}");
    assert!(!board.is_on("MOTOR"), "what was ordered before is forgotten");
    holder.order(Order { output: "motor".to_owned(), until: None });
    holder.order(on("motor", 3_600_000));
    until("a new order", || board.is_on("MOTOR"));
}

#[test]
fn a_last_off_that_fails_is_tried_again() {
    let board = Board::default();
    let (holder, _reports) = holder(&board, End::Stays);
    until("both lines", || board.0.lock().unwrap().levels.len() == 2);
    holder.order(on("motor", 3_600_000));
    until("the motor", || board.is_on("MOTOR"));
    board.fail(false, 2);
    holder.end();
    assert!(!board.is_on("MOTOR"));
}

#[test]
fn a_line_that_cannot_be_written_any_more_is_switched_off_before_it_is_given_up() {
    let board = Board::default();
    let (holder, mut reports) = holder(&board, End::Stays);
    until("both lines", || board.0.lock().unwrap().levels.len() == 2);
    holder.order(on("motor", 3_600_000));
    until("the motor", || board.is_on("MOTOR"));
    board.fail(true, 1);
    let mut said = std::iter::from_fn(|| reports.blocking_recv());
    assert!(said.any(|report| matches!(report, OutputReport::Gone { name, .. } if name == "motor")));
    assert_eq!(board.changes(), [("MOTOR".to_owned(), true), ("MOTOR".to_owned(), false)]);
    drop(holder);
}

/// A relay of a minute at most that closed at 0 s for a run of 45 s, on the clock of the orders.
fn machine() -> (Machine, Run, Instant) {
    let rules = Rules {
        switches: BTreeSet::from(["pedal".to_owned()]),
        by_page: false,
        start_ns: 3 * SECOND,
        longest_ns: 60 * SECOND,
        watches_strokes: false,
    };
    let mut machine = Machine { relay: Relay::new(rules), stroke: None, held: None, let_go_ns: None };
    machine.relay.line(true);
    let by = By { person: None, via: "trigger pedal".to_owned() };
    let marked = Marked { moment: Moment { stamp: Stamp::Kernel, ..at(0) }, by };
    let cylinders = BTreeMap::from([(uuid::Uuid::from_u128(1), Some(Begin { marked, given: false }))]);
    let run = Run { cylinders, lasts_ns: Some(45 * SECOND) };
    let begun = Instant::now();
    passed(&mut machine, None, at(-SECOND), begun);
    passed(&mut machine, Some(&run), at(0), begun);
    assert!(machine.relay.is_closed());
    (machine, run, begun)
}

/// What a pass says of the relay, and until when it is on after it.
fn passed(
    machine: &mut Machine,
    run: Option<&Run>,
    now: Moment,
    instant: Instant,
) -> (Vec<OutputReport>, Option<Until>) {
    let mut pass = Pass {
        relays: Vec::new(),
        lamps: Vec::new(),
        reports: Vec::new(),
        told: BTreeMap::new(),
        next_ns: None,
        renew: LAMP_RENEWED,
    };
    machine.pass("motor", run, &BTreeMap::new(), (&now, instant), &mut pass);
    let until = pass.relays.last().unwrap().until;
    (pass.reports, until)
}

fn opened(why: &Why, moment: Moment) -> Vec<OutputReport> {
    let (name, why, early) = ("motor".to_owned(), why.words().to_owned(), why.is_early());
    vec![OutputReport::RelayOpened { name, why, early, moment }]
}

#[test]
fn a_program_that_was_held_up_says_that_the_relay_opened_when_its_last_order_ended() {
    let (mut machine, run, begun) = machine();
    // Nothing for a minute: the line opened a second after the only order, whether the thread that
    // holds it has said so by now or not.
    let late = passed(&mut machine, Some(&run), at(60 * SECOND), begun + Duration::from_mins(1));
    assert_eq!(late, (opened(&Why::HeldUp, at(SECOND)), None));
    // Held up at the end of the interval, it is the ordinary end, and at its time.
    let (mut machine, run, begun) = self::machine();
    let after = |ms: u64| begun + Duration::from_millis(ms);
    let (_, until) = passed(&mut machine, Some(&run), at(44 * SECOND + SECOND / 2), after(900));
    assert_eq!(until.map(|until| until.boot_ns), Some(at(45 * SECOND).boot_ns));
    let late = passed(&mut machine, Some(&run), at(60 * SECOND), after(20_000));
    assert_eq!(late, (opened(&Why::Over, at(45 * SECOND)), None));
}

#[test]
fn a_line_that_let_go_before_a_new_order_came_is_open_from_then_on() {
    let (mut machine, run, begun) = machine();
    machine.let_go_ns = Some(at(SECOND).boot_ns);
    let told = passed(&mut machine, Some(&run), at(SECOND + 1), begun + Duration::from_millis(999));
    assert_eq!(told, (opened(&Why::HeldUp, at(SECOND)), None));
}

#[test]
fn a_run_that_is_changed_stops_the_machine_and_the_station_is_told_that_it_is_over() {
    let (mut machine, mut run, begun) = machine();
    run.cylinders.values_mut().flatten().for_each(|begin| begin.marked.moment = at(-SECOND));
    let now = at(SECOND / 2);
    let told = passed(&mut machine, Some(&run), now, begun + Duration::from_millis(500));
    assert_eq!(told, (opened(&Why::Changed, now), None));
    assert!(Why::Changed.is_early());
    // What ends by the bench's own word, it knows.
    let (mut machine, _, begun) = self::machine();
    assert_eq!(passed(&mut machine, None, now, begun + Duration::from_millis(500)), (Vec::new(), None));
}
