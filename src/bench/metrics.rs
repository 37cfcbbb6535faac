//! What is counted, in the text format that collectors read.

use crate::session::station::Tally;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::registry::Registry;
use prometheus_client::registry::Unit;

/// Media type of [`Metrics::text`].
pub const MEDIA_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

type Labels = Vec<(&'static str, String)>;

/// All counters of the daemon.
pub struct Metrics {
    registry: Registry,
    lines: Family<Labels, Counter>,
    readings: Family<Labels, Counter>,
    rejected: Family<Labels, Counter>,
    reconnects: Family<Labels, Counter>,
    runs: Family<Labels, Counter>,
    sync_s: Family<Labels, Histogram>,
    /// Pages that watch a station now.
    pub watching: Gauge,
}

impl Default for Metrics {
    fn default() -> Metrics {
        let mut registry = Registry::with_prefix("halfpanel");
        let (lines, readings, rejected, reconnects, runs) = <(
            Family<Labels, Counter>,
            Family<Labels, Counter>,
            Family<Labels, Counter>,
            Family<Labels, Counter>,
            Family<Labels, Counter>,
        )>::default();
        let sync_s = Family::new_with_constructor(Tally::sync_histogram as fn() -> Histogram);
        let watching = Gauge::default();
        registry.register("lines", "Lines that came from the meter", lines.clone());
        registry.register("readings", "Readings taken, one for each geometry", readings.clone());
        registry.register("rejected_lines", "Lines not taken as a reading", rejected.clone());
        registry.register("reconnects", "Times the meter's line came back after a loss", reconnects.clone());
        registry.register("runs", "Runs begun or taken up", runs.clone());
        registry.register_with_unit(
            "sync",
            "From the coming of what is recorded until it was on the disk and applied",
            Unit::Seconds,
            sync_s.clone(),
        );
        registry.register("pages_watching", "Event streams that are open", watching.clone());
        Metrics { registry, lines, readings, rejected, reconnects, runs, sync_s, watching }
    }
}

impl Metrics {
    /// The counters of the station that goes by `slug`.
    #[must_use]
    pub fn tally(&self, slug: &str) -> Tally {
        let labels = vec![("study", slug.to_owned())];
        Tally {
            lines: self.lines.get_or_create_owned(&labels),
            readings: self.readings.get_or_create_owned(&labels),
            rejected: self.rejected.get_or_create_owned(&labels),
            reconnects: self.reconnects.get_or_create_owned(&labels),
            runs: self.runs.get_or_create_owned(&labels),
            sync_s: self.sync_s.get_or_create_owned(&labels),
        }
    }

    /// All of it as text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::new();
        // Writing to a String cannot fail.
        let _ = encode(&mut text, &self.registry);
        text
    }
}
