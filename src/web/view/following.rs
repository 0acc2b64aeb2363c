//! Other stations as the page of the room shows them.

use super::ms;
use crate::domain::moment::Moment;
use crate::domain::overview::{
    AtWork, Followed, Following, Heard, Limits, SILENT_NS, Stand, Temperature, wall_ns,
};
use crate::domain::quantity::Unit;
use crate::domain::units::Units;
use serde_json::{Value, json};

/// Every station that is followed, by its id.
///
/// What is left of an interval is what its own station stated (the end of the window less the instant
/// of the document, both by that station's clock), less what has run here since the document came.
/// The two clocks are never compared for it; the way of the document is not known and counts as none.
pub fn stations(following: &Following, now: &Moment, units: Units) -> Value {
    json!({
        "follows": true,
        "linked": following.linked,
        "why": following.why,
        "cut": following.cut(now),
        "silentMs": ms(SILENT_NS),
        "stations": following.stations.iter().map(|(id, one)| station(id, one, now, units)).collect::<Vec<_>>(),
    })
}

fn station(id: &str, one: &Followed, now: &Moment, units: Units) -> Value {
    let stand = one.stand(now);
    json!({
        "id": id,
        "stand": stand,
        "presence": one.presence,
        "refused": one.refused,
        "said": one.last.as_ref().map(|heard| said(heard, stand == Stand::Fresh, now, units)),
    })
}

fn said(heard: &Heard, fresh: bool, now: &Moment, units: Units) -> Value {
    let told = &heard.overview;
    let at = wall_ns(&told.at).unwrap_or(heard.arrived.wall_ns);
    let age = now.since(&heard.arrived).ns;
    // Of what the broker had kept nobody here knows how old it was when it came.
    let (age_ms, off_ms) = if heard.kept {
        (None, None)
    } else {
        (Some(ms(age)), Some(ms(at.saturating_sub(heard.arrived.wall_ns))))
    };
    // What is not current any more stands as it was stated.
    let gone = if told.clock_runs && fresh { age } else { 0 };
    json!({
        "title": told.title,
        "rehearsal": told.rehearsal,
        "clockRuns": told.clock_runs,
        "atMs": ms(at),
        "ageMs": age_ms,
        "clockOffMs": off_ms,
        "waiting": told.waiting,
        "temperature": told.temperature.as_ref().map(|t| temperature(t, units)),
        "places": told.places.iter().map(|p| place(p, at, gone)).collect::<Vec<_>>(),
        "alarms": told.alarms,
        "moreAlarms": told.more_alarms,
        "alarmsAside": told.alarms_aside,
        "results": told.results,
        "moreResults": told.more_results,
        "earlierMissing": told.earlier_missing,
    })
}

fn temperature(told: &Temperature, units: Units) -> Value {
    let (text, code) = units.text(&told.text, &told.unit);
    let unit = Unit::from_code(&code).map_or(code, |unit| unit.symbol().to_owned());
    let limits = told.limits.as_ref().and_then(Limits::range).map(|limits| units.range(&limits).to_string());
    json!({ "text": text, "unit": unit, "side": told.side, "limits": limits, "inSolution": told.in_solution })
}

fn place(place: &AtWork, at: i64, gone: i64) -> Value {
    let from_at = |text: &String| wall_ns(text).map(|ns| ns.saturating_sub(at));
    json!({
        "place": place.place,
        "label": place.label,
        "complete": place.complete,
        "voided": place.voided,
        "next": place.next,
        "deviations": place.deviations,
        "result": place.result,
        "running": place.running.as_ref().map(|running| json!({
            "step": running.step,
            "elapsedMs": from_at(&running.since).map(|since| ms(gone.saturating_sub(since))),
            "opensInMs": running.opens.as_ref().and_then(from_at).map(|left| ms(left.saturating_sub(gone))),
            "closesInMs": running.closes.as_ref().and_then(from_at).map(|left| ms(left.saturating_sub(gone))),
        })),
    })
}

