//! The strict model of the settings file `stillstand.toml`: an unknown key is an error.

use crate::domain::bench::{BenchSettings, Does};
use crate::domain::intake::LabelSheet;
use crate::domain::reading::InstrumentKind;
use crate::domain::report::laboratory::{Laboratory, Printing};
use crate::domain::signal::Shows;
use crate::domain::units::Units;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Everything that can be set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Settings {
    /// The station.
    pub station: Station,
    /// The bench in front of it.
    pub bench: BenchSettings,
    /// The journal.
    pub journal: Journal,
    /// The pages.
    pub web: Web,
    /// In which units the pages and paper show figures.
    pub units: Units,
    /// The label printer's label.
    pub labels: LabelSheet,
    /// The laboratory, as its reports name it; absent: they say that it is not stated.
    pub laboratory: Option<Laboratory>,
    /// How reports are printed.
    pub reports: Printing,
    /// The laboratory network; absent: the station works alone and keeps what it would send.
    pub network: Option<Network>,
    /// How long what the journal holds is kept.
    pub keeping: Keeping,
    /// Balances and probes, by name.
    #[serde(default)]
    pub instruments: BTreeMap<String, Instrument>,
    /// Foot switches, buttons and contacts, by name.
    #[serde(default)]
    pub triggers: BTreeMap<String, Trigger>,
    /// Horn, lamps and the shaker's relay, by name.
    #[serde(default)]
    pub outputs: BTreeMap<String, Output>,
}

/// The station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Station {
    /// Name in topics: lower-case letters, digits and hyphens.
    pub id: String,
    /// Name for people.
    pub title: String,
    /// IANA time zone in which people see times, and by which last days of solutions end.
    pub time_zone: String,
    /// Folder of method files.
    pub methods: PathBuf,
    /// Folder of instrument shapes.
    pub shapes: PathBuf,
    /// Folder of kinds of equipment; absent: the laboratory keeps its list elsewhere.
    pub equipment: Option<PathBuf>,
    /// Folder of recipes of solutions; absent: the laboratory keeps its solutions elsewhere.
    pub solutions: Option<PathBuf>,
}

/// The journal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Journal {
    /// File of the journal.
    pub path: PathBuf,
    /// Less room than this where the journal lies is an alarm, millions of bytes; 0: never.
    pub space_low_mb: u64,
    /// A commit that takes this long is an alarm, milliseconds.
    pub slow_ms: u64,
}

/// How long what the journal holds is kept; 0: for ever. Nothing is removed by itself: `remove` does it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Keeping {
    /// Years after which records, results and weighings may be removed, with all that happened then.
    pub records_years: u32,
    /// Days after which single temperatures may be removed.
    pub temperatures_days: u32,
    /// Days after which the text of inputs may be removed.
    pub inputs_days: u32,
}

/// The pages.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Web {
    /// Address to listen on. Off loopback only with `tls`, `sign-on` and `name`.
    pub listen: SocketAddr,
    /// Language of the pages.
    pub language: Language,
    /// Name under which browsers on other machines call the station.
    pub name: Option<String>,
    /// Encryption; absent: none, and only on loopback.
    pub tls: Option<WebTls>,
    /// Accounts; absent: whoever reaches the pages may use them, and only on loopback.
    pub sign_on: Option<WebSignOn>,
}

/// Encryption of the pages: TLS 1.3.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct WebTls {
    /// The station's certificate and those between it and its authority, PEM.
    pub certificate_file: PathBuf,
    /// Its key, PEM, without a pass phrase.
    pub key_file: PathBuf,
}

/// Signing on at the pages.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct WebSignOn {
    /// The file of the accounts.
    pub accounts_file: PathBuf,
    /// Minutes without an act or an opened page after which a person is signed off.
    #[serde(default = "idle_default")]
    pub idle_minutes: u32,
    /// Hours after which a person is signed off in any case.
    #[serde(default = "hours_default")]
    pub hours: u32,
    /// Hours after which a bench screen is signed off; it has no idle end.
    #[serde(default = "hours_default")]
    pub screen_hours: u32,
    /// Who may see the room page.
    #[serde(default)]
    pub room_page: RoomPage,
}

/// Who may see the room page.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RoomPage {
    /// Whoever is signed on.
    #[default]
    SignedOn,
    /// Whoever reaches the station; nothing can be done there.
    Open,
}

/// A language that the pages come in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Language {
    /// English.
    En,
    /// Spanish.
    Es,
}

impl Language {
    /// Its tag, as BCP 47 has it.
    pub const fn tag(self) -> &'static str {
        match self {
            Self::En => "en",
            Self::Es => "es",
        }
    }
}

/// The laboratory network.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Network {
    /// Host of the MQTT broker.
    pub host: String,
    /// Its port.
    #[serde(default = "port_default")]
    pub port: u16,
    /// User, if the broker asks for one.
    pub user: Option<String>,
    /// File that holds the password, alone on its first line.
    pub password_file: Option<PathBuf>,
    /// Keepalive in seconds.
    #[serde(default = "keep_alive_default")]
    pub keep_alive_s: u16,
    /// Documents in flight without an acknowledgement.
    #[serde(default = "window_default")]
    pub window: u16,
    /// What is spoken.
    #[serde(default)]
    pub protocol: Protocol,
    /// After a broken connection and after a start, the documents acknowledged in so many minutes up
    /// to the newest acknowledgement go out again.
    #[serde(default = "resend_default")]
    pub resend_minutes: u16,
    /// Encryption; absent: none.
    pub tls: Option<Tls>,
    /// Other stations that the room's page shows, by their ids; `+`: every one that the broker knows.
    #[serde(default)]
    pub follow: Vec<String>,
    /// Consumers that are watched, with how many documents they may be behind.
    #[serde(default)]
    pub consumers: BTreeMap<String, u64>,
}

