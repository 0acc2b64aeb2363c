//! What becomes of records after the bench: found, written to files, kept, removed.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;
#[path = "common/years.rs"]
mod years;

use common::site::{Site, settings};
use common::{Ended, Folder, PROGRAM, program};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use stillstand::journal::{ClosedWanted, Reader, chain, verify};
use years::Template;

const DAY_NS: i64 = 86_400_000_000_000;
const YEAR_NS: i64 = 365 * DAY_NS;

/// SHA-256, as people write it.
fn digest(bytes: &[u8]) -> String {
    chain::hex(&chain::sha256(bytes))
}

fn now_ns() -> i64 {
    i64::try_from(jiff::Timestamp::now().as_nanosecond()).unwrap()
}

/// A rehearsal's journal, to be written again as years of work.
async fn template(name: &str) -> (Folder, Template) {
    let folder = Folder::new(name);
    let out = folder.path().to_str().unwrap();
    let played =
        program(&["rehearse", "--once", "--pace", "600", "--listen", "127.0.0.1:0", "--out", out]).await;
    assert_eq!(played.code, 0, "{}", played.err);
    let template = Template::read(&folder.file("journal.sqlite"));
    (folder, template)
}

async fn export(journal: &Path, out: &Path, more: &[&str]) -> Ended {
    let mut args = vec!["export", "--journal", journal.to_str().unwrap(), "--out", out.to_str().unwrap()];
    if !more.contains(&"--zone") {
        args.extend(["--zone", "America/Denver"]);
    }
    args.extend(more);
    program(&args).await
}

