//! What a station counts from the start of the daemon on.

use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::histogram::exponential_buckets;

/// Counters of one station. Clones count together.
#[derive(Clone, Debug)]
pub struct Tally {
    /// Lines that came from the meter.
    pub lines: Counter,
    /// Readings that were taken, one for each geometry.
    pub readings: Counter,
    /// Lines that were not taken as a reading.
    pub rejected: Counter,
    /// Times that the meter's line came back after a loss.
    pub reconnects: Counter,
    /// Runs that were begun or taken up.
    pub runs: Counter,
    /// From the coming of what is recorded until it was synced and applied, seconds of the machine's time.
    pub sync_s: Histogram,
}

impl Default for Tally {
    fn default() -> Tally {
        Tally {
            lines: Counter::default(),
            readings: Counter::default(),
            rejected: Counter::default(),
            reconnects: Counter::default(),
            runs: Counter::default(),
            sync_s: Tally::sync_histogram(),
        }
    }
}

impl Tally {
    /// A histogram for `sync_s`: from a tenth of a millisecond to three seconds.
    #[must_use]
    pub fn sync_histogram() -> Histogram {
        Histogram::new(exponential_buckets(0.0001, 2.0, 16))
    }
}
