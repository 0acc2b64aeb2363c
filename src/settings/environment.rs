//! Settings from environment variables: `STILLSTAND_BENCH__SHAKER_HOLDS` is `bench.shaker-holds`.

use super::fault::SettingsFault;

/// What every variable begins with.
const PREFIX: &str = "STILLSTAND_";

/// Variables of the program that are no settings: which file to read, and how much to log.
pub const NOT_SETTINGS: [&str; 2] = ["STILLSTAND_SETTINGS", "STILLSTAND_LOG"];

/// The variables of this process, for [`super::load`]. What is no Unicode is kept with replacement
/// characters, so that a foreign variable of that kind stops nothing.
pub fn process_environment() -> impl Iterator<Item = (String, String)> {
    std::env::vars_os()
        .map(|(name, value)| (name.to_string_lossy().into_owned(), value.to_string_lossy().into_owned()))
}

/// A variable that names a key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Variable {
    pub(super) name: String,
    pub(super) path: Vec<String>,
    pub(super) value: String,
}

impl Variable {
    /// The name that the layering sees: hyphens where the file has them.
    pub(super) fn layered_name(&self) -> String {
        format!("{PREFIX}{}", self.path.join("__"))
    }
}

/// Our variables, by name, and what is wrong with those that name no key.
pub(super) fn variables(env: impl Iterator<Item = (String, String)>) -> (Vec<Variable>, Vec<SettingsFault>) {
    let mut ours: Vec<_> =
        env.filter(|(name, _)| name.starts_with(PREFIX) && !NOT_SETTINGS.contains(&name.as_str())).collect();
    ours.sort();
    let (mut variables, mut faults) = (Vec::new(), Vec::new());
    for (name, value) in ours {
        match path(&name) {
            Some(path) => variables.push(Variable { name, path, value }),
            None => faults.push(SettingsFault {
                place: "environment".to_owned(),
                key: name,
                what: "names no setting; write the section, two underscores and the key, as in \
                       STILLSTAND_STATION__ID or STILLSTAND_BENCH__SHAKER_HOLDS"
                    .to_owned(),
            }),
        }
    }
    (variables, faults)
}

/// `STILLSTAND_A__B_C` is `["a", "b-c"]`. A key needs a section, and no part may be empty.
fn path(name: &str) -> Option<Vec<String>> {
    let parts: Vec<_> = name
        .strip_prefix(PREFIX)?
        .split("__")
        .map(|part| part.to_ascii_lowercase().replace('_', "-"))
        .collect();
    let sound = |part: &String| {
        !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-')
    };
    (parts.len() > 1 && parts.iter().all(sound)).then_some(parts)
}