/// What is spoken with the broker.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Protocol {
    /// MQTT 5.
    #[default]
    #[serde(rename = "5")]
    Five,
    /// MQTT 3.1.1, which cannot say that the broker threw a document away.
    #[serde(rename = "3.1.1")]
    Older,
}

/// Encryption of the connection to the broker.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Tls {
    /// Certificates of the authority that signed the broker's, PEM.
    pub ca_file: PathBuf,
    /// The station's own certificate, PEM, where the broker asks for one.
    pub certificate_file: Option<PathBuf>,
    /// Its key, PEM, without a pass phrase.
    pub key_file: Option<PathBuf>,
}

/// A balance or a probe.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Instrument {
    /// What it measures.
    pub kind: InstrumentKind,
    /// Path of its serial port, best under `/dev/serial/by-id`.
    pub port: PathBuf,
    /// Name of its shape: a file in the folder of shapes, without `.toml`.
    pub shape: String,
    /// Smallest step of a balance's display, such as `0.01 g`; in place of the shape's.
    pub readability: Option<String>,
    /// The correction of its certificate.
    pub correction: Option<CorrectionSettings>,
}

/// What a certificate says is to be added to a reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CorrectionSettings {
    /// Number of the certificate.
    pub certificate: String,
    /// Day of the calibration.
    pub date: String,
    /// UCUM code of the readings' and the corrections' unit.
    pub unit: String,
    /// What is added to every reading.
    pub offset: Option<String>,
    /// What is added at each of these readings; straight lines between them.
    pub points: Option<Vec<CorrectionPoint>>,
}

/// One point of a certificate.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CorrectionPoint {
    /// What the instrument says.
    pub reading: String,
    /// What is added to it.
    pub correction: String,
}

/// A named input and what it means.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Trigger {
    /// What it does.
    pub does: Does,
    /// The place that it belongs to; without one it is shared.
    pub place: Option<u32>,
    /// Pulses of one complete cycle of the shaker, for `shaker-pulse`.
    #[serde(default = "pulses_default")]
    pub pulses_per_cycle: u32,
    /// A GPIO line; without one the trigger is the MQTT topic of its name.
    pub gpio: Option<Gpio>,
}

/// A GPIO line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Gpio {
    /// Path, name or label of the chip.
    pub chip: String,
    /// Offset or name of the line.
    pub line: String,
    /// The line is low when the switch is closed.
    #[serde(default)]
    pub active_low: bool,
    /// Resistor inside the chip that holds the line while the switch is open.
    #[serde(default)]
    pub bias: Bias,
    /// Debounce in milliseconds: by the kernel, else by the program.
    #[serde(default = "debounce_default")]
    pub debounce_ms: u32,
}

/// A named output and what it shows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Output {
    /// What it is for.
    pub shows: Shows,
    /// The place of a lamp that shows `place`.
    pub place: Option<u32>,
    /// Its line.
    pub gpio: OutputLine,
    /// What a `shaker-relay` may do.
    pub relay: Option<RelayRules>,
}

/// A GPIO line that the program drives.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct OutputLine {
    /// Path, name or label of the chip.
    pub chip: String,
    /// Offset or name of the line.
    pub line: String,
    /// The line is low when the output is on.
    #[serde(default)]
    pub active_low: bool,
    /// How the line is driven.
    #[serde(default)]
    pub drive: Drive,
}

/// How a line is driven.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Drive {
    /// High and low.
    #[default]
    PushPull,
    /// Low only; high is left to a resistor.
    OpenDrain,
    /// High only; low is left to a resistor.
    OpenSource,
}

/// What a relay in the shaker's circuit may do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RelayRules {
    /// What counts as a person's start.
    #[serde(default)]
    pub started_by: StartedBy,
    /// A start closes the relay within so many seconds, or not at all.
    #[serde(default = "start_within_default")]
    pub start_within_s: u32,
    /// It is closed for so many seconds at most, whatever the method says.
    pub longest_s: u32,
    /// Name of the trigger that counts the strokes; without strokes the relay opens.
    pub stroke: Option<String>,
}

/// What counts as a person's start of the shaker.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StartedBy {
    /// A press of a switch with a line of its own.
    #[default]
    Press,
    /// That, or the act on the page.
    PressOrPage,
}

/// A resistor inside the chip. Not every chip has them; one that has none refuses the line.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Bias {
    /// As the machine set it up.
    #[default]
    AsIs,
    /// To the supply.
    PullUp,
    /// To ground.
    PullDown,
    /// None: the wiring has its own.
    Off,
}

/// The port that the MQTT standard registers for plain connections.
const fn port_default() -> u16 {
    1883
}

const fn keep_alive_default() -> u16 {
    30
}

const fn window_default() -> u16 {
    64
}

/// As long as the widest usual interval at which a broker stores what it has (30 minutes).
const fn resend_default() -> u16 {
    30
}

const fn pulses_default() -> u32 {
    1
}

const fn start_within_default() -> u32 {
    3
}

/// Half an hour away from a screen that others pass by.
const fn idle_default() -> u32 {
    30
}

/// A shift, and what it runs over.
const fn hours_default() -> u32 {
    12
}

const fn debounce_default() -> u32 {
    10
}
