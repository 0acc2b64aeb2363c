//! What the pages need so that nobody gets in who does not belong: certificate, accounts, name.

use super::compose::StationError;
use crate::door::{Door, Encryption, Lasts};
use crate::settings::model::{RoomPage, Web};
use std::net::SocketAddr;
use std::sync::Arc;

const MINUTE_NS: i64 = 60 * 1_000_000_000;

/// Encryption and accounts, where there are any.
pub(super) type Ways = (Option<Encryption>, Option<Arc<Door>>);

/// The encryption and the accounts that the settings name.
///
/// # Errors
/// A file that cannot be used.
pub(super) fn ways_in(web: &Web) -> Result<Ways, StationError> {
    let encryption = web.tls.as_ref().map(|tls| Encryption::read(&tls.certificate_file, &tls.key_file));
    let encryption = encryption.transpose().map_err(StationError::PagesCertificate)?;
    let door = web.sign_on.as_ref().map(|sign_on| {
        let hours = |hours: u32| i64::from(hours) * 60 * MINUTE_NS;
        let lasts = Lasts {
            idle_ns: i64::from(sign_on.idle_minutes) * MINUTE_NS,
            person_ns: hours(sign_on.hours),
            screen_ns: hours(sign_on.screen_hours),
        };
        Door::open(sign_on.accounts_file.clone(), lasts, sign_on.room_page == RoomPage::Open)
    });
    Ok((encryption, door.transpose()?.map(Arc::new)))
}

/// What of it cannot be used, all at once.
pub(super) fn faults(web: &Web) -> Vec<String> {
    let tls = Web { sign_on: None, ..web.clone() };
    let sign_on = Web { tls: None, ..web.clone() };
    let each = [tls, sign_on].map(|web| ways_in(&web).err());
    each.into_iter().flatten().map(|fault| format!("settings: {fault}")).collect()
}

/// What is sound, and asks for something to be done all the same.
pub(super) fn to_do(web: &Web, wall_ns: i64) -> Option<String> {
    let tls = web.tls.as_ref()?;
    Encryption::read(&tls.certificate_file, &tls.key_file).ok()?.ends().soon(wall_ns)
}

/// The address of the pages, as a person writes it.
pub(super) fn called(web: &Web, pages: SocketAddr) -> String {
    let scheme = if web.tls.is_some() { "https" } else { "http" };
    match &web.name {
        Some(name) => format!("{scheme}://{name}:{}/", pages.port()),
        None => format!("{scheme}://{pages}/"),
    }
}
