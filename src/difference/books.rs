//! The books that a comparison is made from: those of the run, and of the earlier runs that it names.

use super::comparison::Comparison;
use super::comparison::compare_all;
use super::zone_figures::Zones;
use crate::run::Ledger;
use crate::run::setup::Earlier;
use crate::run::setup::Serves;
use std::cell::OnceCell;

/// A run with the figures of its zones.
pub struct Book<'l> {
    /// The run's books.
    pub ledger: &'l Ledger,
    /// SHA-256 of its recording, hex; empty while none is known.
    pub sha256: &'l str,
    zones: OnceCell<Zones<'l>>,
}

impl<'l> Book<'l> {
    /// The books of a run with the digest of its recording.
    #[must_use]
    pub fn new(ledger: &'l Ledger, sha256: &'l str) -> Book<'l> {
        Book { ledger, sha256, zones: OnceCell::new() }
    }

    /// The figures of its zones, worked out once.
    #[must_use]
    pub fn zones(&self) -> &Zones<'l> {
        self.zones.get_or_init(|| Zones::of(self.ledger))
    }

    /// The zone of that panel and name.
    #[must_use]
    pub fn zone(&self, panel: &str, name: &str) -> Option<usize> {
        let setup = &self.ledger.setup;
        setup.zones.iter().position(|zone| {
            zone.name == name && setup.panels.get(zone.panel).is_some_and(|found| found.id == panel)
        })
    }
}

/// A run, and the earlier ones that could be found for it.
pub struct Books<'l> {
    /// The run at hand.
    pub run: Book<'l>,
    earlier: Vec<Book<'l>>,
    compared: OnceCell<Vec<Comparison<'l>>>,
}

/// An earlier run that a comparison needs.
pub enum Found<'b, 'l> {
    /// None is named.
    NotNamed,
    /// The run is not there, or its recording is no longer the one that was named.
    Missing(&'b Earlier),
    /// It is there.
    There(&'b Earlier, &'b Book<'l>),
}

impl<'l> Books<'l> {
    /// A run and its earlier ones, each with the digest of its recording.
    #[must_use]
    pub fn new(run: Book<'l>, earlier: Vec<Book<'l>>) -> Books<'l> {
        Books { run, earlier, compared: OnceCell::new() }
    }

    /// All comparisons of the run, by panel, treatment and geometry; worked out once.
    #[must_use]
    pub fn comparisons(&self) -> &[Comparison<'l>] {
        self.compared.get_or_init(|| compare_all(self))
    }

    /// The earlier run that the set-up names for a panel. Only the recording with the digest that was
    /// written down at the start will do.
    #[must_use]
    pub fn earlier(&self, serves: Serves, panel: usize) -> Found<'_, 'l> {
        let named = &self.run.ledger.setup.comparing.earlier;
        let Some(named) = named.iter().find(|e| e.serves == serves && e.panel == panel) else {
            return Found::NotNamed;
        };
        let found = self.earlier.iter().find(|b| b.ledger.id == named.run && b.sha256 == named.sha256);
        found.map_or(Found::Missing(named), |book| Found::There(named, book))
    }
}
