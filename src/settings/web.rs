//! Whether the settings of the pages make sense together: nobody gets in from elsewhere unseen.

use super::model::{Web, WebSignOn};

/// Longest time without an act: a day.
const IDLE_MOST: u32 = 1440;
/// Longest sign-on: a week.
const HOURS_MOST: u32 = 168;

/// Keys and what is wrong with them.
pub(super) fn faults(web: &Web) -> Vec<(&'static str, String)> {
    let mut found = Vec::new();
    let listen = web.listen;
    if !listen.ip().to_canonical().is_loopback() {
        let set = [
            ("`web.tls` (certificate and key)", web.tls.is_some()),
            ("`web.sign-on` (accounts)", web.sign_on.is_some()),
            ("`web.name` (what browsers call the station)", web.name.is_some()),
        ];
        let missing: Vec<_> = set.iter().filter(|(_, is_set)| !is_set).map(|(what, _)| *what).collect();
        if !missing.is_empty() {
            let what = format!(
                "{listen} can be reached from other machines: set {} as docs/installer.md shows, or use \
                 127.0.0.1:{port} or [::1]:{port}",
                missing.join(" and "),
                port = listen.port()
            );
            found.push(("web.listen", what));
        }
    }
    if let Some(name) = &web.name
        && !is_host(name)
    {
        let what = format!(
            "`{name}` is no name of a machine: write it as in the address of the pages, without scheme and \
             port, like bench-1.lab.example"
        );
        found.push(("web.name", what));
    }
    if let Some(sign_on) = &web.sign_on {
        if web.tls.is_none() {
            let what = "needs `web.tls` too: without encryption a password could be read on its way";
            found.push(("web.sign-on", what.to_owned()));
        }
        found.extend(times(sign_on));
    }
    found
}

fn times(sign_on: &WebSignOn) -> impl Iterator<Item = (&'static str, String)> {
    let all = [
        ("web.sign-on.idle-minutes", sign_on.idle_minutes, IDLE_MOST),
        ("web.sign-on.hours", sign_on.hours, HOURS_MOST),
        ("web.sign-on.screen-hours", sign_on.screen_hours, HOURS_MOST),
    ];
    let out = all.into_iter().filter(|(_, value, most)| !(1..=*most).contains(value));
    out.map(|(key, value, most)| (key, format!("is {value}; use 1 to {most}")))
}

/// A name of the domain name system, or an address as it stands in one of a page.
fn is_host(name: &str) -> bool {
    let bare = name.strip_prefix('[').and_then(|rest| rest.strip_suffix(']'));
    if let Some(address) = bare {
        return address.parse::<std::net::Ipv6Addr>().is_ok();
    }
    let plain = |byte: u8| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-';
    name.len() <= 253 && name.split('.').all(|part| (1..=63).contains(&part.len()) && part.bytes().all(plain))
}
