//! What the person who sets up a station is told. Every assertion is on the text that is read.

mod outputs;

use super::*;
use std::collections::BTreeMap;
use std::fs;
use std::net::SocketAddr;

/// A folder of its own for one test, gone afterwards.
struct Scratch(PathBuf);

impl Scratch {
    fn new(name: &str) -> Self {
        let folder = std::env::temp_dir().join(format!("stillstand-settings-{}-{name}", std::process::id()));
        fs::create_dir_all(folder.join("methods")).unwrap();
        fs::create_dir_all(folder.join("shapes")).unwrap();
        fs::write(folder.join("methods/one.toml"), "").unwrap();
        fs::write(folder.join("shapes/printer.toml"), "").unwrap();
        Self(folder)
    }

    fn file(&self, text: &str) -> PathBuf {
        let file = self.0.join("lab.toml");
        fs::write(&file, text).unwrap();
        file
    }

    /// What is said of a file and some variables.
    fn told(&self, text: &str, env: &[(&str, &str)]) -> Vec<String> {
        let file = self.file(text);
        let error = load(Some(&file), vars(env)).unwrap_err().to_string();
        error.replace(&format!("{}/", self.0.display()), "").lines().map(str::to_owned).collect()
    }

    /// Settings whose folders exist, with one change.
    fn checked(&self, change: impl FnOnce(&mut Settings)) -> Vec<String> {
        let file =
            self.file("[station]\nmethods = \"methods\"\nshapes = \"shapes\"\n[journal]\npath = \"j\"\n");
        let mut settings = load(Some(&file), vars(&[])).unwrap();
        change(&mut settings);
        check(&settings)
            .iter()
            .map(|fault| fault.to_string().replace(&format!("{}/", self.0.display()), ""))
            .collect()
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn vars(env: &[(&str, &str)]) -> impl Iterator<Item = (String, String)> {
    env.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect::<Vec<_>>().into_iter()
}

#[test]
fn the_shipped_defaults_load_by_themselves() {
    let settings = load(None, vars(&[("PATH", "/bin"), ("STILLSTAND_LOG", "debug")])).unwrap();
    assert!(settings.bench.places >= 8);
    assert!(settings.web.listen.ip().is_loopback());
    assert!(settings.network.is_none() && settings.instruments.is_empty() && settings.triggers.is_empty());
    assert_eq!(settings.station.methods, Path::new("config/methods"));
    // A time-out of 30 s is what the alarm's on-delay is by default.
    assert_eq!(settings.bench.temperature_alarm_s, 30);
}

#[test]
fn the_examples_in_the_shipped_comments_are_settings_that_load() {
    let scratch = Scratch::new("examples");
    let from = SHIPPED.find("# [laboratory]").unwrap();
    let examples: Vec<_> = SHIPPED[from..]
        .lines()
        .filter_map(|line| line.strip_prefix("# "))
        .filter(|line| line.starts_with('[') || line.contains(" = ") || line.starts_with("# "))
        .collect();
    let settings = load(Some(&scratch.file(&examples.join("\n"))), vars(&[])).unwrap();
    assert_eq!(settings.instruments.len(), 3);
    let balance = &settings.instruments["balance"];
    assert_eq!(balance.readability().unwrap().unwrap().step().to_string(), "0.01 g");
    let correction = settings.instruments["probe"].correction().unwrap().unwrap();
    assert_eq!(correction.certificate().number, "K-0417");
    assert_eq!(settings.triggers["shaker"].gpio.as_ref().unwrap().line, "17");
    assert_eq!(settings.laboratory.unwrap().address, ["4 Kiln Lane", "Ostrow Mills"]);
    assert_eq!(settings.network.unwrap().window, 64);
}

#[test]
fn the_file_wins_over_the_defaults_and_the_environment_over_both() {
    let scratch = Scratch::new("layers");
    let file = scratch.file("[station]\nid = \"north\"\ntitle = \"North\"\n[bench]\nplaces = 12\n");
    let env = [
        ("STILLSTAND_STATION__ID", "0042"),
        ("STILLSTAND_BENCH__SHAKER_HOLDS", "2"),
        ("STILLSTAND_TRIGGERS__FOOT__DOES", "next"),
        ("STILLSTAND_TRIGGERS__FOOT__GPIO__CHIP", "/dev/gpiochip0"),
        ("STILLSTAND_TRIGGERS__FOOT__GPIO__LINE", "17"),
        ("STILLSTAND_TRIGGERS__FOOT__GPIO__ACTIVE_LOW", "true"),
        ("STILLSTAND_NETWORK__HOST", "broker.example"),
    ];
    let settings = load(Some(&file), vars(&env)).unwrap();
    assert_eq!(settings.station.id, "0042", "a text stays a text");
    assert_eq!(settings.station.title, "North");
    assert_eq!((settings.bench.places, settings.bench.shaker_holds), (12, 2));
    let gpio = settings.triggers["foot"].gpio.clone().unwrap();
    assert_eq!((gpio.line.as_str(), gpio.active_low, gpio.debounce_ms), ("17", true, 10));
    // 1883 is the port registered for MQTT without TLS (OASIS MQTT 5.0, section 4.2).
    assert_eq!(settings.network.unwrap().port, 1883);
}

#[test]
fn an_unknown_key_is_told_with_file_line_key_and_the_known_keys() {
    let scratch = Scratch::new("unknown");
    let told = scratch.told(
        "[bench]\nplaces = 4\nplacez = 5\n\n[web]\nlisten = \"127.0.0.1:80\"\ncolour = true\n[wep]\nx = 1\n",
        &[],
    );
    assert_eq!(
        told,
        [
            "lab.toml:3: `bench.placez`: is not a known key; known here: `places`, `shaker-holds`, `foot`, \
             `approach-s`, `temperature-stale-s`, `temperature-alarm-s`, `temperature-idle-s`, `probe-stands-in`, `room-every-s`, `room-stale-s`, `deviations`, `precision`, `charts`, `uncertainty`, `qualification`, `review`, `own-work`, `sign-on`, `sign-on-hours`",
            "lab.toml:7: `web.colour`: is not a known key; known here: `listen`, `language`, `name`, `tls`, `sign-on`",
            "lab.toml:8: `wep`: is not a known key; known here: `station`, `bench`, `journal`, `web`, `units`, `labels`, `laboratory`, `reports`, `network`, \
             `keeping`, `instruments`, `triggers`, `outputs`",
        ]
    );
}

#[test]
fn wrong_values_are_told_all_at_once_with_their_lines() {
    let scratch = Scratch::new("values");
    let text = "[bench]\nplaces = \"many\"\nprobe-stands-in = \"bucket\"\n[web]\nlisten = \"here\"\n\
                [network]\nhost = \"b\"\nport = 70000\n[instruments.main]\nkind = \"scale\"\nport = \"/dev/x\"\n\
                shape = \"printer\"\n[triggers.foot]\nplace = 1\n[triggers.hand]\ndoes = \"next\"\nplace = -1\n";
    assert_eq!(
        scratch.told(text, &[]),
        [
            "lab.toml:2: `bench.places`: found the text \"many\", expected a whole number from 0 to 4294967295",
            "lab.toml:3: `bench.probe-stands-in`: found `bucket`, expected `bottle` or `dummy-cylinder`",
            "lab.toml:5: `web.listen`: is no address with a port, such as 127.0.0.1:8017",
            "lab.toml:8: `network.port`: found the number `70000`, expected a whole number from 0 to 65535",
            "lab.toml:10: `instruments.main.kind`: found `scale`, expected `balance`, `solution-probe`, `room-probe`",
            "lab.toml:13: `triggers.foot.does`: is missing here and has no default",
            "lab.toml:17: `triggers.hand.place`: found the number `-1`, expected a whole number from 0 to 4294967295",
        ]
    );
}

#[test]
fn a_section_that_is_no_table_is_told() {
    let scratch = Scratch::new("table");
    assert_eq!(
        scratch.told("web = 3\n", &[]),
        ["lab.toml:1: `web`: found the number `3`, expected a table of settings"]
    );
}

#[test]
fn what_is_no_toml_is_told_with_its_line() {
    let scratch = Scratch::new("syntax");
    let told = scratch.told("[station]\nid = \"a\"\nid = \"b\"\n", &[]);
    assert_eq!(told.len(), 1);
    assert!(told[0].starts_with("lab.toml:3: `syntax`: found duplicate key at `id = \"b\"`"), "{told:?}");
    let told = scratch.told("[station\n", &[]);
    assert!(told[0].starts_with("lab.toml:1: `syntax`: found unclosed table"), "{told:?}");
}

#[test]
fn a_typo_is_shown_where_it_stands_with_what_may_stand_there() {
    let scratch = Scratch::new("typos");
    let told = |text: &str| scratch.told(text, &[]).join("\n");
    let bare = told("[station]\nid = bench-1\n");
    assert!(bare.contains("lab.toml:2: ") && bare.contains("`bench-1`"), "{bare}");
    assert!(bare.contains("a text in double quotes"), "{bare}");
    let half = told("[bench]\napproach-s = 1.5\n");
    assert!(half.contains("found the number `1.5`, expected a whole number"), "{half}");
    // A key may be empty or hold anything; it is still seen in the message.
    let nameless = told("\"\" = 1\n[bench]\n\"no such key\" = 2\n");
    assert!(nameless.contains("lab.toml:1: `\"\"`: "), "{nameless}");
    assert!(nameless.contains("lab.toml:3: `bench.\"no such key\"`: "), "{nameless}");
}

#[test]
fn a_typo_within_an_array_is_told_by_the_arrays_key() {
    let scratch = Scratch::new("within");
    let file = "[instruments.probe]\nkind = \"solution-probe\"\nport = \"p\"\nshape = \"s\"\n\
        [instruments.probe.correction]\ncertificate = \"K-1\"\ndate = \"2026-03-01\"\nunit = \"Cel\"\n\
        points = [{ reading = \"15.00\", correction = \"-0.08\" }, { reAding = \"30.00\", correction = \"-0.12\" }]\n";
    let told = scratch.told(file, &[]);
    assert_eq!(told.len(), 1, "{told:?}");
    for part in [":9: `instruments.probe.correction.points`", "reAding", "reading"] {
        assert!(told[0].contains(part), "{part}: {told:?}");
    }
}

#[test]
fn faults_of_the_environment_name_the_variable() {
    let scratch = Scratch::new("environment");
    let env = [
        ("STILLSTAND_BENCH__PLACES", "many"),
        ("STILLSTAND_BENCH__PROBE_STANDS_IN", "bucket"),
        ("STILLSTAND_BENCH__SHAKER", "2"),
        ("STILLSTAND_INSTRUMENTS__MAIN__KIND", "balance"),
        ("STILLSTAND_NETWORK__HOST", "b"),
        ("STILLSTAND_NETWORK__PORT", "70000"),
        ("STILLSTAND_STATION_ID", "one underscore too few"),
        ("STILLSTAND_STATION____ID", "two too many"),
        ("STILLSTAND_TRIGGERS__FOOT__GPIO__CHIP", "c"),
        ("STILLSTAND_WEP__LISTEN", "x"),
    ];
    let advice = "names no setting; write the section, two underscores and the key, as in \
                  STILLSTAND_STATION__ID or STILLSTAND_BENCH__SHAKER_HOLDS";
    let told = scratch.told("", &env);
    let starts = [
        "environment variable STILLSTAND_BENCH__PLACES: `bench.places`: found the text \"many\", expected a whole".to_owned(),
        "environment variable STILLSTAND_BENCH__PROBE_STANDS_IN: `bench.probe-stands-in`: found `bucket`, expected `bottle` or".to_owned(),
        "environment variable STILLSTAND_BENCH__SHAKER: `bench.shaker`: is not a known key; known here: `places`,".to_owned(),
        "environment variable STILLSTAND_INSTRUMENTS__MAIN__KIND: `instruments.main.port`: is missing".to_owned(),
        "environment variable STILLSTAND_NETWORK__PORT: `network.port`: found the number `70000`, expected a whole".to_owned(),
        "environment variable STILLSTAND_TRIGGERS__FOOT__GPIO__CHIP: `triggers.foot.gpio.line`: is missing".to_owned(),
        "environment variable STILLSTAND_WEP__LISTEN: `wep`: is not a known key; known here: `station`,".to_owned(),
        format!("environment: `STILLSTAND_STATION_ID`: {advice}"),
        format!("environment: `STILLSTAND_STATION____ID`: {advice}"),
    ];
    for start in &starts {
        assert!(told.iter().any(|told| told.starts_with(start.as_str())), "{start}\n{told:#?}");
    }
}

#[test]
fn the_environment_can_complete_a_section_of_the_file() {
    let scratch = Scratch::new("complete");
    let file = scratch.file("[triggers.foot]\nplace = 1\n");
    let settings = load(Some(&file), vars(&[("STILLSTAND_TRIGGERS__FOOT__DOES", "next")])).unwrap();
    assert_eq!(settings.triggers["foot"].place, Some(1));
}

#[test]
fn numbers_in_the_environment_are_plain_digits() {
    for odd in ["0x10", "1_0", "+5", " 5", "on", "1.0", ""] {
        let error = load(None, vars(&[("STILLSTAND_BENCH__PLACES", odd)])).unwrap_err().to_string();
        assert!(error.contains("STILLSTAND_BENCH__PLACES: `bench.places`: found"), "{odd}: {error}");
    }
}

#[test]
fn the_environment_of_this_process_is_seen() {
    let folder = ("CARGO_MANIFEST_DIR".to_owned(), env!("CARGO_MANIFEST_DIR").to_owned());
    assert!(process_environment().any(|variable| variable == folder));
}

#[test]
fn a_file_of_nothing_but_brackets_or_dots_is_told() {
    let scratch = Scratch::new("deep");
    for text in [
        "a = ".to_owned() + &"[".repeat(100_000),
        "a.".repeat(100_000) + "b = 1",
        format!("[{}b]", "a.".repeat(100_000)),
    ] {
        assert!(!scratch.told(&text, &[]).is_empty());
    }
}

#[test]
fn a_file_that_cannot_be_read_is_told_by_its_path() {
    let error = load(Some(Path::new("/nowhere/lab.toml")), vars(&[])).unwrap_err().to_string();
    assert!(error.starts_with("cannot read the settings file /nowhere/lab.toml: No such file"), "{error}");
}

#[test]
fn relative_paths_start_at_the_file_that_names_them() {
    let scratch = Scratch::new("paths");
    let file = scratch.file(
        "[station]\nmethods = \"methods\"\nshapes = \"/srv/shapes\"\n\
         [network]\nhost = \"b\"\nuser = \"u\"\npassword-file = \"secret\"\n",
    );
    let settings = load(Some(&file), vars(&[])).unwrap();
    assert_eq!(settings.station.methods, scratch.0.join("methods"));
    assert_eq!(settings.station.shapes, Path::new("/srv/shapes"));
    assert_eq!(settings.network.unwrap().password_file, Some(scratch.0.join("secret")));
    // What the defaults or the environment name starts at the working directory.
    assert_eq!(settings.journal.path, Path::new("stillstand.sqlite"));
    let settings = load(Some(&file), vars(&[("STILLSTAND_STATION__METHODS", "mine")])).unwrap();
    assert_eq!(settings.station.methods, Path::new("mine"));
}

#[test]
fn settings_that_make_sense_pass_the_check() {
    assert_eq!(Scratch::new("sense").checked(|_| {}), Vec::<String>::new());
}

#[test]
fn every_kind_of_nonsense_is_told() {
    let scratch = Scratch::new("nonsense");
    let told = scratch.checked(|settings| {
        settings.station.id = "Nord 1".into();
        settings.station.time_zone = "Europe/Atlantis".into();
        settings.bench.places = 65;
        settings.bench.shaker_holds = 0;
        settings.web.listen = SocketAddr::from(([0, 0, 0, 0], 8017));
        settings.station.shapes = scratch.0.join("none");
        settings.journal.path = scratch.0.join("none/journal");
    });
    let starts = [
        "settings: `station.id`: `Nord 1` cannot be a topic; use 1 to 32 lower-case letters, digits and hyphens",
        "settings: `station.time-zone`: this machine knows no time zone `Europe/Atlantis`; use an IANA name",
        "settings: `bench.places`: 65 places; a bench has 1 to 64",
        "settings: `bench.shaker-holds`: 0 cylinders; the shaker holds at least 1",
        "settings: `station.shapes`: cannot read the folder none: No such file",
        "settings: `journal.path`: there is no folder none; make it first",
        "settings: `web.listen`: 0.0.0.0:8017 can be reached from other machines: set `web.tls` (certificate and \
         key) and `web.sign-on` (accounts) and `web.name` (what browsers call the station) as \
         docs/installer.md shows, or use 127.0.0.1:8017 or [::1]:8017",
    ];
    assert_eq!(told.len(), starts.len(), "{told:#?}");
    for (told, start) in told.iter().zip(starts) {
        assert!(told.starts_with(start), "{told}\n{start}");
    }
}

#[test]
fn instruments_and_triggers_must_fit_the_bench() {
    let scratch = Scratch::new("fit");
    let file = scratch.file(
        "[station]\nmethods = \"methods\"\nshapes = \"shapes\"\n[journal]\npath = \"j\"\n\
         [instruments.a]\nkind = \"balance\"\nport = \"/dev/ttyS0\"\nshape = \"printer\"\n\
         [instruments.b]\nkind = \"balance\"\nport = \"/dev/ttyS0\"\nshape = \"../shapes/printer\"\n\
         [triggers.Foot]\ndoes = \"next\"\nplace = 9\n[triggers.g1]\ndoes = \"next\"\n\
         gpio = { chip = \"c\", line = \"1\" }\n[triggers.g2]\ndoes = \"next\"\nplace = 0\n\
         gpio = { chip = \"c\", line = \"1\" }\n",
    );
    let told: Vec<_> = check(&load(Some(&file), vars(&[])).unwrap())
        .iter()
        .map(|fault| format!("{}: {}", fault.key, fault.what))
        .collect();
    let starts = [
        "instruments.b.port: /dev/ttyS0 is the port of `a` already",
        "instruments.b.shape: there is no shape file",
        "triggers.Foot: `Foot` cannot be the name of a trigger; use 1 to 32",
        "triggers.Foot.place: there is no place 9; `bench.places` is 8",
        "triggers.g2.place: there is no place 0",
        "triggers.g2.gpio.line: line 1 of c is that of `g1` already",
    ];
    assert_eq!(told.len(), starts.len(), "{told:#?}");
    for (told, start) in told.iter().zip(starts) {
        assert!(told.starts_with(start), "{told}\n{start}");
    }
}

#[test]
fn the_password_must_be_readable_and_there() {
    let scratch = Scratch::new("password");
    let network = |file: &str| model::Network {
        host: "b".into(),
        port: 1883,
        user: Some("u".into()),
        password_file: Some(scratch.0.join(file)),
        keep_alive_s: 30,
        window: 16,
        protocol: model::Protocol::Five,
        resend_minutes: 30,
        tls: None,
        follow: Vec::new(),
        consumers: BTreeMap::new(),
    };
    fs::write(scratch.0.join("good"), "secret\n").unwrap();
    fs::write(scratch.0.join("empty"), "\nsecret").unwrap();
    assert!(scratch.checked(|settings| settings.network = Some(network("good"))).is_empty());
    let told = scratch.checked(|settings| settings.network = Some(network("empty")));
    assert_eq!(told, ["settings: `network.password-file`: empty: the first line is empty"]);
    let told = scratch.checked(|settings| settings.network = Some(network("none")));
    assert_eq!(told.len(), 1);
    assert!(
        told[0].starts_with("settings: `network.password-file`: cannot read none: No such file"),
        "{told:?}"
    );
    assert!(!told[0].contains("secret"));
}

#[test]
fn folders_without_files_are_told() {
    let scratch = Scratch::new("empty");
    fs::remove_file(scratch.0.join("methods/one.toml")).unwrap();
    let told = scratch.checked(|_| {});
    assert_eq!(told, ["settings: `station.methods`: the folder methods holds no file `*.toml`"]);
    let told = load_methods(&scratch.0.join("methods")).unwrap_err();
    assert!(
        told[0].to_string().ends_with("methods: the folder holds no method file `*.toml`"),
        "{}",
        told[0]
    );
}

#[test]
fn methods_of_a_folder_come_by_name_or_with_the_faults_of_all_files() {
    let scratch = Scratch::new("methods");
    let folder = scratch.0.join("methods");
    fs::remove_file(folder.join("one.toml")).unwrap();
    let good = include_str!("../../config/methods/aashto-t176-mechanical.toml");
    fs::write(folder.join("b.toml"), good.replacen("aashto-t176-mechanical", "b", 1)).unwrap();
    fs::write(folder.join("a.toml"), good.replacen("aashto-t176-mechanical", "a", 1)).unwrap();
    fs::write(folder.join("notes.txt"), "not a method").unwrap();
    let ids: Vec<_> = load_methods(&folder).unwrap().into_iter().map(|method| method.id).collect();
    assert_eq!(ids, ["a", "b"]);
    fs::write(folder.join("c.toml"), "id = 3\n").unwrap();
    fs::write(folder.join("d.toml"), [0xff, 0xfe]).unwrap();
    let told: Vec<_> = load_methods(&folder).unwrap_err().iter().map(ToString::to_string).collect();
    assert!(
        told.iter().any(|told| told.contains("c.toml:1: `id`: found the number 3, expected a text")),
        "{told:#?}"
    );
    assert!(told.iter().any(|told| told.contains("d.toml: cannot read the method file")), "{told:#?}");
}

#[test]
fn the_foot_of_the_bench_must_be_known_to_a_method() {
    let methods = load_methods(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/config/methods"))).unwrap();
    let mut settings = load(None, vars(&[])).unwrap();
    assert!(check_methods(&settings, &methods).is_empty());
    settings.bench.foot = "left".into();
    let told = check_methods(&settings, &methods);
    assert_eq!(
        told[0].to_string(),
        "settings: `bench.foot`: no method knows the foot `left`; they know `guide-cap`, `indicator`, `plunger`"
    );
}

proptest::proptest! {
    #[test]
    fn no_file_and_no_variable_panics(
        text in "([a-z.\\[\\]{}=\"#0-9\n -]|bench|station|\\[network\\]\n|places = |triggers|does|\"next\"){0,60}",
        name in "(STATION|BENCH|TRIGGERS|WEB|A)(__|_)(ID|PLACES|LISTEN|X)(__Y)?",
        value in "([0-9]{1,3}|true|next|127.0.0.1:1|.{0,6})",
    ) {
        let variable = environment::variables(vars(&[(&format!("STILLSTAND_{name}"), &value)])).0;
        let faults = layers::faults(SHIPPED, layers::File { name: "f", text: &text }, &variable);
        let lines = text.lines().count() + 1;
        if faults.is_empty() {
            // What the strict look lets through, the layering takes.
            layered(&text, &variable).unwrap();
        }
        for fault in faults {
            // A fault is in the file or names the variable; the defaults are never to blame.
            let line = fault.place.strip_prefix("f:").map(|line| line.parse::<usize>().unwrap());
            let named = fault.place.starts_with("environment variable STILLSTAND_");
            assert!(named || line.is_some_and(|line| (1..=lines).contains(&line)), "{fault}");
        }
    }
}

#[test]
fn what_the_settings_say_of_an_instrument_is_checked_with_its_key() {
    let scratch = Scratch::new("instrument");
    let told = |kind: &str, more: &str| {
        let text = format!(
            "[instruments.main]\nkind = \"{kind}\"\nport = \"/dev/a\"\nshape = \"printer\"\n{more}\n"
        );
        let settings = load(Some(&scratch.file(&text)), vars(&[])).unwrap();
        let of = |key: &str| key.starts_with("instruments.main");
        scratch
            .checked(|into| into.instruments = settings.instruments)
            .into_iter()
            .filter_map(|fault| {
                fault.split('`').nth(1).filter(|key| of(key)).map(|key| key.to_owned() + ": " + &fault)
            })
            .collect::<Vec<_>>()
    };
    let correction = |rest: &str| {
        format!(
            "[instruments.main.correction]\ncertificate = \"K 1\"\ndate = \"2026-03-01\"\nunit = \"Cel\"\n{rest}"
        )
    };
    let good =
        "points = [{ reading = \"15\", correction = \"0.1\" }, { reading = \"30\", correction = \"0.2\" }]";
    assert_eq!(told("solution-probe", &correction(good)), Vec::<String>::new());
    assert_eq!(told("room-probe", &correction("offset = \"-0.12\"")), Vec::<String>::new());
    assert_eq!(told("balance", "readability = \"0.01 g\""), Vec::<String>::new());
    for (kind, more, key) in [
        ("balance", "readability = \"0.01\"".to_owned(), "readability"),
        ("balance", "readability = \"0 g\"".to_owned(), "readability"),
        ("balance", "readability = \"0.1 Cel\"".to_owned(), "readability"),
        ("solution-probe", "readability = \"0.1 g\"".to_owned(), "readability"),
        ("solution-probe", correction(""), "correction.offset"),
        ("solution-probe", correction(&format!("offset = \"0\"\n{good}")), "correction.offset"),
        ("solution-probe", correction("offset = \"-0,12\""), "correction.offset"),
        ("solution-probe", correction("points = []"), "correction.points"),
        ("solution-probe", correction(&good.replace("30", "15")), "correction.points"),
        ("solution-probe", correction("offset = \"1\"").replace("03-01", "02-30"), "correction.date"),
        ("solution-probe", correction("offset = \"1\"").replace("K 1", " "), "correction.certificate"),
        ("balance", correction("offset = \"1\""), "correction.unit"),
    ] {
        let told = told(kind, &more);
        assert_eq!(told.len(), 1, "{more}: {told:#?}");
        assert!(told[0].starts_with(&format!("instruments.main.{key}: ")), "{more}: {told:#?}");
    }
}

#[test]
fn off_loopback_each_thing_that_is_missing_is_named() {
    let tls = "[web.tls]\ncertificate-file = \"a.pem\"\nkey-file = \"a.key\"\n";
    let accounts = "[web.sign-on]\naccounts-file = \"accounts.toml\"\n";
    let web = |head: &str, more: &[&str]| {
        let settings = read("b.toml", &format!("[web]\n{head}\n{}", more.concat()), None, std::iter::empty());
        let told: Vec<_> = check(&settings.unwrap()).iter().map(ToString::to_string).collect();
        told.into_iter().filter(|told| told.contains("`web.")).collect::<Vec<_>>()
    };
    let (open, name) = ("listen = \"[::]:8017\"", "\nname = \"bench-1.lab.example\"");
    let named = format!("{open}{name}");
    for (head, more, missing) in [
        (&named, vec![accounts], vec!["web.tls", "web.sign-on`: needs"]),
        (&named, vec![tls], vec!["web.sign-on"]),
        (&open.to_owned(), vec![tls, accounts], vec!["web.name"]),
    ] {
        let told = web(head, &more);
        assert_eq!(told.len(), missing.len(), "{told:?}");
        for (told, missing) in told.iter().zip(missing) {
            assert!(told.contains(missing), "{told}");
        }
    }
    assert_eq!(web(&named, &[tls, accounts]), Vec::<String>::new());
    assert_eq!(web("language = \"en\"", &[]), Vec::<String>::new(), "on loopback as before");
    // A password in the open is refused at the bench's own screen too.
    assert!(web("language = \"en\"", &[accounts])[0].contains("web.tls"));
    for (key, words) in
        [("idle-minutes = 0", "1 to 1440"), ("hours = 169", "1 to 168"), ("screen-hours = 0", "1 to 168")]
    {
        let told = web(&named, &[tls, accounts, key, "\n"]);
        assert!(told.len() == 1 && told[0].contains(words), "{told:?}");
    }
    for wrong in ["https://bench-1.lab.example", "bench-1:8017", "Bench 1", "", "[::1"] {
        let told = web(&format!("{open}\nname = \"{wrong}\""), &[tls, accounts]);
        assert!(told.len() == 1 && told[0].contains("no name of a machine"), "{wrong}: {told:?}");
    }
}
