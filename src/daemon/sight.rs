//! What the pages see of the station.

use super::entry::Ways;
use super::station::StationHandle;
use crate::clock::Clock;
use crate::domain::overview::Following;
use crate::domain::reading::Live;
use crate::domain::signal::Told;
use crate::journal::Journal;
use crate::keeping::list::Listing;
use crate::keeping::rule;
use crate::settings::{model::Settings, told};
use crate::web::report::Reports;
use crate::web::{self, AppState};
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::watch;

/// What runs, as far as pages show it.
pub(super) struct Sight {
    pub(super) station: StationHandle,
    pub(super) journal: Journal,
    pub(super) listing: Listing,
    pub(super) live: BTreeMap<String, watch::Receiver<Live>>,
    pub(super) followed: Option<watch::Receiver<Arc<Following>>>,
    pub(super) outputs: watch::Receiver<BTreeMap<String, Told>>,
    pub(super) clock: Arc<dyn Clock>,
    pub(super) running_clock: bool,
}

impl Sight {
    /// With the settings, the ways in and the port of the pages.
    pub(super) fn shown(self, settings: &Settings, (encryption, door): Ways, port: u16) -> AppState {
        let Self { station, journal, listing, live, followed, outputs, clock, running_clock } = self;
        AppState {
            station,
            journal,
            listing,
            kept: rule::words(&settings.keeping).into(),
            reserve: settings.journal.space_low_mb.saturating_mul(1_000_000),
            clock,
            running_clock,
            live,
            followed,
            outputs,
            shown: web::stream::Shown::default(),
            forecast: web::room::LastForecast::default(),
            settings: told(settings).into(),
            words: web::words::Words::of(settings.web.language.tag())
                .unwrap_or_else(web::words::Words::english),
            zone: settings.station.time_zone.as_str().into(),
            units: settings.units,
            labels: settings.labels,
            reports: Reports::new(settings.laboratory.clone(), settings.reports.paper),
            port,
            name: settings.web.name.as_deref().map(Into::into),
            encryption,
            door,
        }
    }
}
