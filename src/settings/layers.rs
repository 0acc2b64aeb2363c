//! The strict look at file and environment together, with the place of every value.
//!
//! The layering itself is the `config` crate's; it does not know lines and stops at the first
//! fault. So the same three layers are laid over one another here as parsed TOML with positions
//! and read into the strict model. At each fault the culprit is taken out and the rest is read
//! again, until nothing is left to say.

use super::environment::Variable;
use super::fault::SettingsFault;
use super::model::Settings;
use super::words::{Complaint, complaint};
use crate::domain::method::load::{self as document, walk::key_text};
use serde::Deserialize;
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue, Deserializer};

/// The place of everything that the shipped defaults say.
const SHIPPED: usize = usize::MAX;

/// A settings file.
#[derive(Clone, Copy)]
pub(super) struct File<'t> {
    pub(super) name: &'t str,
    pub(super) text: &'t str,
}

/// Every fault of file and environment. The defaults are taken to be right; a test sees to it.
pub(super) fn faults(defaults: &str, file: File<'_>, variables: &[Variable]) -> Vec<SettingsFault> {
    let shipped = match DeTable::parse(defaults) {
        Ok(table) => stamped(table.get_ref(), SHIPPED),
        Err(error) => return vec![syntax(File { name: "shipped defaults", text: defaults }, &error)],
    };
    let own = match DeTable::parse(file.text) {
        Ok(table) => table.into_inner(),
        Err(error) => return vec![syntax(file, &error)],
    };
    let mut tree = shipped.clone();
    lay(&mut tree, &own);
    for (i, variable) in variables.iter().enumerate() {
        let at = file.text.len() + 1 + i;
        put(
            &mut tree,
            &variable.path,
            Spanned::new(at..at, DeValue::String(Cow::Borrowed(variable.value.as_str()))),
        );
    }
    Look { file, variables, shipped, taken: BTreeSet::new(), faults: Vec::new() }.at(tree)
}

/// Whether a file says something of a key.
pub(super) fn says(text: &str, path: &[&str]) -> bool {
    let Ok(table) = DeTable::parse(text) else { return false };
    let path: Vec<_> = path.iter().map(|key| (*key).to_owned()).collect();
    get(table.get_ref(), &path).is_some()
}

struct Look<'t> {
    file: File<'t>,
    variables: &'t [Variable],
    shipped: DeTable<'t>,
    /// Keys that were taken out: that they are missing afterwards is no news.
    taken: BTreeSet<Vec<String>>,
    faults: Vec<(usize, SettingsFault)>,
}

impl<'t> Look<'t> {
    fn at(mut self, mut tree: DeTable<'t>) -> Vec<SettingsFault> {
        // Each round takes out one value or gives one its type, so the rounds are bounded.
        for _ in 0..=2 * size(&tree) {
            let whole = Spanned::new(0..0, tree.clone());
            let Err(error) = Settings::deserialize(Deserializer::from(whole)) else { break };
            let Some(path) = error.span().and_then(|span| find(&tree, &span)) else {
                self.note(0, &[], error.message().to_owned());
                break;
            };
            self.repair(&mut tree, path, error.message());
        }
        self.faults.sort_by_key(|(at, _)| *at);
        self.faults.into_iter().map(|(_, fault)| fault).collect()
    }

    /// Notes the fault of a message and takes its culprit out of the tree.
    fn repair(&mut self, tree: &mut DeTable<'t>, path: Vec<String>, message: &str) {
        let at = get(tree, &path).map_or(SHIPPED, |value| value.span().start);
        match complaint(message) {
            Complaint::Text(_) if self.retyped(tree, &path, at) => return,
            Complaint::Text(what) => self.note(at, &path, what),
            Complaint::Unknown(what) => {
                let is_array = get(tree, &path).is_some_and(|value| value.get_ref().is_array());
                let what = if is_array { format!("within it: {message}") } else { what };
                self.note(key_place(tree, &path).unwrap_or(at), &path, what);
            }
            Complaint::Missing(field) => {
                let mut key = path.clone();
                key.push(field);
                if !self.taken.contains(&key) {
                    self.note(at, &key, "is missing here and has no default".to_owned());
                }
            }
        }
        remove(tree, &path);
        if let Some(default) = get(&self.shipped, &path) {
            put(tree, &path, default.clone());
        }
        self.taken.insert(path);
    }

    /// The environment knows only text: a text that the model refuses is tried as what it looks like.
    fn retyped(&self, tree: &mut DeTable<'t>, path: &[String], at: usize) -> bool {
        let Some(variable) = self.variable(at) else { return false };
        if !get(tree, path).is_some_and(|value| value.get_ref().is_str()) {
            return false;
        }
        // Only what the layering reads from a text as well.
        let text = variable.value.as_str();
        let plain = matches!(text, "true" | "false") || text.bytes().all(|byte| byte.is_ascii_digit());
        let Some(typed) = DeValue::parse(text).ok().filter(|_| plain).map(Spanned::into_inner) else {
            return false;
        };
        put(tree, path, Spanned::new(at..at, typed));
        true
    }

