//! The walk over a parsed document: every value knows its key and its place in the text, and a
//! fault does not end the walk.

use super::Fault;
use std::borrow::Cow;
use toml::Spanned;
use toml::de::{DeArray, DeString, DeTable, DeValue};

/// What has been found so far. Readers return `None` where they noted a fault, and go on.
pub(crate) struct Walk<'t> {
    file: &'t str,
    text: &'t str,
    faults: Vec<(usize, Fault)>,
    /// Every key and every word that was asked for: what a page about the file must explain.
    #[cfg(test)]
    pub(super) known: std::collections::BTreeSet<(String, Vec<String>)>,
}

/// A table, the dotted key that leads to it, and the byte at which it begins.
#[derive(Clone)]
pub(crate) struct Table<'t> {
    pub(crate) key: String,
    pub(crate) at: usize,
    entries: &'t DeTable<'t>,
}

/// A value, its dotted key, and the byte at which its key stands.
#[derive(Clone)]
pub(crate) struct Node<'t> {
    pub(crate) key: String,
    pub(crate) at: usize,
    pub(crate) value: &'t DeValue<'t>,
}

impl<'t> Walk<'t> {
    pub(crate) fn new(file: &'t str, text: &'t str) -> Self {
        Self {
            file,
            text,
            faults: Vec::new(),
            #[cfg(test)]
            known: std::collections::BTreeSet::new(),
        }
    }

    /// Notes a fault at a byte of the text.
    pub(crate) fn fault(
        &mut self,
        at: usize,
        key: &str,
        found: impl Into<String>,
        expected: impl Into<String>,
    ) {
        let line = line_of(self.text, at);
        let fault = Fault {
            file: self.file.to_owned(),
            line,
            key: key.to_owned(),
            found: found.into(),
            expected: expected.into(),
        };
        self.faults.push((at, fault));
    }

    /// Whether nothing was wrong so far.
    pub(crate) fn clean(&self) -> bool {
        self.faults.is_empty()
    }

    /// The faults, in the order of the text.
    pub(crate) fn into_faults(mut self) -> Vec<Fault> {
        self.faults.sort_by_key(|(at, _)| *at);
        self.faults.into_iter().map(|(_, fault)| fault).collect()
    }

    /// Notes every key of `table` that is not in `known`.
    pub(crate) fn only(&mut self, table: &Table<'t>, known: &[&str]) {
        #[cfg(test)]
        self.known.insert((table.key.clone(), known.iter().map(ToString::to_string).collect()));
        for key in table.entries.keys() {
            if !known.contains(&key.get_ref().as_ref()) {
                let path = table.path(key.get_ref());
                self.fault(key.span().start, &path, "an unknown key", format!("one of {}", listed(known)));
            }
        }
    }

