//! The deserialiser's messages in the words of the person who edits a settings file.

/// What the deserialiser complains about.
pub(super) enum Complaint {
    /// A value is wrong.
    Text(String),
    /// A key is not known.
    Unknown(String),
    /// A key is missing in the table.
    Missing(String),
}

/// Reads a message. One that has no known shape is passed on as it is.
pub(super) fn complaint(message: &str) -> Complaint {
    if let Some(field) = message.strip_prefix("missing field `").and_then(|rest| rest.strip_suffix('`')) {
        return Complaint::Missing(field.to_owned());
    }
    if let Some((_, known)) = rest(message, "unknown field ") {
        return Complaint::Unknown(format!("is not a known key; known here: {known}"));
    }
    if let Some((found, known)) = rest(message, "unknown variant ") {
        return Complaint::Text(format!("found {found}, expected {known}"));
    }
    let pair = rest(message, "invalid type: ").or_else(|| rest(message, "invalid value: "));
    if let Some((found, expected)) = pair {
        return Complaint::Text(format!(
            "found {}, expected {}",
            plain_found(found),
            plain_expected(expected)
        ));
    }
    if message == "invalid socket address syntax" {
        return Complaint::Text("is no address with a port, such as 127.0.0.1:8017".to_owned());
    }
    Complaint::Text(message.to_owned())
}

/// What stands behind a beginning, before and after `, expected `.
fn rest<'m>(message: &'m str, beginning: &str) -> Option<(&'m str, &'m str)> {
    let (found, expected) = message.strip_prefix(beginning)?.rsplit_once(", expected ")?;
    Some((found, expected.strip_prefix("one of ").unwrap_or(expected)))
}

fn plain_found(found: &str) -> String {
    let words = [
        ("string", "the text"),
        ("integer", "the number"),
        ("floating point", "the number"),
        ("boolean ", ""),
        ("map", "a table"),
        ("sequence", "an array"),
    ];
    let plain = words.into_iter().find_map(|(word, plain)| Some((plain, found.strip_prefix(word)?)));
    plain.map_or_else(|| found.to_owned(), |(plain, rest)| format!("{plain}{rest}"))
}

fn plain_expected(expected: &str) -> &str {
    match expected {
        "u16" => "a whole number from 0 to 65535",
        "u32" => "a whole number from 0 to 4294967295",
        "a string" | "path string" | "socket address" => "a text in quotes",
        "a boolean" => "`true` or `false`",
        "a map" => "a table",
        other if other.starts_with("struct ") => "a table of settings",
        other => other,
    }
}
