//! `account`: the accounts of the pages, changed by whoever may write their file.

use super::cli::SettingsArgs;
use super::commands::{settings_file, tell};
use super::exit::Exit;
use super::station::fold;
use crate::domain::bench::Bench;
use crate::domain::review;
use crate::door::accounts::{self, Accounts};
use crate::door::password::{Hash, Password};
use crate::door::{Account, AccountFault, Role};
use crate::journal::Reader;
use crate::settings;
use crate::settings::model::Settings;
use clap::{Args, Subcommand};
use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};
use std::io::{self, BufRead as _, IsTerminal as _, Read as _, Write as _};
use std::path::{Path, PathBuf};

pub(super) const HELP: &str = "\
Keep the accounts with which people and bench screens sign on at the pages.

The file is the one that the settings name (`accounts-file` of `[web.sign-on]`). A station that runs \
takes a change at once: whoever is signed on with the account is signed off.

A password is asked for without being shown, or is the first line of standard input. It is never an \
argument, where others could see it.";

/// Arguments of `account`.
#[derive(Debug, Args)]
pub struct AccountArgs {
    /// What to do.
    #[command(subcommand)]
    pub what: AccountWhat,
}

/// What can be done with an account.
#[derive(Debug, Subcommand)]
pub enum AccountWhat {
    /// Add an account, of a person or of a bench screen.
    Add {
        /// What is typed to sign on.
        #[arg(value_name = "ACCOUNT")]
        account: String,
        /// Whose it is: the name in the register of people.
        #[arg(long, value_name = "NAME", required_unless_present = "screen")]
        person: Option<String>,
        /// It is a bench screen's: it stays signed on, and people name themselves by code or badge.
        #[arg(long, conflicts_with = "person")]
        screen: bool,
        /// What it may do: `look`, `operate`, `review` or `administer`; each may what those before it may.
        #[arg(long, value_name = "ROLE", value_parser = role)]
        role: Role,
        /// Where the file is found.
        #[command(flatten)]
        settings: SettingsArgs,
    },
    /// Give an account another role or a new password.
    Change {
        /// The account.
        #[arg(value_name = "ACCOUNT")]
        account: String,
        /// What it may do from now on.
        #[arg(long, value_name = "ROLE", value_parser = role, required_unless_present = "new_password")]
        role: Option<Role>,
        /// Ask for a new password.
        #[arg(long)]
        new_password: bool,
        /// Where the file is found.
        #[command(flatten)]
        settings: SettingsArgs,
    },
    /// Take an account away.
    Withdraw {
        /// The account.
        #[arg(value_name = "ACCOUNT")]
        account: String,
        /// Where the file is found.
        #[command(flatten)]
        settings: SettingsArgs,
    },
    /// Show the accounts, without anything secret.
    List {
        /// Where the file is found.
        #[command(flatten)]
        settings: SettingsArgs,
    },
}

type Fault = (Exit, Vec<String>);

fn fault<T>(exit: Exit, why: impl Into<String>) -> Result<T, Fault> {
    Err((exit, vec![why.into()]))
}

fn role(text: &str) -> Result<Role, String> {
    let found = Role::ALL.into_iter().find(|role| role.word() == text);
    found.ok_or_else(|| format!("there is {}", Role::ALL.map(Role::word).join(", ")))
}

/// Does what the command says.
pub(super) fn main(args: &AccountArgs) -> Exit {
    match done(&args.what) {
        Ok(said) => {
            println!("{said}");
            Exit::Ok
        }
        Err((exit, faults)) => {
            tell(&faults);
            exit
        }
    }
}

fn done(what: &AccountWhat) -> Result<String, Fault> {
    match what {
        AccountWhat::Add { account, person, role, settings, screen: _ } => {
            add(&places(settings)?, account, person.as_deref(), *role)
        }
        AccountWhat::Change { account, role, new_password, settings } => {
            change(&places(settings)?.file, account, *role, *new_password)
        }
        AccountWhat::Withdraw { account, settings } => withdraw(&places(settings)?.file, account),
        AccountWhat::List { settings } => list(&places(settings)?.file),
    }
}

/// Where the accounts are, and the journal with the register of people.
struct Places {
    file: PathBuf,
    journal: PathBuf,
}

