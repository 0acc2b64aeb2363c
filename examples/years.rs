//! Writes years of work into a new journal: what one rehearsal left, again and again under fresh
//! identities and labels, spread over ten years up to now.
//!
//! ```sh
//! cargo run --release --example years -- rehearsed/journal.sqlite years.sqlite 100000
//! ```
//!
//! `tests/bench/lists` measures on such a journal.

#[expect(clippy::unwrap_used, reason = "shared with the tests, which stop at what they did not expect")]
#[path = "../tests/common/years.rs"]
mod years;

use anyhow::{Context, bail};
use std::path::Path;
use years::Template;

const TEN_YEARS_NS: i64 = 10 * 365 * 86_400 * 1_000_000_000;

#[tokio::main(flavor = "current_thread")]
async fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [from, to, records] = arguments.as_slice() else {
        bail!("usage: years JOURNAL-OF-A-REHEARSAL NEW-JOURNAL RECORDS");
    };
    let records = records.parse().with_context(|| format!("`{records}` is no number of records"))?;
    if Path::new(to).exists() {
        bail!("{to} is there already; nothing is written over it");
    }
    let mut template = Template::read(Path::new(from));
    let rounds = i64::try_from(template.rounds(records))?;
    let now_ns = i64::try_from(jiff::Timestamp::now().as_nanosecond())?;
    template.spread = Some((now_ns - TEN_YEARS_NS, TEN_YEARS_NS / rounds));
    template.labelled = true;
    let written = template.write(Path::new(to), records, true).await;
    println!("{} records, {} documents, {} events", written.records, written.documents, written.events);
    Ok(())
}
