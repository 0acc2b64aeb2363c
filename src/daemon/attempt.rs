//! `try`: an installer switches each output by hand, one after the other.

use super::cli::SettingsArgs;
use super::commands::{Stop, settings_file, tell, worked};
use super::exit::Exit;
use crate::outputs::{Chips, Guarded, KernelChips};
use crate::settings;
use crate::settings::model::Output;
use clap::Args;
use std::collections::BTreeMap;
use std::io::Write;
use std::time::Duration;

/// What `try --help` says.
pub const HELP: &str = "\
Switch each horn, lamp and light of the settings on for some seconds, one after the other, and say \
which it is.

The station must not run meanwhile: it holds the lines. The relay of the shaker is left out unless \
`--relay` is given, because it starts a machine: close its guard and keep clear of it first.";

/// Before a machine starts, so that whoever stands at it can step back.
const WARNING: Duration = Duration::from_secs(5);

/// Arguments of `try`.
#[derive(Debug, Args)]
pub struct TryArgs {
    /// Where the outputs are described.
    #[command(flatten)]
    pub settings: SettingsArgs,
    /// Names of outputs; without one, all of them.
    #[arg(value_name = "NAME")]
    pub names: Vec<String>,
    /// For how many seconds each is on; the relay never for longer than its `longest-s`.
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..=30))]
    pub seconds: u32,
    /// The relay of the shaker too: the machine runs.
    #[arg(long)]
    pub relay: bool,
}

/// Tries the outputs.
pub(super) fn main(args: &TryArgs) -> Exit {
    let file = settings_file(&args.settings.settings);
    let settings = match settings::load(Some(&file), settings::process_environment()) {
        Ok(settings) => settings,
        Err(error) => {
            tell(&error.to_string().lines().map(str::to_owned).collect::<Vec<_>>());
            return Exit::Config;
        }
    };
    let faults: Vec<String> = settings::check(&settings)
        .iter()
        .map(ToString::to_string)
        .filter(|f| f.contains("`outputs"))
        .collect();
    if !faults.is_empty() {
        tell(&faults);
        return Exit::Config;
    }
    let outputs = match chosen(&settings.outputs, &args.names) {
        Ok(outputs) => outputs,
        Err(why) => {
            tell(&[why]);
            return Exit::Usage;
        }
    };
    let try_all = async {
        // A signal ends what is on; before this it would end the program with a line left as it is.
        let mut stop = match Stop::listen() {
            Ok(stop) => stop,
            Err(error) => {
                tell(&[format!("the program cannot listen for the signal to stop: {error}")]);
                return Exit::Unavailable;
            }
        };
        let mut out = std::io::stdout();
        let on = Duration::from_secs(args.seconds.into());
        let trial = Trial { chips: &KernelChips, on, relay: args.relay };
        let tried = tokio::select! {
            tried = trial.all(&outputs, &mut out) => tried,
            () = stop.told() => Ok(Vec::new()),
        };
        match tried {
            Ok(faults) if faults.is_empty() => Exit::Ok,
            Ok(faults) => {
                tell(&faults);
                Exit::Unavailable
            }
            Err(error) => {
                tell(&[format!("cannot write: {error}")]);
                Exit::Io
            }
        }
    };
    worked(try_all).unwrap_or_else(|exit| exit)
}

/// The outputs that are meant, or which of the names is none.
fn chosen(all: &BTreeMap<String, Output>, names: &[String]) -> Result<Vec<(String, Output)>, String> {
    let known = || all.keys().cloned().collect::<Vec<_>>().join(", ");
    if all.is_empty() {
        return Err("the settings have no outputs: describe them in sections `[outputs.NAME]`".to_owned());
    }
    if names.is_empty() {
        return Ok(all.iter().map(|(name, output)| (name.clone(), output.clone())).collect());
    }
    let find = |name: &String| {
        let output =
            all.get(name).ok_or_else(|| format!("there is no output `{name}`; there is: {}", known()))?;
        Ok((name.clone(), output.clone()))
    };
    names.iter().map(find).collect()
}

/// How outputs are tried.
struct Trial<'a> {
    chips: &'a dyn Chips,
    on: Duration,
    relay: bool,
}

