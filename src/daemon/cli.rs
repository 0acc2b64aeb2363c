//! The command line.

use super::exit::Exit;
use super::{account, attempt, commands, keep, listen, reckon, remove, report};
use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Bench station for the sand equivalent test of soils and fine aggregates.
#[derive(Debug, Parser)]
#[command(name = "stillstand", version, about)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What the program can do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the station at the bench.
    Run(SettingsArgs),
    /// Run the whole station against simulated instruments, with time stepped.
    Rehearse(RehearseArgs),
    /// Recompute results of paper worksheets, exactly.
    #[command(long_about = reckon::HELP)]
    Reckon(reckon::ReckonArgs),
    /// Find out what a serial port says, and propose the settings for it.
    #[command(long_about = listen::HELP)]
    Listen(listen::ListenArgs),
    /// Check settings, methods and instrument shapes without starting anything.
    Check(SettingsArgs),
    /// Switch each horn, lamp and light on by hand.
    #[command(long_about = attempt::HELP)]
    Try(attempt::TryArgs),
    /// Keep the accounts with which people sign on at the pages.
    #[command(long_about = account::HELP)]
    Account(account::AccountArgs),
    /// Check that nothing in a journal was altered.
    Verify(VerifyArgs),
    /// Copy a journal while a station writes to it, and check the copy.
    Backup(BackupArgs),
    /// Write records or results of some days to a file for other programs.
    Export(ExportArgs),
    /// Say how large the journal is, how fast it grows and how long the disk lasts.
    Room(RoomArgs),
    /// Show what is past the time for which it is kept; with a file, a name and a reason, take it out.
    Remove(RemoveArgs),
    /// Make the report of a sample, or a blank worksheet, as a PDF.
    #[command(long_about = report::HELP)]
    Report(report::ReportArgs),
    /// Print a sheet: the pages call it.
    #[command(hide = true)]
    Print,
}

/// Arguments of `run` and `check`.
#[derive(Debug, Args)]
pub struct SettingsArgs {
    /// The settings file, or a folder that holds `stillstand.toml`.
    #[arg(
        long,
        value_name = "FILE",
        env = "STILLSTAND_SETTINGS",
        default_value = "/etc/stillstand/stillstand.toml"
    )]
    pub settings: PathBuf,
}

/// Arguments of `rehearse`.
#[derive(Debug, Args)]
pub struct RehearseArgs {
    /// Bench seconds shown in one second. It changes what people see, never what is recorded.
    #[arg(long, value_name = "N", default_value_t = 60, value_parser = clap::value_parser!(u32).range(1..=600))]
    pub pace: u32,
    /// End when the scenario is done; the last line of standard output names the file of records.
    #[arg(long)]
    pub once: bool,
    /// The same seed gives the same stimuli, moments, deviations and results.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// An MQTT 5 broker on loopback to use instead of the one built in.
    #[arg(long, value_name = "HOST:PORT", value_parser = broker)]
    pub broker: Option<Broker>,
    /// Address of the pages, on loopback; port 0 takes a free one.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8017", value_parser = loopback)]
    pub listen: std::net::SocketAddr,
    /// Folder for the journal and the records; without it, a new one under the system's temporary folder.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

/// Arguments of `verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// The journal's file.
    #[arg(value_name = "JOURNAL")]
    pub journal: PathBuf,
}

/// Arguments of `backup`.
#[derive(Debug, Args)]
pub struct BackupArgs {
    /// The journal's file. Its station may run.
    #[arg(value_name = "JOURNAL")]
    pub journal: PathBuf,
    /// File of the copy; it must not be there yet. Opened by a station, it goes on as a new journal.
    #[arg(value_name = "TO")]
    pub to: PathBuf,
}

/// Arguments of `export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Where the journal and the time zone are found, unless both are given.
    #[command(flatten)]
    pub settings: SettingsArgs,
    /// Another journal than that of the settings: a backup, say. Its station may run.
    #[arg(long, value_name = "JOURNAL")]
    pub journal: Option<PathBuf>,
    /// First day, like 2026-11-02, in the laboratory's zone; without it, from the beginning. A record
    /// belongs to the day on which its first version was made.
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// Last day, which is part of it.
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
    /// Which documents; a table holds one kind.
    #[arg(long, value_enum, default_value_t = FileWhat::Records)]
    pub what: FileWhat,
    /// A table (RFC 4180, with a CSVW description beside it), or the documents as they were published.
    #[arg(long = "as", value_enum, default_value_t = FileForm::Csv)]
    pub form: FileForm,
    /// Of an amended test its newest document, or each.
    #[arg(long, value_enum, default_value_t = FileVersions::Newest)]
    pub versions: FileVersions,
    /// Only of the sample with this label.
    #[arg(long, value_name = "LABEL")]
    pub sample: Option<String>,
    /// Another time zone than that of the settings, like Europe/Berlin.
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
    /// The file; it must not be there yet.
    #[arg(long, value_name = "FILE")]
    pub out: PathBuf,
}

/// Which documents go into a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FileWhat {
    /// Completed specimens.
    Records,
    /// Results of samples.
    Results,
    /// Both; as JSON lines only.
    Both,
}

