//! Watches a GPIO line as the station does and prints what it reports, as JSON lines.
//!
//! ```text
//! cargo run --example gpio_edges -- CHIP LINE [active-low] [debounce=MS] [reports=N]
//! ```

use std::io::Write;
use std::sync::Arc;
use stillstand::clock::RealClock;
use stillstand::settings::model::{Bias, Gpio};
use stillstand::triggers::gpio;

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let mut words = std::env::args().skip(1);
    let (Some(chip), Some(line)) = (words.next(), words.next()) else {
        anyhow::bail!("usage: gpio_edges CHIP LINE [active-low] [debounce=MS] [reports=N]");
    };
    let mut settings = Gpio { chip, line, active_low: false, bias: Bias::AsIs, debounce_ms: 10 };
    let mut left = u64::MAX;
    for word in words {
        match word.split_once('=') {
            None if word == "active-low" => settings.active_low = true,
            Some(("debounce", ms)) => settings.debounce_ms = ms.parse()?,
            Some(("reports", n)) => left = n.parse()?,
            _ => anyhow::bail!("`{word}` is none of active-low, debounce=MS, reports=N"),
        }
    }
    let (edges, mut reports) = tokio::sync::mpsc::channel(64);
    let cancel = tokio_util::sync::CancellationToken::new();
    let task = gpio::spawn("example", settings, Arc::new(RealClock::new()?), edges, cancel.clone());
    while left > 0 {
        let Some(report) = reports.recv().await else { break };
        writeln!(std::io::stdout(), "{}", serde_json::to_string(&report)?)?;
        left -= 1;
    }
    cancel.cancel();
    task.await?;
    Ok(())
}
