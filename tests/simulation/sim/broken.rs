//! What a run says when a promise is broken, or when the code under test panics: the seed, the step,
//! the last inputs, and the command that repeats it.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::fmt;
use std::sync::Once;
use stillstand::domain::bench::{Input, What};

/// Inputs that are told.
const TOLD: usize = 12;

/// Where a run stands.
#[derive(Debug, Clone, Default)]
struct Standing {
    seed: u64,
    steps: u64,
    command: String,
    last: VecDeque<Input>,
}

thread_local! {
    static STANDING: RefCell<Standing> = RefCell::default();
}

/// A run begins; `command` repeats it.
pub fn begin(seed: u64, command: String) {
    STANDING.with_borrow_mut(|now| *now = Standing { seed, command, ..Standing::default() });
}

/// An input is about to be decided.
pub fn step(input: &Input) {
    STANDING.with_borrow_mut(|now| {
        now.steps += 1;
        if now.last.len() == TOLD {
            now.last.pop_front();
        }
        if !matches!(input.what, What::Started(_)) {
            now.last.push_back(input.clone());
        }
    });
}

/// The report of where the run stands.
pub fn report(what: &str) -> String {
    STANDING.with_borrow(|now| {
        let last: Vec<String> = now.last.iter().map(told).collect();
        format!(
            "{what}\n  seed {}, step {}\n  last inputs, the newest last:\n    {}\n  repeat it: {} --steps {}",
            now.seed,
            now.steps,
            last.join("\n    "),
            now.command,
            now.steps
        )
    })
}

fn told(input: &Input) -> String {
    let what = match &input.what {
        What::Act(act) => format!("{:?} by {:?}, stated {:?}", act.what, act.who, act.stated_wall_ns),
        What::Recalled(closed) => format!("recalled {}", closed.sample.label),
        other => format!("{other:?}"),
    };
    let moment = &input.moment;
    format!("boot {} + {} ns, wall {} ns: {what}", moment.boot, moment.boot_ns, moment.wall_ns)
}

/// A panic of the code under test is told like any broken promise.
pub fn tell_panics() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if STANDING.with_borrow(|now| now.steps > 0) {
                eprintln!("{}", report("it panicked"));
            }
            before(info);
        }));
    });
}

/// A broken promise.
#[derive(Clone)]
pub struct Broken(pub String);

impl Broken {
    pub fn new(what: impl fmt::Display) -> Self {
        Self(report(&what.to_string()))
    }
}

impl fmt::Debug for Broken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<String> for Broken {
    fn from(what: String) -> Self {
        Self::new(what)
    }
}
