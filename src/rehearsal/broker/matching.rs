//! Whether a topic matches a subscription's filter (MQTT 5, section 4.7). PURE.

/// A topic that may be published to: not empty, no wildcard, no NUL (section 4.7.3).
pub(super) fn is_topic(topic: &str) -> bool {
    !topic.is_empty() && !topic.contains(['+', '#', '\0'])
}

/// A filter that may be subscribed: wildcards stand alone on their level, `#` only at the end.
pub(super) fn is_filter(filter: &str) -> bool {
    if filter.is_empty() || filter.contains('\0') {
        return false;
    }
    let mut levels = filter.split('/').peekable();
    while let Some(level) = levels.next() {
        let wild = level.contains(['+', '#']);
        if wild && (level.len() > 1 || (level == "#" && levels.peek().is_some())) {
            return false;
        }
    }
    true
}

/// Whether `topic` matches `filter`. A filter that begins with a wildcard does not match topics
/// that begin with `$` (section 4.7.2).
pub(super) fn matches(topic: &str, filter: &str) -> bool {
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for wanted in filter.split('/') {
        if wanted == "#" {
            return true;
        }
        match levels.next() {
            Some(level) if wanted == "+" || wanted == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

#[cfg(test)]
mod test {
    use super::*;

    // The examples of MQTT 5 (OASIS, 7 March 2019), sections 4.7.1.2, 4.7.1.3 and 4.7.2.
    #[test]
    fn the_examples_of_the_standard() {
        for (topic, filter, expected) in [
            ("sport/tennis/player1", "sport/tennis/player1/#", true),
            ("sport/tennis/player1/ranking", "sport/tennis/player1/#", true),
            ("sport/tennis/player1/score/wimbledon", "sport/tennis/player1/#", true),
            ("sport", "sport/#", true),
            ("sport/tennis/player1", "sport/tennis/+", true),
            ("sport/tennis/player1/ranking", "sport/tennis/+", false),
            ("sport", "sport/+", false),
            ("sport/", "sport/+", true),
            ("/finance", "+/+", true),
            ("/finance", "/+", true),
            ("/finance", "+", false),
            ("$SYS/monitor/clients", "#", false),
            ("$SYS/monitor/clients", "+/monitor/clients", false),
            ("$SYS/monitor/clients", "$SYS/#", true),
            ("$SYS/monitor/clients", "$SYS/monitor/+", true),
            ("über/uns", "+/uns", true),
        ] {
            assert_eq!(matches(topic, filter), expected, "{topic} against {filter}");
        }
    }

    #[test]
    fn valid_and_invalid_filters_of_the_standard() {
        for filter in ["#", "sport/tennis/#", "+", "+/tennis/#", "sport/+/player1", "/"] {
            assert!(is_filter(filter), "{filter}");
        }
        for filter in ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0b"] {
            assert!(!is_filter(filter), "{filter}");
        }
    }
}
