//! The same for other programs: one JSON object.

use super::tell::say;
use super::{Place, Verdict};
use crate::instruments::listen::ear::Found;
use crate::instruments::listen::judge::{Fit, Stretch};
use crate::instruments::listen::plan::{framing, words};
use crate::instruments::listen::ports::PortHere;
use crate::instruments::listen::proposal::proposal;
use crate::instruments::protocol::in_words;
use serde_json::{Value, json};
use std::io::Write;

/// The ports of this machine.
pub(super) fn ports(ports: &[PortHere]) {
    let one = |port: &PortHere| {
        json!({
            "port": port.by_id.as_deref().unwrap_or(&port.device),
            "byId": port.by_id,
            "device": port.device,
            "usb": port.usb,
            "serialNumber": port.serial,
            "driver": port.driver,
        })
    };
    say!("{}", json!({ "ports": ports.iter().map(one).collect::<Vec<_>>() }));
}

/// What came of it.
pub(super) fn found(place: &Place, found: &Found, verdict: Verdict, asked: bool) {
    let (word, alike) = match verdict {
        Verdict::One => ("one", 1),
        Verdict::Alike(several) => ("alike", several),
        Verdict::Unknown => ("unknown-lines", 0),
        Verdict::Noise => ("noise", 0),
        Verdict::Silence => ("silence", 0),
    };
    let proposals: Vec<Value> = found.fits.iter().take(alike).map(|fit| proposed(fit, place)).collect();
    let object = json!({
        "port": place.lasting,
        "given": place.given,
        "pseudoTerminal": place.pseudo,
        "seconds": found.took.as_secs(),
        "verdict": word,
        "advice": verdict.advice(found, asked),
        "heard": found.stretches.iter().map(heard).collect::<Vec<_>>(),
        "fits": found.fits.iter().map(fit).collect::<Vec<_>>(),
        "proposals": proposals,
    });
    say!("{object}");
}

/// Bytes as text with escapes, which is lossless.
fn heard(stretch: &Stretch) -> Value {
    json!({
        "line": words(stretch.line),
        "asked": stretch.asked,
        "bytes": stretch.bytes.escape_ascii().to_string(),
        "registers": stretch.registers.iter().map(|answer| in_words(answer)).collect::<Vec<_>>(),
    })
}

fn fit(fit: &Fit) -> Value {
    json!({
        "shape": fit.shape,
        "title": fit.title,
        "kind": fit.kind,
        "speed": fit.heard.speed,
        "framing": framing(fit.heard),
        "asks": fit.asks,
        "asItsFileSays": fit.as_said,
        "lines": fit.lines,
        "understood": fit.understood,
        "stable": fit.stable,
        "unstable": fit.unstable,
        "overload": fit.overload,
        "namesUnit": fit.names_unit,
        "units": fit.units.iter().map(|unit| unit.code()).collect::<Vec<_>>(),
        "last": fit.last.as_ref().map(|(line, quantity)| json!({
            "line": line,
            "value": quantity.value.to_string(),
            "unit": quantity.unit.code(),
        })),
    })
}

fn proposed(fit: &Fit, place: &Place) -> Value {
    let proposal = proposal(fit, &place.lasting.to_string_lossy(), place.pseudo);
    json!({
        "shape": fit.shape,
        "settings": proposal.settings,
        "copyShapeAs": (!proposal.changes.is_empty()).then_some(&proposal.shape),
        "changes": proposal.changes,
        "notes": proposal.notes,
    })
}
