//! Long runs of the simulation in `tests/simulation`: bench hours by the thousand, in memory or with
//! the journal itself, one seed after the other.
//!
//! ```sh
//! cargo run --release --example simulate -- --seed 1 --hours 1000000
//! cargo run --release --example simulate -- --seed 1 --hours 10000 --disk
//! cargo run --release --example simulate -- --seed 7 --hours 500 --seeds 2000
//! ```
//!
//! `--seeds N` runs N seeds of that many hours; `--steps N` ends after so many inputs. A broken
//! promise is told with the command that repeats it, and the exit code is 1.

#[expect(clippy::expect_used, reason = "shared with the tests, which stop at what they did not expect")]
#[path = "../tests/simulation/sim/mod.rs"]
mod sim;

use clap::Parser;
use sim::broken;
use sim::run::{Options, Planted, Sim};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

/// Simulates a bench.
#[derive(Parser)]
struct Arguments {
    /// The seed; without it that of `BENCH_SEED`, or 1.
    #[arg(long, env = "BENCH_SEED", default_value_t = 1)]
    seed: u64,
    /// Bench hours of each seed.
    #[arg(long, default_value_t = 1000)]
    hours: i64,
    /// How many seeds, from that one on.
    #[arg(long, default_value_t = 1)]
    seeds: u64,
    /// Inputs at most.
    #[arg(long)]
    steps: Option<u64>,
    /// With the journal itself, in a folder of this name or in memory.
    #[arg(long)]
    disk: bool,
    /// A fault that is planted, to see that it is noticed.
    #[arg(long, value_enum, default_value_t = Planted::Nothing)]
    planted: Planted,
}

#[expect(clippy::disallowed_methods, reason = "how long a run takes is no part of what is simulated")]
fn main() -> ExitCode {
    let arguments = Arguments::parse();
    broken::tell_panics();
    let (mut hours, mut failed, first) = (0, 0_u32, Instant::now());
    for seed in arguments.seed..arguments.seed + arguments.seeds {
        let mut options = Options::new(seed, arguments.hours);
        options.steps = arguments.steps.unwrap_or(u64::MAX);
        options.planted = arguments.planted;
        options.folder = arguments.disk.then(folder);
        let folder = options.folder.clone();
        let began = Instant::now();
        let ended = Sim::new(options).and_then(Sim::live);
        if let Some(folder) = folder {
            let _ = std::fs::remove_dir_all(folder);
        }
        match ended {
            Ok(ended) => {
                hours += ended.counts.hours;
                println!(
                    "seed {seed}: good in {:.1} s, digest {}, {:?}, {:?}, {:?}",
                    began.elapsed().as_secs_f64(),
                    ended.digest,
                    ended.counts,
                    ended.judged,
                    ended.tried
                );
            }
            Err(broken) => {
                failed += 1;
                println!("seed {seed}: BROKEN: {broken:?}");
            }
        }
    }
    let seconds = first.elapsed().as_secs_f64();
    println!("{hours} bench hours in {seconds:.1} s, {failed} seeds with a broken promise");
    ExitCode::from(u8::from(failed > 0))
}

/// Nothing here is about the power: a folder in memory, where the machine has one.
fn folder() -> PathBuf {
    let shared = PathBuf::from("/dev/shm");
    let parent = if shared.is_dir() { shared } else { std::env::temp_dir() };
    parent.join(format!("stillstand-simulated-{}", std::process::id()))
}