/// The form of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FileForm {
    /// A table.
    Csv,
    /// One document on each line, byte for byte as it was published.
    JsonLines,
}

/// Which versions of a document go into a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FileVersions {
    /// The newest.
    Newest,
    /// Each that was ever made.
    All,
}

/// Arguments of `room`.
#[derive(Debug, Args)]
pub struct RoomArgs {
    /// Where the journal is found.
    #[command(flatten)]
    pub settings: SettingsArgs,
    /// Another journal than that of the settings.
    #[arg(long, value_name = "JOURNAL")]
    pub journal: Option<PathBuf>,
}

/// Arguments of `remove`.
#[derive(Debug, Args)]
pub struct RemoveArgs {
    /// Where the journal and the rules of keeping are found.
    #[command(flatten)]
    pub settings: SettingsArgs,
    /// Another journal than that of the settings.
    #[arg(long, value_name = "JOURNAL")]
    pub journal: Option<PathBuf>,
    /// The file to which all that goes is written first; it must not be there yet. Without it nothing
    /// is removed, and the station may run.
    #[arg(long, value_name = "FILE", requires = "who", requires = "why")]
    pub out: Option<PathBuf>,
    /// Who removes it.
    #[arg(long, value_name = "NAME", requires = "out")]
    pub who: Option<String>,
    /// Why.
    #[arg(long, value_name = "REASON", requires = "out")]
    pub why: Option<String>,
}

/// Where a broker listens.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Broker {
    /// Host name or address, an IPv6 address without its brackets.
    pub host: String,
    /// Port.
    pub port: u16,
}

/// A rehearsal has no accounts, so nobody from elsewhere may reach it.
fn loopback(text: &str) -> Result<std::net::SocketAddr, String> {
    let address: std::net::SocketAddr =
        text.parse().map_err(|_| "write it as ADDRESS:PORT, for example 127.0.0.1:8017")?;
    if address.ip().to_canonical().is_loopback() {
        return Ok(address);
    }
    Err("a rehearsal is shown on loopback only: 127.0.0.1 or [::1]".to_owned())
}

fn broker(text: &str) -> Result<Broker, String> {
    let (host, port) = text.rsplit_once(':').ok_or("write it as HOST:PORT, for example 127.0.0.1:1883")?;
    let port = port.parse::<u16>().ok().filter(|p| *p > 0).ok_or("the port is a number from 1 to 65535")?;
    let bare = host.strip_prefix('[').and_then(|h| h.strip_suffix(']'));
    if host.is_empty() || bare.is_none() && host.contains(':') {
        return Err("the host is a name, an IPv4 address, or an IPv6 address in brackets".into());
    }
    Ok(Broker { host: bare.unwrap_or(host).into(), port })
}

/// Reads the command line and does what it says.
pub fn main() -> Exit {
    match Cli::try_parse() {
        Ok(cli) => dispatch(cli.command),
        Err(error) => {
            // Help and version go to standard output and are no fault. A closed pipe is not either.
            let _ = error.print();
            if error.use_stderr() { Exit::Usage } else { Exit::Ok }
        }
    }
}

fn dispatch(command: Command) -> Exit {
    match command {
        Command::Reckon(args) => reckon::main(&args),
        Command::Run(args) => commands::run(&args),
        Command::Rehearse(args) => commands::rehearse(args),
        Command::Listen(args) => listen::main(&args),
        Command::Check(args) => commands::check(&args),
        Command::Try(args) => attempt::main(&args),
        Command::Account(args) => account::main(&args),
        Command::Verify(args) => commands::verify(&args),
        Command::Backup(args) => commands::backup(&args),
        Command::Export(args) => keep::export(&args),
        Command::Room(args) => keep::room(&args),
        Command::Remove(args) => remove::remove(&args),
        Command::Report(args) => report::main(&args),
        Command::Print => report::print(),
    }
}

#[cfg(test)]
mod test {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn a_broker_is_a_host_and_a_port() {
        let of = |host: &str, port| Ok(Broker { host: host.into(), port });
        assert_eq!(broker("127.0.0.1:1883"), of("127.0.0.1", 1883));
        assert_eq!(broker("[::1]:1884"), of("::1", 1884));
        assert_eq!(broker("localhost:1"), of("localhost", 1));
        for wrong in ["localhost", "localhost:0", "localhost:65536", ":1883", "::1:1883", "localhost:"] {
            assert!(broker(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_rehearsal_is_shown_on_loopback_only() {
        let parse = |address: &str| Cli::try_parse_from(["stillstand", "rehearse", "--listen", address]);
        assert!(parse("127.0.0.1:0").is_ok() && parse("[::1]:8017").is_ok());
        assert!(parse("0.0.0.0:8017").is_err() && parse("[::]:8017").is_err());
    }

    #[test]
    fn the_pace_of_a_rehearsal_has_limits() {
        let parse = |pace: &str| Cli::try_parse_from(["stillstand", "rehearse", "--pace", pace]);
        assert!(parse("1").is_ok() && parse("600").is_ok());
        assert!(parse("0").is_err() && parse("601").is_err());
    }
}
