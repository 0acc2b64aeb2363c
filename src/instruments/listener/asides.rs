//! What an instrument is asked beside its values: who it is and what its error queue holds, at the
//! opening; the queue again after an answer that could not be read.

use super::super::protocol::{Answer, Scpi};

/// Errors that are taken from a queue in one go; a queue that never empties must not take the place
/// of the values.
const ERRORS_MOST: usize = 10;
/// Times that the identity is asked for at one opening: the first answer may be torn.
const IDENTITY_TRIES: u8 = 2;

/// The questions that are due, and what came of them.
#[derive(Debug, Default)]
pub(super) struct Asides {
    scpi: Option<Scpi>,
    identity_tries: u8,
    /// Questions to the queue that are left.
    errors_left: usize,
    after_nonsense: bool,
    errors: Vec<String>,
    /// A question was sent and has no answer yet.
    asked: Option<Asked>,
}

#[derive(Debug, Clone, Copy)]
enum Asked {
    Identity,
    Errors,
}

/// Whose answer did not come.
#[derive(Debug)]
pub(super) enum Silence {
    /// None of these questions was open.
    OfValues,
    /// One of these; with what the queue held so far, where it was the queue.
    Beside(Option<(Vec<String>, bool)>),
}

impl Asides {
    pub(super) fn new(scpi: Option<Scpi>) -> Self {
        let mut asides = Self { scpi, ..Self::default() };
        asides.opened();
        asides
    }

    /// The port was opened, or whoever was silent speaks again: everything is asked anew.
    pub(super) fn opened(&mut self) {
        let has = |of: fn(&Scpi) -> &Option<Vec<u8>>| self.scpi.as_ref().is_some_and(|s| of(s).is_some());
        let (identity, errors) = (has(|scpi| &scpi.identity), has(|scpi| &scpi.errors));
        self.identity_tries = if identity { IDENTITY_TRIES } else { 0 };
        self.errors_left = if errors { ERRORS_MOST } else { 0 };
        self.after_nonsense = false;
        self.errors.clear();
        self.asked = None;
    }

    /// An answer could not be read: the queue may say why.
    pub(super) fn ask_errors(&mut self) {
        let has = self.scpi.as_ref().is_some_and(|scpi| scpi.errors.is_some());
        if has && self.errors_left == 0 {
            self.errors_left = ERRORS_MOST;
            self.after_nonsense = true;
        }
    }

    /// The next question.
    pub(super) fn next(&mut self) -> Option<Vec<u8>> {
        let scpi = self.scpi.as_ref()?;
        self.asked = None;
        if self.identity_tries > 0 {
            self.identity_tries -= 1;
            self.asked = Some(Asked::Identity);
            return scpi.identity.clone();
        }
        self.errors_left = self.errors_left.checked_sub(1)?;
        self.asked = Some(Asked::Errors);
        scpi.errors.clone()
    }

    /// Reads what is no value. Known by its form, so a late answer is one too.
    pub(super) fn answer(&mut self, line: &[u8]) -> Option<Answer> {
        self.scpi.as_ref()?;
        let answer = Answer::read(line)?;
        if matches!(answer, Answer::Identity(_)) {
            self.identity_tries = 0;
        }
        self.asked = None;
        Some(answer)
    }

    /// An answer of the queue. Gives what it held once it is empty, and whether it was read because of
    /// an answer that could not be.
    pub(super) fn queue(&mut self, answer: Answer) -> Option<(Vec<String>, bool)> {
        if let Answer::Error(error) = answer {
            self.errors.push(error);
            if self.errors.len() < ERRORS_MOST {
                return None;
            }
        }
        self.errors_left = 0;
        let after_nonsense = std::mem::take(&mut self.after_nonsense);
        let errors = std::mem::take(&mut self.errors);
        (!errors.is_empty()).then_some((errors, after_nonsense))
    }

    /// No answer came.
    pub(super) fn unanswered(&mut self) -> Silence {
        match self.asked.take() {
            None => Silence::OfValues,
            Some(Asked::Identity) => Silence::Beside(None),
            Some(Asked::Errors) => Silence::Beside(self.queue(Answer::NoError)),
        }
    }
}