/// Rows of a table, by a reader that shares nothing with the program: Python's own `csv`.
fn python_reads(file: &Path) -> Vec<BTreeMap<String, String>> {
    let script = "import csv, json, sys\n\
        rows = list(csv.DictReader(open(sys.argv[1], encoding='utf-8', newline=''), strict=True))\n\
        json.dump(rows, sys.stdout)";
    let output = std::process::Command::new("python3").args(["-c", script]).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn lines(file: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(file).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn records_become_a_table_that_another_program_reads_and_the_lines_are_as_published() {
    let (folder, _) = template("export").await;
    let journal = folder.file("journal.sqlite");
    let (table, published) = (folder.file("records.csv"), folder.file("both.jsonl"));
    let ended = export(&journal, &table, &[]).await;
    assert_eq!(ended.code, 0, "{}", ended.err);
    let ended =
        export(&journal, &published, &["--what", "both", "--as", "json-lines", "--versions", "all"]).await;
    assert_eq!(ended.code, 0, "{}", ended.err);
    let digest = digest(&std::fs::read(&published).unwrap());
    assert!(ended.out.contains(&format!("SHA-256 {digest}")), "{}", ended.out);

    // As published: each line is the document that the journal holds, byte for byte.
    let reader = Reader::open(&journal).unwrap();
    let text = std::fs::read_to_string(&published).unwrap();
    let held: Vec<_> = reader.documents(0, 10_000).unwrap();
    let held: Vec<_> =
        held.iter().filter(|row| row.kind != "weighing").map(|row| row.payload.as_str()).collect();
    assert_eq!(text.lines().collect::<Vec<_>>(), held);

    // The table holds the newest version of each specimen, with the digits of the document.
    let documents: BTreeMap<String, Value> =
        lines(&published).into_iter().map(|d| (d["id"].as_str().unwrap().to_owned(), d)).collect();
    let rows = python_reads(&table);
    let specimens: std::collections::BTreeSet<_> = documents
        .values()
        .filter(|d| d["type"] == "example.stillstand.specimen.recorded.v1")
        .map(|d| d["subject"].as_str().unwrap())
        .collect();
    assert_eq!(rows.len(), specimens.len(), "one row for each specimen");
    for row in &rows {
        let document = &documents[&row["document"]];
        for (column, pointer) in [
            ("specimen", "/data/specimen/label"),
            ("clay_entered", "/data/readings/clay/entered"),
            ("sand", "/data/readings/sand/text"),
            ("made_utc", "/time"),
            ("status", "/data/status"),
        ] {
            let expected = document.pointer(pointer).and_then(Value::as_str).unwrap_or_default();
            assert_eq!(row[column], expected, "{column}");
        }
        let utc: jiff::Timestamp = row["made_utc"].parse().unwrap();
        assert_eq!(row["made_local"].parse::<jiff::Timestamp>().unwrap(), utc);
    }
    // Its description names the columns in the order of the file.
    let described: Value =
        serde_json::from_str(&std::fs::read_to_string(folder.file("records.csv-metadata.json")).unwrap())
            .unwrap();
    let names = described["tableSchema"]["columns"].as_array().unwrap();
    let names: Vec<_> = names.iter().map(|column| column["name"].as_str().unwrap()).collect();
    let written = std::fs::read_to_string(&table).unwrap();
    assert_eq!(written.split("\r\n").next().unwrap(), names.join(","));
    assert_eq!(described["url"], "records.csv");
    // And the manual says what each is.
    let manual = include_str!("../docs/integrator.md");
    for name in names {
        assert!(manual.contains(&format!("`{name}`")), "docs/integrator.md does not name the column {name}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_cannot_be_exported_is_said_and_leaves_no_file() {
    let (folder, _) = template("no-export").await;
    let (journal, out) = (folder.file("journal.sqlite"), folder.file("out.csv"));
    let long_ago = ["--from", "1999-01-01", "--to", "1999-12-31"];
    for (more, code, says) in [
        (&["--from", "2026-11-25", "--to", "2026-11-02"][..], 64, "comes before the first day"),
        (&["--from", "2026-02-30"][..], 64, "write a day like 2026-11-25"),
        (&["--zone", "Mars/Base"][..], 64, "there is no time zone `Mars/Base`"),
        (&["--what", "both"][..], 64, "a table holds one kind of document"),
        (
            &long_ago[..],
            65,
            "there are no records of these days (1999-01-01-to-1999-12-31); there are of others",
        ),
        (&["--sample", "Nobody's"][..], 65, "of a sample `Nobody's` there are no records"),
    ] {
        let ended = export(&journal, &out, more).await;
        assert_eq!(ended.code, code, "{more:?}: {}", ended.err);
        assert!(ended.err.contains(says), "{more:?}: {}", ended.err);
    }
    let left: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("out"))
        .collect();
    assert_eq!(left, [""; 0]);
    // A file is never replaced, nor is its description.
    let there = folder.write("there.csv", "a diary");
    let ended = export(&journal, &there, &[]).await;
    assert_eq!((ended.code, ended.err.contains("never replaces a file")), (73, true), "{}", ended.err);
    assert_eq!(std::fs::read_to_string(&there).unwrap(), "a diary");
    folder.write("out.csv-metadata.json", "a diary");
    assert_eq!(export(&journal, &out, &[]).await.code, 73);
    assert!(!out.exists());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn years_of_records_are_found_and_exported_over_the_page() {
    let many = std::env::var("RECORDS").ok().and_then(|n| n.parse().ok()).unwrap_or(1200);
    let (_folder, mut template) = template("found").await;
    template.spread = Some((now_ns() - 3 * YEAR_NS, 4 * 3_600_000_000_000));
    template.labelled = true;
    let site = Site::new("found", None);
    let written = template.write(&site.journal(), many, true).await;
    assert!(written.documents > written.records && written.events > written.documents);
    let bench = site.start().await;
    // The list is brought up to date in pieces; each question takes some along.
    let all = common::soon("everything is listed", async {
        loop {
            let list = bench.get("/records/list").await.json();
            if list["behind"] == 0 {
                return list;
            }
        }
    })
    .await;
    assert_eq!(all["documents"].as_array().unwrap().len(), 50);
    let first = &all["documents"][0];
    let label = first["label"].as_str().unwrap();
    let sample = first["sample"].as_str().unwrap();
    for question in [
        format!("find={}", label.to_uppercase()),
        "find=nothing-of-this-name".to_owned(),
        "kind=result&deviations=yes".to_owned(),
        "status=preliminary&method=aashto-t176-mechanical&find=ash%2042".to_owned(),
        format!("sample={}", sample.to_uppercase()),
        format!("person=nobody&sample={sample}"),
    ] {
        let begun = tokio::time::Instant::now();
        let list = bench.get(&format!("/records/list?{}", question.replace(' ', "%20"))).await.json();
        eprintln!(
            "{question}: {} found, in {:?}",
            list["documents"].as_array().unwrap().len(),
            begun.elapsed()
        );
        let any = !list["documents"].as_array().unwrap().is_empty();
        assert_eq!(any, !question.contains("nobody") && !question.contains("nothing"), "{question}");
        for document in list["documents"].as_array().unwrap() {
            if question.starts_with("sample=") {
                assert_eq!(document["sample"], sample, "{document}");
            }
            assert!(!question.starts_with("person=nobody"), "{document}");
            if question.starts_with("find=") {
                assert!(document["label"].as_str().unwrap().contains(label), "{document}");
            }
            if question.starts_with("kind=") {
                assert!(
                    document["kind"] == "result" && document["deviations"].as_u64() > Some(0),
                    "{document}"
                );
            }
        }
    }
    // A page goes on where the one before ended.
    let next = bench.get(&format!("/records/list?before={}", all["before"])).await.json();
    assert!(next["documents"][0]["number"].as_u64() < all["documents"][49]["number"].as_u64());
    files_of_a_year(&site, &bench, many, written.records).await;
    assert_eq!(bench.stop().await, 0);
}

/// A file of one year over the page is the same as by the command, and a part of all.
async fn files_of_a_year(site: &Site, bench: &common::running::Running, many: u64, records: u64) {
    let day = |ns: i64| jiff::Timestamp::from_nanosecond(ns.into()).unwrap().strftime("%Y-%m-%d").to_string();
    let (from, to) = (day(now_ns() - 3 * YEAR_NS + 10 * DAY_NS), day(now_ns() - 3 * YEAR_NS + 375 * DAY_NS));
    let file = bench.get(&format!("/records/export?what=records&from={from}&to={to}")).await;
    assert_eq!((file.status, file.kind.starts_with("text/csv")), (200, true));
    let out = site.folder.file("year.csv");
    let begun = tokio::time::Instant::now();
    let ended = export(&site.journal(), &out, &["--from", &from, "--to", &to, "--zone", "UTC"]).await;
    assert_eq!(ended.code, 0, "{}", ended.err);
    eprintln!("a year: {} in {:?}", ended.out.lines().next().unwrap(), begun.elapsed());
    assert!(std::fs::read_to_string(&out).unwrap() == file.text, "the page and the command write the same");
    let rows = python_reads(&out).len() as u64;
    assert!(rows > 0 && (rows < records || many < 1000), "{rows} of {records}");
    let described = bench.get(&format!("/records/export/description?what=records&from={from}&to={to}")).await;
    assert_eq!(described.kind, "application/csvm+json");
    assert!(described.json()["url"].as_str().unwrap().contains("-records-"));
    let nothing = bench.get("/records/export?from=1999-01-01&to=1999-12-31").await;
    assert_eq!(nothing.status, 404, "{}", nothing.text);
    let room = bench.get("/records/room").await.json();
    assert!(room["words"][0].as_str().unwrap().contains("The journal holds"), "{room}");
}

/// A station of three years whose settings keep records for one year and the rest for 40 days.
async fn old(name: &str, records: u64, acked: bool) -> Site {
    let (_folder, mut template) = template(name).await;
    let rounds = i64::try_from(template.rounds(records)).unwrap();
    template.spread = Some((now_ns() - 3 * YEAR_NS, 3 * YEAR_NS / rounds));
    let site = Site::new(name, None);
    template.write(&site.journal(), records, acked).await;
    keep(&site, 1, 40);
    site
}

fn keep(site: &Site, years: u32, days: u32) {
    let more =
        format!("[keeping]\nrecords-years = {years}\ntemperatures-days = {days}\ninputs-days = {days}\n");
    site.folder.write("stillstand.toml", &settings(&site.folder, None, &more));
}

fn removing(site: &Site, out: &Path) -> Vec<String> {
    let text = |path: &Path| path.to_str().unwrap().to_owned();
    let mut args = vec!["remove".to_owned(), "--settings".to_owned(), text(site.folder.path())];
    args.extend(["--out".to_owned(), text(out)]);
    args.extend(["--who", "Wren Alder", "--why", "the yearly removal"].map(str::to_owned));
    args
}

/// Python's recomputation of the chain; `Err` is what it found.
fn outside(journal: &Path) -> Result<String, String> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/verify_chain.py");
    let output = std::process::Command::new("python3").arg(script).arg(journal).output().unwrap();
    let said = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim().to_owned();
    if output.status.success() { Ok(said(&output.stdout)) } else { Err(said(&output.stderr)) }
}

/// Every payload of a journal by the number of its event, and of its document.
fn payloads(journal: &Path) -> (BTreeMap<u64, Option<String>>, BTreeMap<u64, String>) {
    let reader = Reader::open(journal).unwrap();
    let (mut events, mut documents) = (BTreeMap::new(), BTreeMap::new());
    loop {
        let page = reader.events(events.keys().next_back().copied().unwrap_or(0), 1000).unwrap();
        if page.is_empty() {
            break;
        }
        events.extend(page.into_iter().map(|row| (row.seq, row.payload)));
    }
    loop {
        let page = reader.documents(documents.keys().next_back().copied().unwrap_or(0), 1000).unwrap();
        if page.is_empty() {
            break;
        }
        documents.extend(page.into_iter().map(|row| (row.number, row.payload)));
    }
    (events, documents)
}

/// What stood in the journal stands there still, or in one of the files.
fn nothing_is_lost(
    before: &(BTreeMap<u64, Option<String>>, BTreeMap<u64, String>),
    journal: &Path,
    files: &[&Path],
) {
    let (mut events, mut documents) = payloads(journal);
    for line in files.iter().filter(|file| file.exists()).flat_map(|file| lines(file)) {
        if let Some(event) = line.get("event") {
            let payload = event["payload"].as_str().unwrap();
            let digest = digest(payload.as_bytes());
            assert_eq!(event["payloadSha256"], json!(digest));
            let kept = events.get_mut(&event["seq"].as_u64().unwrap()).unwrap();
            kept.get_or_insert_with(|| payload.to_owned());
        }
        if let Some(document) = line.get("document") {
            let kept = documents.get_mut(&document["number"].as_u64().unwrap()).unwrap();
            if kept.is_empty() {
                document["payload"].as_str().unwrap().clone_into(kept);
            }
        }
    }
    for (seq, payload) in &before.0 {
        assert_eq!(&events[seq], payload, "event {seq}");
    }
    for (number, payload) in &before.1 {
        assert_eq!(&documents[number], payload, "document {number}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_past_its_time_goes_into_a_file_and_out_of_a_journal_that_still_verifies() {
    let site = old("removed", 60, true).await;
    let (journal, out) = (site.journal(), site.folder.file("removed.jsonl"));
    let before = payloads(&journal);
    let settings = site.folder.path().to_str().unwrap();
    let shown = program(&["remove", "--settings", settings]).await;
    assert_eq!(shown.code, 0, "{}", shown.err);
    assert!(shown.out.contains("records 1 year, temperatures 40 days"), "{}", shown.out);
    assert!(shown.out.contains("Nothing was removed."), "{}", shown.out);
    assert_eq!(payloads(&journal), before, "to show is not to remove");

    // Not behind the back of a station at work.
    let bench = site.start().await;
    let held = program(&removing(&site, &out)).await;
    assert_eq!((held.code, held.err.contains("stop the station first")), (69, true), "{}", held.err);
    let list = bench.get("/records/list?kind=record").await.json();
    let newest = list["documents"][0]["id"].as_str().unwrap().to_owned();
    assert_eq!(bench.stop().await, 0);
    assert!(!out.exists());

    let ended = program(&removing(&site, &out)).await;
    assert_eq!(ended.code, 0, "{}\n{}", ended.out, ended.err);
    let verified = verify(&journal).unwrap();
    assert!(verified.removed > 1000 && verified.removed_documents > 50, "{verified:?}");
    assert!(outside(&journal).unwrap().starts_with(&format!("head {} ", verified.head_seq)));
    nothing_is_lost(&before, &journal, &[&out]);
    // The event says what, by whom, why, and the digest of the file.
    let digest = digest(&std::fs::read(&out).unwrap());
    let told: Value = serde_json::from_str(&verified.removals[0].payload).unwrap();
    assert_eq!(
        (&told["sha256"], &told["reason"], &told["marked"]["by"]["person"]),
        (&json!(digest), &json!("the yearly removal"), &json!("Wren Alder"))
    );
    assert_eq!(told["removed"]["documents"].as_u64(), Some(verified.removed_documents));
    // A third of three years is kept; all of what is younger than a year.
    let (events, documents) = payloads(&journal);
    assert!(documents.values().filter(|text| !text.is_empty()).count() > 20);
    let year_ago = now_ns() - YEAR_NS;
    for event in Reader::open(&journal).unwrap().events(0, 100_000).unwrap().iter().filter(|e| e.chained) {
        let moment: Value = serde_json::from_str(&event.moment).unwrap();
        let young = moment["wall_ns"].as_i64().unwrap() > year_ago;
        assert!(!young || events[&event.seq].is_some(), "event {} ({})", event.seq, event.kind);
    }
    let said = program(&["verify", journal.to_str().unwrap()]).await;
    assert!(said.out.contains("removed by rule: the text of"), "{}", said.out);

    // Once more there is nothing; a file is not made for nothing.
    let again = site.folder.file("again.jsonl");
    let nothing = program(&removing(&site, &again)).await;
    assert_eq!((nothing.code, nothing.out.contains("nothing was removed")), (0, true), "{}", nothing.out);
    assert!(!again.exists());

    // The station goes on: what is there is there, what is gone says so, nothing is asked for again.
    let bench = site.start().await;
    assert_eq!(bench.get(&format!("/documents/{newest}")).await.status, 200);
    let first = Reader::open(&journal).unwrap().document_at(1).unwrap().unwrap();
    let gone = bench.get(&format!("/documents/{}", first.id)).await;
    assert_eq!((gone.status, gone.text.contains("removed from the journal")), (410, true), "{}", gone.text);
    let kept = bench.get("/records/kept").await.json();
    assert_eq!(kept["removals"][0]["who"], "Wren Alder");
    let sample = bench.sample("After it", 1).await;
    bench.specimen(sample, 1).await;
    assert_eq!(bench.stop().await, 0);
    verify(&journal).unwrap();
    // What is left can be exported, and it says what is not there any more.
    let ended = export(&journal, &site.folder.file("left.csv"), &[]).await;
    assert!(ended.out.contains("were removed from the journal"), "{}", ended.out);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_the_network_has_not_taken_and_what_is_at_work_stays() {
    let site = old("unacked", 20, false).await;
    let (journal, out) = (site.journal(), site.folder.file("removed.jsonl"));
    let ended = program(&removing(&site, &out)).await;
    assert_eq!(ended.code, 0, "{}", ended.err);
    assert!(ended.out.contains("the network has not acknowledged document 1"), "{}", ended.out);
    let verified = verify(&journal).unwrap();
    assert_eq!(verified.removed_documents, 0);
    assert!(verified.removed > 0, "temperatures go all the same: {}", ended.out);
    let (events, documents) = payloads(&journal);
    assert!(documents.values().all(|text| !text.is_empty()));
    // What led to a document that waits stays, too: only what came before the first one may go.
    let reader = Reader::open(&journal).unwrap();
    let first = reader.document_at(1).unwrap().unwrap().made_at_ns;
    for event in reader.events(0, 10_000).unwrap().iter().filter(|event| event.chained) {
        let moment: Value = serde_json::from_str(&event.moment).unwrap();
        let stays = moment["wall_ns"].as_i64().unwrap() >= first;
        assert!(!stays || events[&event.seq].is_some(), "event {} ({})", event.seq, event.kind);
    }
}

/// The documents of a sample that are there, by their numbers.
fn whole_documents(journal: &Path, sample: &str) -> Vec<u64> {
    let (_, documents) = payloads(journal);
    let of = |text: &str| {
        let document: Value = serde_json::from_str(text).unwrap_or_default();
        document.pointer("/data/sample/id").is_some_and(|id| id == sample)
    };
    documents.into_iter().filter(|(_, text)| of(text)).map(|(number, _)| number).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_held_sample_is_found_long_after_it_left_and_nothing_of_it_goes_until_it_is_released() {
    let site = old("held", 200, true).await;
    let journal = site.journal();
    // Two samples of more than two years ago, a year from each other: far more than twelve left since.
    let reader = Reader::open(&journal).unwrap();
    let left = |ago_ns: i64| {
        let before_ns = Some(now_ns() - ago_ns);
        let wanted = ClosedWanted { from_ns: Some(0), before_ns, ..ClosedWanted::default() };
        let rows = reader.closed_page(&wanted, 200).unwrap();
        assert!(!rows.is_empty(), "no sample left the bench so long ago");
        rows[0].clone()
    };
    let (claimed, other) = (left(2 * YEAR_NS), left(2 * YEAR_NS + 300 * DAY_NS));
    let after = left(YEAR_NS + 200 * DAY_NS).id.to_string();
    let since = ClosedWanted { from_ns: Some(claimed.closed_ns + 1), ..ClosedWanted::default() };
    assert!(reader.closed_page(&since, 200).unwrap().len() > 12, "it is in sight still");
    let (sample, freed) = (claimed.id.to_string(), other.id.to_string());
    let before = whole_documents(&journal, &sample);
    assert!(before.len() > 1 && !whole_documents(&journal, &freed).is_empty());

    let bench = site.start().await;
    let hold = |reason: &str| json!({ "act": "keeping", "what": "hold", "sample": sample, "reason": reason });
    assert!(bench.refused(hold("")).await.contains("reason"));
    bench.done(hold("a claim about lot 4")).await;
    let kept = bench.get("/records/kept").await.json();
    assert_eq!(
        (&kept["holds"][0]["label"], &kept["holds"][0]["who"]),
        (&json!(claimed.label), &json!("Ash Fenn"))
    );
    assert_eq!(bench.stop().await, 0);
    let ended = program(&removing(&site, &site.folder.file("first.jsonl"))).await;
    assert_eq!(ended.code, 0, "{}\n{}", ended.out, ended.err);
    assert_eq!(whole_documents(&journal, &sample), before, "nothing of the held sample went");
    assert_eq!(whole_documents(&journal, &freed), [0; 0], "the other one's time was over");
    assert_eq!(whole_documents(&journal, &after), [0; 0], "a hold keeps one sample, and not all since");
    assert!(Reader::open(&journal).unwrap().closed(claimed.id).unwrap().is_some());

    let bench = site.start().await;
    let release = json!({ "act": "keeping", "what": "release", "sample": sample, "reason": "settled" });
    bench.done(release.clone()).await;
    assert!(bench.refused(release).await.contains("there is no held sample"));
    // The act brought it back into sight, where it stays until twelve others came after it.
    let young = ClosedWanted { from_ns: Some(now_ns() - 300 * DAY_NS), ..since };
    let young = reader.closed_page(&young, 20).unwrap();
    assert_eq!(young.len(), 20, "twelve, and those that are in sight already");
    for row in &young {
        let act =
            |what: &str| json!({ "act": "keeping", "what": what, "sample": row.id, "reason": "looked at" });
        bench.done(act("hold")).await;
        bench.done(act("release")).await;
    }
    assert_eq!(bench.stop().await, 0);
    let ended = program(&removing(&site, &site.folder.file("second.jsonl"))).await;
    assert_eq!(ended.code, 0, "{}\n{}", ended.out, ended.err);
    assert_eq!(whole_documents(&journal, &sample), [0; 0]);
    assert!(Reader::open(&journal).unwrap().closed(claimed.id).unwrap().is_none());
    verify(&journal).unwrap();
}

/// The program is killed again and again while it removes; whenever that was, the journal verifies,
/// nothing is lost, and the next removal finishes what was left.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_removal_that_is_killed_at_any_instant_leaves_the_journal_whole() {
    let site = old("killed-removal", 200, true).await;
    let journal = site.journal();
    let before = payloads(&journal);
    let files: Vec<PathBuf> = (0..12).map(|n| site.folder.file(&format!("removed-{n}.jsonl"))).collect();
    let (mut cut_off, mut begun) = (0, 0);
    for (n, file) in files.iter().enumerate() {
        let last = n + 1 == files.len();
        let mut child = tokio::process::Command::new(PROGRAM)
            .args(removing(&site, file))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .kill_on_drop(true)
            .spawn()
            .unwrap();
        if last {
            assert!(child.wait().await.unwrap().success());
        } else {
            // From before the file is written to well after the first payload has gone.
            let after = std::time::Duration::from_millis(40 * (n as u64 + 1));
            let ended = tokio::time::timeout(after, child.wait()).await;
            if ended.is_err() {
                child.kill().await.unwrap();
                cut_off += 1;
            }
        }
        let verified = verify(&journal).unwrap_or_else(|e| panic!("killed {n} times: {e}"));
        begun = begun.max(verified.removals.len());
        outside(&journal).unwrap();
        let files: Vec<&Path> = files.iter().map(PathBuf::as_path).collect();
        nothing_is_lost(&before, &journal, &files);
    }
    let verified = verify(&journal).unwrap();
    assert!(verified.removals.iter().all(|removal| removal.done), "{:?}", verified.removals);
    assert!(verified.removed > 1000 && cut_off > 0 && begun > 0, "{cut_off} cut off, {begun} told");
    let bench = site.start().await;
    assert_eq!(bench.stop().await, 0);
}
