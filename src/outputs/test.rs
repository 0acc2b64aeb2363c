//! Lines on a chip that exists only here.

use super::hold::{End, Holder, Order};
use super::*;
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
    Order { output: output.to_owned(), until: Some(Instant::now() + Duration::from_millis(for_ms)) }
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
    assert!(said.any(|report| matches!(report, OutputReport::LetGo { name, .. } if name == "motor")));
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
