//! The report of a sample: what was published of it, as a sheet (ISO/IEC 17025, clause 7.8.2).
//!
//! Every figure stands in a published document and is repeated digit by digit; what the journal
//! holds beside them is drawn. What is missing is said to be missing.

mod item;
mod specimens;
mod figures;
mod otherwise;
mod parts;
mod prepared;
mod proof;
mod say;
mod solution;

use super::facts::{Facts, Published};
use super::sheet::{Block, Head, Sheet};
use super::{drawing::Drawing, symbol};
use crate::domain::report::laboratory::{Laboratory, PaperSize};
use jiff::tz::TimeZone;
use serde_json::Value;

pub(in crate::paper) use prepared::DRYING;
pub(in crate::paper) use say::capital;

/// Width of the symbol's module, tenths of a point: 0.42 mm, which a telephone's camera and a
/// reader at the bench resolve (common practice, no source).
const MODULE: i32 = 12;

/// Whose report it is, on what it is printed, and in which zone people see times.
#[derive(Debug, Clone)]
pub struct House<'a> {
    /// The laboratory; `None`: the settings do not name it.
    pub laboratory: Option<&'a Laboratory>,
    /// The paper.
    pub paper: PaperSize,
    /// Name of the time zone.
    pub zone_name: &'a str,
    /// The time zone.
    pub zone: &'a TimeZone,
}

impl House<'_> {
    /// Name, and the address on one line; `None`: the settings do not name the laboratory.
    pub(in crate::paper) fn letterhead(&self) -> Option<Vec<String>> {
        let laboratory = self.laboratory?;
        let address = laboratory.address.join(", ");
        Some([laboratory.name.clone(), address].into_iter().filter(|line| !line.is_empty()).collect())
    }
}

/// What the parts of a report are made from.
struct Told<'a> {
    facts: &'a Facts,
    house: &'a House<'a>,
}

/// The report.
pub fn report(facts: &Facts, house: &House<'_>) -> Sheet {
    let told = Told { facts, house };
    let identity = told.identity();
    let mut blocks = vec![Block::Head(told.head(&identity))];
    blocks.push(told.columns());
    blocks.extend(told.specimens());
    blocks.extend(told.figures());
    blocks.extend(told.deviations());
    blocks.extend(told.otherwise());
    blocks.extend(told.parts());
    blocks.extend(told.statements());
    blocks.extend(told.proof());
    blocks.push(Block::End { text: format!("End of report {identity}") });
    Sheet {
        title: format!("{}: report of sample {}", told.quantity(), facts.subject.sample.label),
        foot: told.foot(&identity),
        across: told.across(),
        paper: house.paper,
        issued_ns: told.newest_document().map(|document| document.made_ns),
        identity,
        program: format!("stillstand {}", env!("CARGO_PKG_VERSION")),
        blocks,
    }
}

impl<'a> Told<'a> {
    /// The published result that stands.
    fn result(&self) -> Option<&'a Published> {
        self.facts.result.as_ref()?.newest()
    }

    fn result_data(&self) -> &'a Value {
        self.result().map_or(&Value::Null, Published::data)
    }

    /// Label and newest record of each specimen that has one, in the order of registration.
    fn records(&self) -> impl Iterator<Item = (&'a str, &'a Published)> {
        self.facts.subject.specimens.iter().filter_map(|specimen| {
            let newest = self.facts.records.get(&specimen.id)?.newest()?;
            Some((specimen.label.as_str(), newest))
        })
    }

    fn newest_document(&self) -> Option<&'a Published> {
        self.records().map(|(_, record)| record).chain(self.result()).max_by_key(|document| document.number)
    }

    /// Identity of the report: its result's, with the version; without a result the sample's.
    fn identity(&self) -> String {
        match self.result() {
            Some(result) => {
                let version = result.data().get("version").and_then(Value::as_u64).unwrap_or(1);
                format!("{}, version {version}", result.id)
            }
            None => format!("{} (sample, no result yet)", self.facts.subject.sample.id),
        }
    }

    /// What the number is, in words that begin with a capital.
    fn quantity(&self) -> String {
        let method = self.facts.method.as_ref();
        say::capital(
            &method.map_or_else(|| "test".to_owned(), |method| self.facts.subject.sample.quantity(method)),
        )
    }

    fn head(&self, identity: &str) -> Head {
        let standard = self.facts.method.as_ref().map_or_else(
            || "Method: no longer in the journal".to_owned(),
            |method| {
                let edition = method.edition.value.as_deref().unwrap_or("not confirmed");
                format!("{}, edition {edition}", method.standard)
            },
        );
        let title = self.facts.method.as_ref().map(|method| method.title.clone());
        let issued = self.newest_document().map_or_else(
            || "nothing published yet".to_owned(),
            |document| format!("issued {}", self.time(document.made_ns)),
        );
        Head {
            laboratory: self.house.letterhead().unwrap_or_else(|| vec!["Laboratory: not stated".to_owned()]),
            title: format!("{}: test report", self.quantity()),
            under: [standard]
                .into_iter()
                .chain(title)
                .chain([
                    format!("Sample {}; {issued}", self.facts.subject.sample.label),
                    format!("Report {identity}"),
                ])
                .collect(),
            symbol: self.symbol(),
        }
    }

    /// The result's identity and the digest of its bytes, both as open standards write them: RFC
    /// 9562 (`urn:uuid:`) and RFC 6920, section 7 (`nih:`, the digest in hexadecimal).
    fn symbol(&self) -> Option<Drawing> {
        let result = self.result()?;
        let text = format!("urn:uuid:{} nih:sha-256;{}", result.id, result.sha256);
        let title = "QR symbol: identity and SHA-256 of the published result";
        Some(symbol::qr_denser(&text)?.drawing(MODULE, title))
    }

    fn foot(&self, identity: &str) -> String {
        let laboratory = self.house.laboratory.map_or("", |laboratory| laboratory.name.as_str());
        let comma = if laboratory.is_empty() { "" } else { ", " };
        format!("{laboratory}{comma}sample {}. Report {identity}", self.facts.subject.sample.label)
    }

    /// What must not be taken for a report that stands.
    fn across(&self) -> Option<String> {
        let status = self.result_data().get("status").and_then(Value::as_str);
        let word = match status {
            _ if self.facts.rehearsal || self.is_of_a_rehearsal() => "REHEARSAL",
            None => "NOT COMPLETE",
            Some("void") => "VOID",
            Some("returned") => "RETURNED",
            Some(_) => return None,
        };
        Some(word.to_owned())
    }

    /// A document says so itself, whatever the station does now.
    fn is_of_a_rehearsal(&self) -> bool {
        let documents = self.records().map(|(_, record)| record).chain(self.result());
        documents.into_iter().any(|document| {
            document.data().pointer("/station/rehearsal").and_then(Value::as_bool).unwrap_or(false)
        })
    }

    fn time(&self, wall_ns: i64) -> String {
        say::time(wall_ns, self.house.zone)
    }

    fn instant(&self, value: &Value) -> String {
        say::instant(value, self.house.zone)
    }
}
