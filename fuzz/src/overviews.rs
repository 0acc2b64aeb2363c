//! What another station says of itself, for the page of the room.

use stillstand::domain::moment::{Moment, Stamp, WallState};
use stillstand::domain::overview::{Following, MOST_BYTES, Overview, Said};
use stillstand::domain::quantity::Unit;
use stillstand::domain::units::{Units, Wish};
use stillstand::web::view::following::stations;
use uuid::Uuid;

const NOW: Moment = Moment {
    boot: Uuid::nil(),
    boot_ns: 1_000_000_000,
    wall_ns: 1_800_000_000_000_000_000,
    wall: WallState::Synchronised,
    stamp: Stamp::Arrival,
    doubt_ns: 0,
};

/// What is kept of it.
fn kept(payload: &[u8]) -> (Following, Option<Overview>) {
    let mut following = Following::default();
    following.hear("b2", Said::Overview(payload), false, NOW);
    let heard =
        following.stations.get("b2").and_then(|one| one.last.as_ref()).map(|heard| heard.overview.clone());
    (following, heard)
}

/// The payload of an overview.
pub fn run(data: &[u8]) {
    let (following, heard) = kept(data);
    for unit in [Wish::AsRead, Wish::In(Unit::Celsius), Wish::In(Unit::Fahrenheit)] {
        let shown = stations(&following, &NOW, Units { temperature: unit, ..Units::default() });
        assert!(!shown.to_string().contains(['\u{202e}', '\u{2066}']), "a line is turned round");
    }
    let Some(heard) = heard else { return };
    // What is kept is bounded whatever came, and would be taken as it is.
    let again = serde_json::to_vec(&heard).expect("an overview is JSON");
    assert!(again.len() <= MOST_BYTES, "{} bytes", again.len());
    assert_eq!(kept(&again).1, Some(heard));
}

/// The frozen message, and one with figures and times at their ends.
pub fn seeds() -> Vec<Vec<u8>> {
    let frozen =
        std::fs::read(crate::project("tests/frozen/messages/overview-1.0.0.json")).expect("a frozen message");
    let text = String::from_utf8(frozen.clone()).expect("text");
    let fine = text.replace("22.38", "0.0000000000000000000000000001");
    let early = text.replace(
        "\"running\": null",
        r#""running": { "step": "soak", "since": "1700-01-01T00:00:00Z", "opens": null, "closes": null }"#,
    );
    vec![frozen, fine.into_bytes(), early.into_bytes()]
}
