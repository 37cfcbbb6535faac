//! Which zones a comparison is made of.

use super::zone_figures::planned;
use crate::run::Ledger;
use crate::run::setup::Role;
use std::collections::BTreeMap;

/// Planned zones by the side they belong to.
#[derive(Clone, Debug)]
pub struct Sides {
    /// By panel; shared by all treatments on it.
    control: BTreeMap<usize, Vec<usize>>,
    /// By panel and treatment, in the set-up's order.
    treated: BTreeMap<(usize, usize), Vec<usize>>,
}

impl Sides {
    /// The sides of a run.
    #[must_use]
    pub fn of(ledger: &Ledger) -> Sides {
        let mut sides = Sides { control: BTreeMap::new(), treated: BTreeMap::new() };
        for zone in planned(ledger) {
            let at = &ledger.setup.zones[zone];
            match (at.role, at.treatment) {
                (Role::Control, _) => sides.control.entry(at.panel).or_default().push(zone),
                (Role::Treated, Some(treatment)) => {
                    sides.treated.entry((at.panel, treatment)).or_default().push(zone);
                }
                (Role::Treated, None) => {}
            }
        }
        sides
    }

    /// The control zones of a panel.
    #[must_use]
    pub fn control_on(&self, panel: usize) -> &[usize] {
        self.control.get(&panel).map_or(&[], Vec::as_slice)
    }

    /// Panel, treatment and zones of every treated side, in order.
    pub fn treated(&self) -> impl Iterator<Item = (usize, usize, &[usize])> {
        self.treated.iter().map(|(&(panel, treatment), zones)| (panel, treatment, zones.as_slice()))
    }

    /// Every pair of treatments that stand on one panel, with their zones.
    pub fn pairs(&self) -> impl Iterator<Item = (usize, [(usize, &[usize]); 2])> {
        self.treated().enumerate().flat_map(move |(at, (panel, one, zones))| {
            let others = self.treated().skip(at + 1).filter(move |(other, _, _)| *other == panel);
            others.map(move |(_, other, other_zones)| (panel, [(one, zones), (other, other_zones)]))
        })
    }

    /// How many treatments share the control of a panel.
    #[must_use]
    pub fn treatments_on(&self, panel: usize) -> usize {
        self.treated.keys().filter(|(of, _)| *of == panel).count()
    }
}
