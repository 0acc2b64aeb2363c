//! Two people and two balances, as their pages send it: who waits for what, and what is asked.

use super::*;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::{InstrumentReport, Wire};

impl Rig {
    /// A person's act with what stands beside it in the message.
    async fn asks(&self, who: &str, what: &Value, beside: &Value) -> Answer {
        let mut message = json!({ "id": Uuid::now_v7(), "who": who, "do": what });
        for (key, value) in beside.as_object().unwrap() {
            message[key] = value.clone();
        }
        self.post(message.to_string()).await
    }

    async fn weighs(&self, balance: &str, grams: &str) {
        let report = InstrumentReport::Mass {
            mass: Quantity::new(grams.parse().unwrap(), Unit::Gram),
            wire: Wire::of(balance, "/dev/null", grams.to_owned()),
        };
        self.station.ask(What::Instrument(report), self.clock.now()).await.unwrap();
    }

    async fn waits(&self) -> Value {
        self.view().await["balance"]["waits"].clone()
    }
}

fn passing(sample: &str) -> Value {
    json!({ "act": "await-sample-mass", "sample": sample, "name": "passing" })
}

#[tokio::test(flavor = "multi_thread")]
async fn two_people_at_two_balances_are_asked_where_they_would_take_each_others_mass() {
    let mut start = started();
    start.instruments = ["scale-a", "scale-b"].map(|name| (name.to_owned(), InstrumentKind::Balance)).into();
    let rig = Rig::of(start).await;
    let (a, b) = (rig.sample("A").await, rig.sample("B").await);
    let which = rig.asks("Ada Field", &passing(&a), &json!({})).await;
    assert_eq!(which.status, 409);
    let refusal = which.json()["refusal"].clone();
    assert_eq!(
        (&refusal["refused"], &refusal["balances"]),
        (&json!("which-balance"), &json!(["scale-a", "scale-b"]))
    );
    let done = rig.asks("Ada Field", &passing(&a), &json!({ "balance": "scale-a" })).await;
    assert_eq!(done.status, 200, "{}", done.body);
    let asked = rig.asks("Ben Ardley", &passing(&b), &json!({ "balance": "scale-a" })).await;
    assert_eq!((asked.status, &asked.json()["refusal"]["refused"]), (409, &json!("waited")));
    assert!(
        asked.json()["text"].as_str().unwrap().contains("waited for by Ada Field, for A"),
        "{}",
        asked.body
    );
    let done = rig.asks("Ben Ardley", &passing(&b), &json!({ "balance": "scale-b" })).await;
    assert_eq!(done.status, 200, "{}", done.body);
    let waits = rig.waits().await;
    let told: Vec<_> =
        waits.as_array().unwrap().iter().map(|w| (w["who"].clone(), w["balance"].clone())).collect();
    assert_eq!(told, [(json!("Ada Field"), json!("scale-a")), (json!("Ben Ardley"), json!("scale-b"))]);
    assert!(waits[1]["target"].as_str().unwrap().starts_with("B: "), "{waits}");
    rig.weighs("scale-b", "1100.0").await;
    assert_eq!(rig.waits().await.as_array().unwrap().len(), 1);
    let over = json!({ "balance": "scale-a", "take-over": true });
    let done = rig.asks("Ben Ardley", &passing(&b), &over).await;
    assert_eq!(done.status, 200, "{}", done.body);
    assert_eq!(rig.waits().await[0]["who"], "Ben Ardley");
    let done =
        rig.asks("Ada Field", &json!({ "act": "stop-awaiting" }), &json!({ "balance": "scale-a" })).await;
    assert_eq!(done.status, 200, "{}", done.body);
    assert_eq!(rig.waits().await, json!([]));
    rig.end().await;
}
