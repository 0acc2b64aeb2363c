//! What each act needs of whoever does it: the one table, for the register of people and for the
//! accounts of the pages.

use super::Do;
use crate::domain::review::{self, Role};
use crate::domain::{intake, quality};

/// `via` of an act whose person signed on at the pages with an account. Only the adapter of the pages
/// sets it, and only for that person; with it the register asks for no code.
pub const BY_ACCOUNT: &str = "page account";

/// What an act needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Needs {
    /// Nothing: it is a question.
    Nothing,
    /// Nothing of a person: it is signing on itself, at a bench where people work.
    Bench,
    /// A person who is signed on.
    Anybody,
    /// A person who is signed on and has a role.
    Role(Role),
}

impl Do {
    /// What this act needs, once a register of people is kept.
    pub fn needs(&self) -> Needs {
        use review::Act as On;
        match self {
            Self::Intake(intake::Act::Find { .. }) => Needs::Nothing,
            Self::Review(act) => match **act {
                On::SignOn { .. } | On::SignOff { .. } => Needs::Bench,
                On::Approve { .. } | On::Return { .. } | On::Void { .. } => Needs::Role(Role::Review),
                On::Answer { .. } => Needs::Role(Role::Operate),
                On::AddPerson { .. }
                | On::ChangePerson { .. }
                | On::PersonLeaves { .. }
                | On::PersonReturns { .. }
                | On::Qualify { .. }
                | On::Disqualify { .. } => Needs::Role(Role::Administer),
            },
            Self::Quality(act) => match **act {
                quality::Act::Admit { .. } | quality::Act::WithdrawAdmission { .. } => {
                    Needs::Role(Role::Review)
                }
                _ => Needs::Role(Role::Operate),
            },
            Self::AcknowledgeAlarm { .. }
            | Self::ShelveAlarm { .. }
            | Self::UnshelveAlarm { .. }
            | Self::AlarmOutOfService { .. }
            | Self::AlarmInService { .. } => Needs::Anybody,
            _ => Needs::Role(Role::Operate),
        }
    }
}