impl Trial<'_> {
    /// Tries one after the other; gives what is wrong with those that could not be tried.
    async fn all(&self, outputs: &[(String, Output)], out: &mut impl Write) -> std::io::Result<Vec<String>> {
        let mut faults = Vec::new();
        for (name, output) in outputs {
            if output.shows.moves() && !self.relay {
                writeln!(out, "{name}: left out, because it starts the shaker; `--relay` tries it too")?;
                continue;
            }
            if let Err(why) = self.one(name, output, out).await? {
                faults.push(format!("{name}: {why}"));
            }
        }
        Ok(faults)
    }

    async fn one(
        &self,
        name: &str,
        output: &Output,
        out: &mut impl Write,
    ) -> std::io::Result<Result<(), String>> {
        let mut line = match self.chips.open(&output.gpio) {
            Ok(line) => Guarded::new(name, line),
            Err(why) => return Ok(Err(why)),
        };
        if output.shows.moves() {
            let s = WARNING.as_secs();
            writeln!(out, "{name}: in {s} s the SHAKER RUNS. Close its guard and keep clear; Ctrl-C stops")?;
            tokio::time::sleep(WARNING).await;
        }
        // The longest time of the relay holds here too.
        let longest = output.relay.as_ref().map(|relay| Duration::from_secs(relay.longest_s.into()));
        let on = longest.map_or(self.on, |longest| longest.min(self.on));
        let place = output.place.map(|place| format!(" {place}")).unwrap_or_default();
        writeln!(out, "{name} ({}{place}): on for {} s", output.shows.word(), on.as_secs())?;
        out.flush()?;
        if let Err(why) = line.set(true) {
            return Ok(Err(why));
        }
        tokio::time::sleep(on).await;
        Ok(line.set(false))
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use crate::outputs::Line;
    use crate::settings::read;
    use std::sync::{Arc, Mutex};

    /// Chips whose lines write down what they are told; one line is not there.
    #[derive(Debug, Default, Clone)]
    struct Noted(Arc<Mutex<Vec<String>>>);

    struct NotedLine(String, Noted);

    impl Chips for Noted {
        fn open(&self, line: &crate::settings::model::OutputLine) -> Result<Box<dyn Line>, String> {
            if line.line == "MISSING" {
                return Err("there is no line MISSING".to_owned());
            }
            Ok(Box::new(NotedLine(line.line.clone(), self.clone())))
        }
    }

    impl Line for NotedLine {
        fn set(&mut self, on: bool) -> Result<(), String> {
            self.1.0.lock().unwrap().push(format!("{} {on}", self.0));
            Ok(())
        }
    }

    const SETTINGS: &str = r#"
[outputs.horn]
shows = "horn"
gpio = { chip = "panel", line = "HORN" }
[outputs.lamp-2]
shows = "place"
place = 2
gpio = { chip = "panel", line = "MISSING" }
[outputs.shaker]
shows = "shaker-relay"
gpio = { chip = "panel", line = "SHAKER" }
relay = { longest-s = 60 }
"#;

    fn outputs() -> BTreeMap<String, Output> {
        read("bench.toml", SETTINGS, None, std::iter::empty()).unwrap().outputs
    }

    async fn tried(relay: bool) -> (Vec<String>, Vec<String>, String) {
        let chips = Noted::default();
        let mut out = Vec::new();
        let trial = Trial { chips: &chips, on: Duration::from_secs(2), relay };
        let all = chosen(&outputs(), &[]).unwrap();
        let faults = trial.all(&all, &mut out).await.unwrap();
        let levels = chips.0.lock().unwrap().clone();
        (levels, faults, String::from_utf8(out).unwrap())
    }

    #[tokio::test(start_paused = true)]
    async fn each_is_on_and_off_again_what_is_missing_is_said_and_the_shaker_is_left_out() {
        let (levels, faults, said) = tried(false).await;
        assert_eq!(levels, ["HORN true", "HORN false", "HORN false"]);
        assert_eq!(faults, ["lamp-2: there is no line MISSING"]);
        assert!(said.contains("horn (horn): on for 2 s") && said.contains("shaker: left out"), "{said}");
    }

    #[tokio::test(start_paused = true)]
    async fn the_shaker_runs_only_when_it_is_asked_for_and_after_a_warning() {
        let started = tokio::time::Instant::now();
        let (levels, _, said) = tried(true).await;
        assert!(levels.contains(&"SHAKER true".to_owned()), "{levels:?}");
        assert_eq!(levels.last().map(String::as_str), Some("SHAKER false"));
        assert!(said.contains("keep clear"), "{said}");
        assert!(started.elapsed() >= WARNING + Duration::from_secs(4));
    }

    #[tokio::test(start_paused = true)]
    async fn the_shaker_is_tried_for_no_longer_than_the_settings_let_it_run() {
        let mut outputs = outputs();
        outputs.retain(|name, _| name == "shaker");
        outputs.get_mut("shaker").unwrap().relay.as_mut().unwrap().longest_s = 10;
        let trial = Trial { chips: &Noted::default(), on: Duration::from_secs(30), relay: true };
        let (started, mut out) = (tokio::time::Instant::now(), Vec::new());
        trial.all(&chosen(&outputs, &[]).unwrap(), &mut out).await.unwrap();
        assert!(String::from_utf8(out).unwrap().contains("on for 10 s"));
        assert_eq!(started.elapsed().as_secs(), WARNING.as_secs() + 10);
    }

    #[test]
    fn an_unknown_name_is_told_with_those_that_there_are() {
        let why = chosen(&outputs(), &["bell".to_owned()]).unwrap_err();
        assert!(why.contains("`bell`") && why.contains("horn, lamp-2, shaker"), "{why}");
        assert!(chosen(&BTreeMap::new(), &[]).unwrap_err().contains("no outputs"));
    }
}