fn places(args: &SettingsArgs) -> Result<Places, Fault> {
    let file = settings_file(&args.settings);
    let settings: Settings = settings::load(Some(&file), settings::process_environment())
        .map_err(|e| (Exit::Config, e.to_string().lines().map(str::to_owned).collect()))?;
    let Some(sign_on) = settings.web.sign_on else {
        let why = format!(
            "{}: `accounts-file` of `[web.sign-on]` is not set: it says where the accounts are",
            file.display()
        );
        return fault(Exit::Config, why);
    };
    Ok(Places { file: sign_on.accounts_file, journal: settings.journal.path })
}

/// The accounts that are there; none where there is no file yet.
fn present(file: &Path) -> Result<Accounts, Fault> {
    if !file.exists() {
        return Ok(Accounts::default());
    }
    Accounts::read(file).map_err(of_file)
}

fn of_role(why: &str) -> Result<(), Fault> {
    fault(Exit::Usage, format!("--role: {why}"))
}

fn of_file(fault: AccountFault) -> Fault {
    (Exit::Io, vec![fault.to_string()])
}

fn unknown<T>(accounts: &Accounts, name: &str) -> Result<T, Fault> {
    let known: Vec<_> = accounts.all.iter().map(|account| account.name.as_str()).collect();
    let known = if known.is_empty() { "there is none".to_owned() } else { known.join(", ") };
    fault(Exit::Data, format!("there is no account `{}`; known: {known}", name.escape_debug()))
}

fn add(places: &Places, name: &str, person: Option<&str>, role: Role) -> Result<String, Fault> {
    accounts::is_name(name).or_else(|why| fault(Exit::Usage, why))?;
    accounts::may_have(person, role).or_else(of_role)?;
    let (person, note) = match person {
        None => (None, None),
        Some(person) => {
            accounts::is_person(person).or_else(|why| fault(Exit::Usage, format!("--person: {why}")))?;
            let (person, note) = registered(&places.journal, person.trim(), role)?;
            (Some(person), note)
        }
    };
    if present(&places.file)?.find(name).is_some() {
        return fault(Exit::Data, format!("there is an account `{name}` already: change or withdraw it"));
    }
    let password = asked(name, person.as_deref())?;
    let _lock = accounts::lock(&places.file).map_err(of_file)?;
    let mut accounts = present(&places.file)?;
    if accounts.find(name).is_some() {
        return fault(Exit::Data, format!("there is an account `{name}` already: change or withdraw it"));
    }
    let account = Account { name: name.to_owned(), person, role, password };
    let said = format!("{}: added, {}", account.name, of_whom(&account));
    accounts.all.push(account);
    accounts.write(&places.file).map_err(of_file)?;
    Ok(note.into_iter().fold(said, |said, note| format!("{said}\n{note}")))
}

fn change(file: &Path, name: &str, role: Option<Role>, new_password: bool) -> Result<String, Fault> {
    let before = present(file)?;
    let Some(known) = before.find(name) else { return unknown(&before, name) };
    accounts::may_have(known.person.as_deref(), role.unwrap_or(known.role)).or_else(of_role)?;
    let password = new_password.then(|| asked(&known.name, known.person.as_deref())).transpose()?;
    let _lock = accounts::lock(file).map_err(of_file)?;
    let mut accounts = present(file)?;
    let Some(account) = accounts.all.iter_mut().find(|account| account.name == known.name) else {
        return unknown(&before, name);
    };
    account.role = role.unwrap_or(account.role);
    account.password = password.unwrap_or_else(|| account.password.clone());
    let said =
        format!("{}: changed, {}; whoever was signed on with it is not", account.name, of_whom(account));
    accounts.write(file).map_err(of_file)?;
    Ok(said)
}

fn withdraw(file: &Path, name: &str) -> Result<String, Fault> {
    let _lock = accounts::lock(file).map_err(of_file)?;
    let mut accounts = present(file)?;
    let Some(known) = accounts.find(name).map(|account| account.name.clone()) else {
        return unknown(&accounts, name);
    };
    accounts.all.retain(|account| account.name != known);
    accounts.write(file).map_err(of_file)?;
    Ok(format!("{known}: withdrawn; whoever was signed on with it is not"))
}