    fn variable(&self, at: usize) -> Option<&'t Variable> {
        self.variables.get(at.checked_sub(self.file.text.len() + 1)?)
    }

    fn note(&mut self, at: usize, path: &[String], what: String) {
        let place = if at == SHIPPED {
            "shipped defaults".to_owned()
        } else if let Some(variable) = self.variable(at) {
            format!("environment variable {}", variable.name)
        } else {
            format!("{}:{}", self.file.name, line_of(self.file.text, at))
        };
        let key = path.iter().map(|key| key_text(key)).collect::<Vec<_>>().join(".");
        self.faults.push((at, SettingsFault { place, key, what }));
    }
}

fn syntax(file: File<'_>, error: &toml::de::Error) -> SettingsFault {
    let fault = document::syntax(file.name, file.text, error);
    SettingsFault {
        place: format!("{}:{}", fault.file, fault.line),
        key: fault.key,
        what: format!("found {}, expected {}", fault.found, fault.expected),
    }
}

fn line_of(text: &str, at: usize) -> usize {
    1 + text.bytes().take(at).filter(|byte| *byte == b'\n').count()
}

/// The same table with every value and key at one place.
fn stamped<'t>(table: &DeTable<'t>, at: usize) -> DeTable<'t> {
    let mut out = DeTable::new();
    for (key, value) in table {
        let value = match value.get_ref() {
            DeValue::Table(inner) => DeValue::Table(stamped(inner, at)),
            other => other.clone(),
        };
        out.insert(Spanned::new(at..at, key.get_ref().clone()), Spanned::new(at..at, value));
    }
    out
}

/// Lays one table over another; tables are joined, everything else is replaced.
fn lay<'t>(under: &mut DeTable<'t>, over: &DeTable<'t>) {
    for (key, value) in over {
        let mut value = value.clone();
        if let Some((_, below)) = under.remove_entry(key.get_ref().as_ref())
            && let DeValue::Table(mut below) = below.into_inner()
            && let DeValue::Table(above) = value.get_ref()
        {
            lay(&mut below, above);
            value = Spanned::new(value.span(), DeValue::Table(below));
        }
        under.insert(key.clone(), value);
    }
}

/// Puts a value at a path; what is on the way and no table becomes one. Each table that is made
/// has a place of its own (same beginning, another end), so that a fault finds its table again.
fn put<'t>(table: &mut DeTable<'t>, path: &[String], value: Spanned<DeValue<'t>>) {
    let Some((key, rest)) = path.split_first() else { return };
    let at = value.span();
    if rest.is_empty() {
        table.remove(key.as_str());
        table.insert(Spanned::new(at, Cow::Owned(key.clone())), value);
        return;
    }
    if !table.get(key.as_str()).is_some_and(|inner| inner.get_ref().is_table()) {
        let own = at.start..at.start.saturating_add(rest.len());
        table.remove(key.as_str());
        let empty = Spanned::new(own.clone(), DeValue::Table(DeTable::new()));
        table.insert(Spanned::new(own, Cow::Owned(key.clone())), empty);
    }
    if let Some(DeValue::Table(inner)) = table.get_mut(key.as_str()).map(Spanned::get_mut) {
        put(inner, rest, value);
    }
}

fn get<'a, 't>(table: &'a DeTable<'t>, path: &[String]) -> Option<&'a Spanned<DeValue<'t>>> {
    let (key, rest) = path.split_first()?;
    let value = table.get(key.as_str())?;
    if rest.is_empty() {
        return Some(value);
    }
    get(value.get_ref().as_table()?, rest)
}

fn remove(table: &mut DeTable<'_>, path: &[String]) {
    match path.split_first() {
        Some((key, [])) => {
            table.remove(key.as_str());
        }
        Some((key, rest)) => {
            if let Some(DeValue::Table(inner)) = table.get_mut(key.as_str()).map(Spanned::get_mut) {
                remove(inner, rest);
            }
        }
        None => {}
    }
}

fn key_place(table: &DeTable<'_>, path: &[String]) -> Option<usize> {
    let (key, rest) = path.split_first()?;
    let (name, value) = table.get_key_value(key.as_str())?;
    if rest.is_empty() { Some(name.span().start) } else { key_place(value.get_ref().as_table()?, rest) }
}

/// The deepest entry whose key or value stands at a place. What stands within an array is found by
/// the array's key: its entries have none of their own.
fn find(table: &DeTable<'_>, span: &Range<usize>) -> Option<Vec<String>> {
    for (key, value) in table {
        let deeper = value.get_ref().as_table().and_then(|inner| find(inner, span));
        if let Some(mut path) = deeper {
            path.insert(0, key.get_ref().to_string());
            return Some(path);
        }
        let (at, is_array) = (value.span(), value.get_ref().is_array());
        let within = is_array && at.start <= span.start && span.end <= at.end;
        if within || key.span() == *span || at == *span {
            return Some(vec![key.get_ref().to_string()]);
        }
    }
    None
}

fn size(table: &DeTable<'_>) -> usize {
    table.values().map(|value| 1 + value.get_ref().as_table().map_or(0, size)).sum()
}
