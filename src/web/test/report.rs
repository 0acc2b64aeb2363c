//! The report of a sample as a page: what was published, digit by digit, and what is missing.

use super::*;

impl Rig {
    async fn report(&self, sample: &str) -> String {
        let answer = self.get(&format!("/report/{sample}")).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        answer.body
    }

    /// The newest document of a kind.
    async fn newest(&self, kind: &str) -> Value {
        let list = self.get(&format!("/documents?kind={kind}")).await.json();
        let id = list["documents"][0]["id"].as_str().unwrap();
        self.get(&format!("/documents/{id}")).await.json()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_report_repeats_what_was_published_and_says_what_is_missing() {
    let rig = Rig::new().await;
    let what = json!({
        "act": "register-sample", "label": "S-<17>", "method": METHOD, "specimens": 1,
        "particulars": { "project": "North & south road", "limit": { "at-least": "45", "specification": "Section 3" } },
    });
    let sample = rig.made(what).await;
    let before = rig.report(&sample).await;
    assert!(
        before.contains(">Print</button>") && !before.contains("{{") && !before.contains("<!--"),
        "{before}"
    );
    assert!(before.contains("NOT COMPLETE") && before.contains("None is registered yet"), "{before}");
    let specimen = rig.whole_test(&sample, 1).await;
    let (record, result) = (rig.newest("record").await, rig.newest("result").await);
    let page = rig.report(&sample).await;
    for part in [
        "S-&lt;17&gt;",
        "North &amp; south road",
        "at least 45 (Section 3)",
        "Material</dt><dd>not stated",
        "Laboratory: not stated",
        "Preliminary, not authorised",
        "AASHTO T 176, edition not confirmed",
        "relate only to the items tested",
        "no reading",
        result["id"].as_str().unwrap(),
        record["id"].as_str().unwrap(),
    ] {
        assert!(page.contains(part), "`{part}` in {page}");
    }
    let figures = ["/data/calculation/ratio/text", "/data/readings/clay/text", "/data/readings/sand/text"];
    for path in figures {
        let digits = record.pointer(path).unwrap().as_str().unwrap();
        assert!(page.contains(digits), "{path}: {digits}");
    }
    for step in record["data"]["steps"].as_array().unwrap().iter().filter(|s| s["kind"] == "interval") {
        let lasted = format!("{} s", step["duration"]["text"].as_str().unwrap());
        assert!(page.contains(&lasted), "{}: {lasted}", step["name"]);
    }
    // The tin was filled a minute before: its time is not that of the first fill.
    let of =
        |name: &str| record["data"]["steps"].as_array().unwrap().iter().find(|s| s["name"] == name).cloned();
    let (tin, fill) = (of("tin").unwrap(), of("first fill").unwrap());
    assert_ne!(tin["at"]["time"], fill["at"]["time"]);
    let row = page.split("<h2>Intervals</h2>").nth(1).unwrap().split("<tbody>").nth(1).unwrap();
    let shown = row.split("<td>").nth(1).unwrap().split("</td>").next().unwrap();
    assert!(
        shown.contains("<br>") && shown.ends_with(&fill["at"]["time"].as_str().unwrap()[13..19]),
        "{shown}, {fill}"
    );
    for deviation in record["data"]["deviations"].as_array().unwrap() {
        assert!(page.contains(deviation["actual"].as_str().unwrap()), "{deviation}");
    }
    assert!(
        !page.contains("class=\"across\"") && !page.contains("style="),
        "it stands, and holds no inline style"
    );
    // Times are those of the laboratory, seven hours behind UTC in winter and six in summer.
    assert!(page.contains("America/Denver"));
    assert!(page.contains(&specimen) || page.contains("record of"), "its record is named");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_mass_says_who_weighed_it_in_its_documents_and_on_the_report() {
    use crate::domain::quantity::{Quantity, Unit};
    use crate::domain::reading::{InstrumentReport, Wire};
    let rig = Rig::new().await;
    let sample = rig.sample("W-1").await;
    let wait = json!({ "act": "await-sample-mass", "sample": sample, "name": "passing" });
    let message = json!({ "id": Uuid::now_v7(), "who": "Ben Ardley", "do": wait });
    assert_eq!(rig.post(message.to_string()).await.status, 200);
    let report = InstrumentReport::Mass {
        mass: Quantity::new("1204.5".parse().unwrap(), Unit::Gram),
        wire: Wire::of("balance", "/dev/null", "1204.5".to_owned()),
    };
    rig.station.ask(What::Instrument(report), rig.clock.now()).await.unwrap();
    rig.whole_test(&sample, 1).await;
    let record = rig.newest("record").await;
    assert_eq!(record["data"]["sample"]["masses"]["passing"]["weighedBy"]["person"], "Ben Ardley");
    let weighing = rig.newest("weighing").await;
    assert_eq!(weighing["data"]["weighing"]["weighedBy"]["person"], "Ben Ardley");
    let page = rig.report(&sample).await;
    let masses = page.split("<h2>Masses</h2>").nth(1).unwrap().split("</table>").next().unwrap();
    assert!(masses.contains("1204.5 g") && masses.contains("Ben Ardley"), "{masses}");
    let by = page.split("<dt>By</dt>").nth(1).unwrap().split("</dd>").next().unwrap();
    assert!(by.contains("Ben Ardley") && by.contains("Ada Field"), "{by}");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_report_prints_the_limit_that_was_compared_as_it_was_given() {
    let rig = Rig::new().await;
    // By ASTM E29 a limit of 45.0 asks for another rounding than one of 45.
    let limit = json!({ "at-least": "45.0", "specification": "Section 3" });
    let what = json!({
        "act": "register-sample", "label": "L-1", "method": METHOD, "specimens": 1, "particulars": { "limit": limit },
    });
    let sample = rig.made(what).await;
    rig.whole_test(&sample, 1).await;
    let page = rig.report(&sample).await;
    assert_eq!(page.matches("at least 45.0 (Section 3)").count(), 2, "asked for, and compared: {page}");
    assert!(!page.contains("at least 45 ("), "{page}");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_corrected_report_names_what_it_replaces_and_a_voided_one_has_no_result() {
    let rig = Rig::new().await;
    let sample = rig.sample("S-1").await;
    let specimen = rig.whole_test(&sample, 1).await;
    let first = rig.newest("result").await;
    let what = json!({
        "act": "correct-reading", "specimen": specimen, "of": "sand", "value": "13.4", "confirmed": true,
        "reason": "the digits were swapped",
    });
    let answer = rig.act(what).await;
    assert_eq!(answer.status, 200, "{}", answer.body);
    let page = rig.report(&sample).await;
    let second = rig.newest("result").await;
    assert_ne!(first["id"], second["id"]);
    for part in [
        "the digits were swapped",
        "This report replaces",
        first["id"].as_str().unwrap(),
        second["id"].as_str().unwrap(),
    ] {
        assert!(page.contains(part), "`{part}` in {page}");
    }
    let what = json!({ "act": "void-specimen", "specimen": specimen, "reason": "the wrong bag" });
    let answer = rig.act(what).await;
    assert_eq!(answer.status, 200, "{}", answer.body);
    let page = rig.report(&sample).await;
    assert!(page.contains(">VOID<") && page.contains("no result stands"), "{page}");
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn twenty_specimens_stand_in_one_report_and_it_prints() {
    let rig = Rig::new().await;
    let what = json!({ "act": "register-sample", "label": "Many", "method": METHOD, "specimens": 20 });
    let sample = rig.made(what).await;
    for _ in 0..20 {
        rig.whole_test(&sample, 1).await;
    }
    let page = rig.report(&sample).await;
    for n in 1..=20 {
        assert!(page.contains(&format!("record of Many-{n},")), "{n}");
    }
    assert_eq!(page.matches("Cylinder of Many-").count(), 20);
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_there_is_told() {
    let rig = Rig::new().await;
    for path in ["/report/no-such-sample", "/report/019f0000-0000-7000-8000-000000000bba"] {
        let answer = rig.get(path).await;
        assert_eq!(answer.status, 404, "{}", answer.body);
    }
    let answer = rig.get("/worksheet/no-such-method").await;
    assert_eq!(answer.status, 404);
    assert!(answer.body.contains(METHOD), "it names the methods that there are: {}", answer.body);
    let blank = rig.get(&format!("/worksheet/{METHOD}")).await;
    assert_eq!(blank.status, 200);
    for part in [
        "Sand equivalent: worksheet",
        "Sedimentation (1185 to 1215 s)",
        "Clay reading, in",
        "Foot indicator: 10",
    ] {
        assert!(blank.body.contains(part), "`{part}` in {}", blank.body);
    }
    rig.end().await;
}

/// Where each of these stands, in the order in which they are to stand.
fn in_order(page: &str, parts: &[&str]) {
    let mut from = 0;
    for part in parts {
        let at = page[from..].find(part);
        from += at.unwrap_or_else(|| panic!("`{part}` after what stands before it in {page}"));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_worksheet_has_the_tables_of_the_report_in_their_order() {
    let rig = Rig::new().await;
    let sample = rig.sample("S-1").await;
    rig.whole_test(&sample, 1).await;
    let (page, blank) = (rig.report(&sample).await, rig.get(&format!("/worksheet/{METHOD}")).await.body);
    let common = [
        "The item tested</h2>",
        "Result</h2>",
        "Specimens</h2>",
        "Intervals</h2>",
        "Deviations from the method</h2>",
    ];
    in_order(&page, &common);
    in_order(&blank, &common);
    let more = [
        "Noted at the bench</h2>",
        "Preparation</h2>",
        "Drying</h2>",
        "Masses</h2>",
        "Solution</h2>",
        "Equipment</h2>",
    ];
    in_order(&blank, &[&common[..], &more].concat());
    assert!(page.contains("<br>lasted ") && blank.contains("from<br>to<br>lasted"), "{page}");
    // The ways to prepare a sample together, in the order of work.
    in_order(
        &blank,
        &["Preparation</h2>", "Reduce<", "Moisture<", "Temper<", "Tins<", "Dry<", "before drying<"],
    );
    rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn figures_are_shown_in_the_units_of_the_settings_and_published_as_they_were_read() {
    use crate::domain::quantity::Unit;
    use crate::domain::units::Wish;
    let rig = Rig::new().await;
    let sample = rig.sample("S-17").await;
    rig.whole_test(&sample, 1).await;
    let units = Units { length: Wish::In(Unit::Millimetre), ..Units::default() };
    let app = app_until(AppState { units, ..rig.state.clone() }, rig.cancel.clone());
    let rig = Rig { app, ..rig };
    let published = rig.newest("record").await;
    let id = published["id"].as_str().unwrap();
    // 8.0 in. are 203.2 mm: an inch is 25.4 mm.
    assert_eq!(published["data"]["readings"]["clay"]["text"], "8.0");
    let shown = rig.get(&format!("/documents/{id}/shown")).await.json();
    assert_eq!(shown["data"]["readings"]["clay"]["shown"], json!({ "text": "203.2", "unit": "mm" }));
    let page = rig.report(&sample).await;
    assert!(page.contains("203.2 mm (8.0 in)"), "{page}");
    assert!(page.contains("Lengths in mm, converted; the published documents keep the units"), "{page}");
    rig.end().await;
}