fn list(file: &Path) -> Result<String, Fault> {
    let accounts = present(file)?;
    let lines = accounts.all.iter().map(|account| format!("{}: {}", account.name, of_whom(account)));
    let lines: Vec<_> = lines.collect();
    Ok(if lines.is_empty() { "there is no account".to_owned() } else { lines.join("\n") })
}

fn of_whom(account: &Account) -> String {
    let whose = account.person.as_deref().unwrap_or("a bench screen");
    format!("of {whose}, may {}", account.role.word())
}

/// The name as the register has it, and what whoever adds the account should know.
fn registered(journal: &Path, person: &str, role: Role) -> Result<(String, Option<String>), Fault> {
    if !journal.exists() {
        let note =
            format!("there is no journal yet, so nobody is registered: `{person}` counts as it is written");
        return Ok((person.to_owned(), Some(note)));
    }
    let bench = bench(journal)?;
    let people = &bench.people;
    if !people.is_kept() {
        let note = format!("nobody is registered yet: `{person}` counts as it is written");
        return Ok((person.to_owned(), Some(note)));
    }
    match people.meant(person) {
        Some(known) if known.left.is_some() => {
            fault(Exit::Data, format!("{} works here no more, by the register of people", known.name))
        }
        Some(known) => {
            let lacks = match role {
                Role::Look => None,
                Role::Operate => Some(review::Role::Operate),
                Role::Review => Some(review::Role::Review),
                Role::Administer => Some(review::Role::Administer),
            };
            let lacks = lacks.filter(|role| !known.roles.contains(role));
            let note = lacks.map(|lacks| {
                let word = lacks.word();
                format!("the register does not let {} `{word}`: what it refuses stays refused", known.name)
            });
            Ok((known.name.clone(), note))
        }
        None => {
            let here = people.persons.values().filter(|person| person.left.is_none());
            let here: Vec<_> = here.map(|person| person.name.as_str()).collect();
            fault(
                Exit::Data,
                format!("`{person}` is not in the register of people; there is {}", here.join(", ")),
            )
        }
    }
}

fn bench(journal: &Path) -> Result<Bench, Fault> {
    let read = || Reader::open(journal)?.restored(None);
    let restored = read().map_err(|e| (Exit::Data, vec![e.to_string()]))?;
    fold(&restored).map_err(|e| (Exit::Data, vec![e.to_string()]))
}

/// A new password, asked for twice at a terminal.
fn asked(name: &str, person: Option<&str>) -> Result<Hash, Fault> {
    let unreadable = |e: io::Error| (Exit::Io, vec![format!("the password cannot be read: {e}")]);
    let text = if io::stdin().is_terminal() {
        let first = hidden("Password: ").map_err(unreadable)?;
        if hidden("The same again: ").map_err(unreadable)? != first {
            return fault(Exit::Data, "the two are not the same: nothing was changed");
        }
        first
    } else {
        line(&mut io::stdin().lock()).map_err(unreadable)?
    };
    let password = Password::new(text);
    password.check(name, person).or_else(|why| fault(Exit::Data, why))?;
    Hash::of(&password).or_else(|e| fault(Exit::Unavailable, e.to_string()))
}

/// A line of the terminal that is not shown while it is typed. Nor does Ctrl-C end the program in
/// between, which would leave the terminal silent: it becomes a character, which no password holds.
fn hidden(prompt: &str) -> io::Result<String> {
    let stdin = io::stdin();
    eprint!("{prompt}");
    io::stderr().flush()?;
    let before = tcgetattr(&stdin)?;
    let mut silent = before.clone();
    silent.local_modes -= LocalModes::ECHO | LocalModes::ISIG;
    tcsetattr(&stdin, OptionalActions::Flush, &silent)?;
    let read = line(&mut stdin.lock());
    tcsetattr(&stdin, OptionalActions::Flush, &before)?;
    eprintln!();
    read
}

/// One line without its end, of a length that no password has at most.
fn line(input: &mut impl io::BufRead) -> io::Result<String> {
    let mut text = String::new();
    input.take(4096).read_line(&mut text)?;
    Ok(text.trim_end_matches(['\n', '\r']).to_owned())
}