    /// A value that must be there.
    pub(crate) fn need(&mut self, table: &Table<'t>, key: &str, expected: &str) -> Option<Node<'t>> {
        let node = table.get(key);
        if node.is_none() {
            self.fault(table.at, &table.path(key), "nothing", expected);
        }
        node
    }

    /// Notes that a value is of the wrong type.
    pub(crate) fn wrong(&mut self, node: &Node<'t>, expected: impl Into<String>) {
        self.fault(node.at, &node.key, shown(node.value), expected);
    }

    /// A table that must be there.
    pub(crate) fn table(&mut self, table: &Table<'t>, key: &str) -> Option<Table<'t>> {
        let node = self.need(table, key, "a table")?;
        self.as_table(node)
    }

    /// A value as a table.
    pub(crate) fn as_table(&mut self, node: Node<'t>) -> Option<Table<'t>> {
        if let DeValue::Table(entries) = node.value {
            return Some(Table { key: node.key, at: node.at, entries });
        }
        self.wrong(&node, "a table");
        None
    }

    /// The tables of an array of tables, numbered from 1. An absent array is an empty one.
    pub(crate) fn tables(&mut self, table: &Table<'t>, key: &str) -> Option<Vec<Table<'t>>> {
        let Some(node) = table.get(key) else { return Some(Vec::new()) };
        let elements = self.elements(&node, "an array of tables")?;
        // A wrong element is noted, and the good ones are still looked at.
        let read: Vec<_> = elements.into_iter().map(|element| self.as_table(element)).collect();
        Some(read.into_iter().flatten().collect())
    }

    /// The elements of an array, numbered from 1.
    pub(crate) fn elements(&mut self, node: &Node<'t>, expected: &str) -> Option<Vec<Node<'t>>> {
        let array: &'t DeArray<'t> = if let DeValue::Array(array) = node.value {
            array
        } else {
            self.wrong(node, expected);
            return None;
        };
        let element = |(i, element): (usize, &'t Spanned<DeValue<'t>>)| Node {
            key: format!("{}.{}", node.key, i + 1),
            at: element.span().start,
            value: element.get_ref(),
        };
        Some(array.iter().enumerate().map(element).collect())
    }

    /// A text that must be there and must say something.
    pub(crate) fn text(&mut self, table: &Table<'t>, key: &str) -> Option<String> {
        let node = self.need(table, key, "a text")?;
        self.as_text(&node)
    }

    /// A value as a text that says something.
    pub(crate) fn as_text(&mut self, node: &Node<'t>) -> Option<String> {
        match node.value {
            DeValue::String(text) if !text.trim().is_empty() => Some(text.trim().to_owned()),
            DeValue::String(_) => {
                self.fault(node.at, &node.key, "an empty text", "a text that says something");
                None
            }
            _ => {
                self.wrong(node, "a text");
                None
            }
        }
    }

    /// A switch; absent means `false`.
    pub(crate) fn switch(&mut self, table: &Table<'t>, key: &str) -> Option<bool> {
        match table.get(key) {
            None => Some(false),
            Some(Node { value: DeValue::Boolean(on), .. }) => Some(*on),
            Some(node) => {
                self.wrong(&node, "`true` or `false`");
                None
            }
        }
    }

    /// A word out of a closed list that must be there.
    pub(crate) fn word<T: Copy>(&mut self, table: &Table<'t>, key: &str, list: &[(&str, T)]) -> Option<T> {
        let Some(node) = table.get(key) else {
            self.fault(table.at, &table.path(key), "nothing", one_of(list));
            return None;
        };
        self.as_word(&node, list)
    }

    /// A value as a word out of a closed list.
    pub(crate) fn as_word<T: Copy>(&mut self, node: &Node<'t>, list: &[(&str, T)]) -> Option<T> {
        #[cfg(test)]
        self.known.insert((String::new(), list.iter().map(|(word, _)| format!("`{word}`")).collect()));
        if let DeValue::String(word) = node.value
            && let Some((_, value)) = list.iter().find(|(name, _)| *name == word.as_ref())
        {
            return Some(*value);
        }
        self.wrong(node, one_of(list));
        None
    }

    /// Notes a name that stands twice in a list.
    pub(crate) fn unique(&mut self, names: &[(Node<'t>, String)], what: &str) {
        for (i, (node, name)) in names.iter().enumerate() {
            if let Some((first, _)) = names.iter().take(i).find(|(_, earlier)| earlier == name) {
                let line = line_of(self.text, first.at);
                let found = format!("`{name}`, which line {line} has already");
                self.fault(node.at, &node.key, found, format!("a name of its own for each {what}"));
            }
        }
    }
}

impl<'t> Table<'t> {
    /// The whole document.
    pub(crate) fn root(entries: &'t DeTable<'t>) -> Self {
        Self { key: String::new(), at: 0, entries }
    }

    /// The dotted key of an entry.
    pub(crate) fn path(&self, key: &str) -> String {
        let key = key_text(key);
        if self.key.is_empty() { key.into_owned() } else { [&self.key, ".", &key].concat() }
    }

    /// The names of its entries, in the order of the alphabet.
    pub(crate) fn names(&self) -> Vec<String> {
        self.entries.keys().map(|key| key.get_ref().to_string()).collect()
    }

    /// An entry, if it is there.
    pub(crate) fn get(&self, key: &str) -> Option<Node<'t>> {
        let (name, value): (&Spanned<DeString<'t>>, _) = self.entries.get_key_value(key)?;
        // The header of a table is where people look for it; a plain value stands at its key.
        let at = if value.get_ref().is_table() {
            value.span().start.min(name.span().start)
        } else {
            name.span().start
        };
        Some(Node { key: self.path(key), at, value: value.get_ref() })
    }
}

/// The line of a byte, from 1.
pub(crate) fn line_of(text: &str, at: usize) -> usize {
    1 + text.bytes().take(at).filter(|byte| *byte == b'\n').count()
}

/// A key as it stands in a dotted one: in quotes where it is empty or holds more than a plain key.
pub(crate) fn key_text(key: &str) -> Cow<'_, str> {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_');
    let is_plain = !key.is_empty() && key.bytes().all(plain);
    if is_plain { Cow::Borrowed(key) } else { Cow::Owned(format!("{key:?}")) }
}

/// Where in its line a byte stands, for a message: ` at` and the text from there to the end of
/// the line, shortened. Empty at the end of a line.
pub(crate) fn excerpt(text: &str, at: usize) -> String {
    const MOST: usize = 40;
    let rest = text.get(at..).and_then(|rest| rest.lines().next()).unwrap_or_default().trim_end();
    let printable = |c: char| if c.is_control() { '\u{fffd}' } else { c };
    let shown: String = rest.chars().take(MOST).map(printable).collect();
    let more = if rest.chars().nth(MOST).is_some() { "…" } else { "" };
    if shown.is_empty() { shown } else { format!(" at `{shown}{more}`") }
}

/// A value as a person would say it.
pub(crate) fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text `{text}`"),
        DeValue::Integer(digits) => format!("the number {digits}"),
        DeValue::Float(digits) => format!("the number {digits}"),
        DeValue::Boolean(on) => format!("`{on}`"),
        DeValue::Datetime(moment) => format!("the date or time {moment}"),
        DeValue::Array(_) => "an array".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

/// Names in back quotes, with commas.
pub(crate) fn listed(names: &[&str]) -> String {
    names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ")
}

fn one_of<T>(list: &[(&str, T)]) -> String {
    format!("one of {}", listed(&list.iter().map(|(name, _)| *name).collect::<Vec<_>>()))
}