#[cfg(test)]
mod test {
    use super::{Units, stations};
    use crate::domain::moment::{SECOND, test::at};
    use crate::domain::overview::{Following, Said};
    use crate::domain::quantity::Unit;
    use crate::domain::units::Wish;
    use serde_json::{Value, json};

    const AS_READ: Units = Units { temperature: Wish::AsRead, length: Wish::AsRead, mass: Wish::AsRead };

    /// A station whose clock is an hour ahead of ours.
    fn heard(kept: bool) -> Following {
        let told = json!({
            "at": "2030-01-01T13:00:00.000Z", "title": "Bench 2", "rehearsal": false, "clockRuns": true,
            "waiting": 3, "temperature": null, "alarms": [], "moreAlarms": 0, "alarmsAside": 2, "results": [],
            "moreResults": 0, "earlierMissing": true,
            "places": [{
                "place": 1, "label": "Q-7", "complete": false, "voided": false, "next": null, "deviations": 0,
                "result": null,
                "running": {
                    "step": "soak", "since": "2030-01-01T12:51:00.000Z", "opens": "2030-01-01T13:00:00.000Z",
                    "closes": "2030-01-01T13:02:00.000Z",
                },
            }],
        });
        let mut following = Following::default();
        assert!(following.hear("b2", Said::Overview(told.to_string().as_bytes()), kept, at(0)));
        following
    }

    fn of(value: &Value) -> (&Value, Value, Value) {
        let one = &value["stations"][0];
        (
            &one["stand"],
            one["said"]["places"][0]["running"]["closesInMs"].clone(),
            one["said"]["ageMs"].clone(),
        )
    }

    #[test]
    fn what_is_left_runs_down_from_the_arrival_however_wrong_the_clocks_are() {
        let following = heard(false);
        assert_eq!(of(&stations(&following, &at(0), AS_READ)), (&json!("fresh"), json!(120_000), json!(0)));
        assert_eq!(
            of(&stations(&following, &at(5 * SECOND), AS_READ)),
            (&json!("fresh"), json!(115_000), json!(5000))
        );
        let silent = stations(&following, &at(7 * SECOND), AS_READ);
        assert_eq!(of(&silent), (&json!("silent"), json!(120_000), json!(7000)));
    }

    #[test]
    fn no_message_of_another_station_ends_this_one_by_its_digits() {
        let in_unit = |unit| Units { temperature: Wish::In(unit), ..AS_READ };
        for (code, symbol, units) in [
            ("Cel", "°F", in_unit(Unit::Fahrenheit)),
            ("[degF]", "°C", in_unit(Unit::Celsius)),
            ("Cel", "°C", AS_READ),
        ] {
            // Twenty-eight digits behind the point are what an exact figure can hold.
            for text in [
                "0.0000000000000000000000000001",
                "-7.9228162514264337593543950335",
                "99999999999999999999999999",
            ] {
                let told = json!({
                    "at": "2030-01-01T13:00:00.000Z", "title": "Bench 2", "rehearsal": false, "clockRuns": true,
                    "waiting": null, "places": [], "alarms": [], "moreAlarms": 0, "alarmsAside": 0, "results": [],
                    "moreResults": 0, "earlierMissing": false,
                    "temperature": {
                        "text": text, "unit": code, "side": "within", "inSolution": true,
                        "limits": { "min": text, "max": text, "unit": code },
                    },
                });
                let mut following = Following::default();
                assert!(following.hear("b2", Said::Overview(told.to_string().as_bytes()), false, at(0)));
                let seen = &stations(&following, &at(0), units)["stations"][0]["said"]["temperature"];
                assert_eq!(seen["unit"], symbol, "{text}: {seen}");
                assert!(seen["limits"].as_str().unwrap().ends_with(symbol), "{text}: {seen}");
            }
        }
    }

    #[test]
    fn what_the_broker_had_kept_has_no_age_and_does_not_run_down() {
        let later = stations(&heard(true), &at(5 * SECOND), AS_READ);
        assert_eq!(of(&later), (&json!("kept"), json!(120_000), Value::Null));
    }
}
