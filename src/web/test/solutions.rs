use super::*;
use crate::domain::moment::SECOND;
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::{InstrumentReport, Wire};
use crate::domain::solution::{Recipe, load};

/// The shipped recipes that these tests use.
pub(super) fn recipes() -> Vec<Recipe> {
    let read = |id: &str, text: &str| load(&format!("{id}.toml"), text).unwrap();
    vec![
        read("en-933-8-stock", include_str!("../../../config/solutions/en-933-8-stock.toml")),
        read("t176-working", include_str!("../../../config/solutions/t176-working.toml")),
    ]
}

impl Rig {
    async fn solution(&self, mut what: Value) -> Answer {
        what["act"] = "solution".into();
        self.act(what).await
    }

    async fn solved(&self, what: Value) -> String {
        let answer = self.solution(what).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        answer.json()["note"].as_str().unwrap().to_owned()
    }

    async fn shelf(&self) -> Value {
        self.get("/solutions/view").await.json()
    }
}

fn grams(text: &str) -> Quantity {
    Quantity::new(text.parse().unwrap(), Unit::Gram)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_without_a_batch_shows_no_line_and_its_page_the_recipes() {
    let rig = Rig::new().await;
    assert!(rig.view().await["solutions"].is_null());
    let page = rig.shelf().await;
    assert_eq!(page["batches"], json!([]));
    let recipes: Vec<_> = page["recipes"].as_array().unwrap().iter().map(|r| r["id"].clone()).collect();
    assert_eq!(recipes, [json!("en-933-8-stock"), json!("t176-working")]);
    assert!(page["recipes"][0]["safety"].as_array().unwrap().len() > 3);
    let html = rig.get("/solutions").await;
    assert!(html.headers["content-type"].to_str().unwrap().starts_with("text/html"));
    assert!(html.body.contains("id=\"menu-solutions\" href=\"/solutions\" aria-current=\"page\""));
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_difference_that_is_left_follows_the_balance() {
    let rig = Rig::new().await;
    let begin = json!({ "what": "begin", "batch": "EN-1", "recipe": "en-933-8-stock", "volume": "0.5",
        "unit": "L", "water": "distilled" });
    rig.solved(begin).await;
    let wait = json!({ "what": "await-component", "batch": "EN-1", "component": "calcium chloride" });
    rig.solved(wait.clone()).await;
    // 219 ± 2 g to a litre: 109.5 ± 1 g to half of it.
    for (shows, difference, side, at) in [
        ("60.0", "-49.5 g", "below", 0),
        ("108.5", "-1 g", "within", 375),
        ("109.50", "0 g", "within", 500),
        ("110.6", "+1.1 g", "above", 638),
    ] {
        rig.live.send_replace(Live { value: Some(grams(shows)), ..Live::default() });
        let view = rig.view().await;
        let weighing = &view["solutions"]["weighing"];
        assert_eq!(
            (&weighing["target"], &weighing["limits"]),
            (&json!("109.5 g"), &json!("108.5 to 110.5 g"))
        );
        let balance = &weighing["balances"][0];
        assert_eq!(balance["difference"], difference, "{balance}");
        assert_eq!((&balance["side"], &balance["at"]), (&json!(side), &json!(at)), "{balance}");
    }
    let report = InstrumentReport::Mass {
        mass: grams("108.1"),
        wire: Wire::of("balance", "/dev/null", "108.1".to_owned()),
    };
    rig.station.ask(What::Instrument(report), rig.clock.now()).await.unwrap();
    rig.clock.advance_by(SECOND);
    let shelf = rig.shelf().await;
    let part = &shelf["batches"][0]["parts"][0];
    assert_eq!(
        (&part["sum"], &part["difference"], &part["side"]),
        (&json!("108.1 g"), &json!("-1.4 g"), &json!("below"))
    );
    assert!(rig.view().await["solutions"]["weighing"].is_null(), "nothing is waited for any more");
    let mut further = wait;
    further["further"] = true.into();
    rig.solved(further).await;
    rig.live.send_replace(Live { value: Some(grams("1.2")), ..Live::default() });
    let view = rig.view().await;
    let balance = &view["solutions"]["weighing"]["balances"][0];
    assert_eq!(
        (&balance["difference"], &balance["side"]),
        (&json!("-0.2 g"), &json!("within")),
        "beside 108.1 g"
    );
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_bottle_in_use_is_one_line_and_what_is_left_goes_down() {
    let rig = Rig::new().await;
    let receive = json!({ "what": "receive", "batch": "ST-1", "recipe": "en-933-8-stock", "volume": "1", "unit": "L",
        "maker": "Central laboratory, Fernhollow", "lot": "77-3" });
    rig.solved(receive).await;
    let begin = json!({ "what": "begin", "batch": "W-1", "recipe": "t176-working", "volume": "0.9", "unit": "L",
        "water": "demineralised", "stock": "ST-1" });
    rig.solved(begin).await;
    for (component, value) in [("stock", "20"), ("make up", "900")] {
        let what = json!({ "what": "state-component", "batch": "W-1", "component": component, "value": value,
            "unit": "mL", "with": "cylinder" });
        rig.solved(what).await;
    }
    rig.solved(json!({ "what": "step-done", "batch": "W-1", "step": "mix" })).await;
    rig.solved(json!({ "what": "finish", "batch": "W-1" })).await;
    rig.solved(json!({ "what": "put-in-use", "batch": "W-1" })).await;
    rig.filled("S-1", 1).await;
    let line = rig.view().await["solutions"]["inUse"].clone();
    assert_eq!(line[0]["id"], "W-1");
    assert_eq!((&line[0]["left"], &line[0]["cylinders"]), (&json!("820 mL"), &json!(2)), "80 mL were drawn");
    let shelf = rig.shelf().await;
    assert_eq!(shelf["batches"][0]["inUse"], true);
    assert_eq!(shelf["batches"][0]["fillings"], 1);
    let again = rig.solution(json!({ "what": "put-in-use", "batch": "W-1" })).await;
    assert_eq!(
        (again.status, again.json()["text"].as_str().unwrap().contains("in use already")),
        (409, true)
    );
    rig.end().await;
}
