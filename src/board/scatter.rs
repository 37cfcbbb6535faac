//! How far panels scatter, pooled over all treatments of a board, and which pairs can be told apart by it.
//!
//! Three panels of a treatment leave two degrees of freedom, too few to tell anything but large differences
//! apart; so the scatter is pooled, as in an analysis of variance, on the assumption that panels of all treatments
//! scatter alike: e-Handbook of Statistical Methods (NIST/SEMATECH), 7.4.3 (one way), 5.3.3.2 (randomized blocks: the
//! panel is the block). Two treatments on the same panels share each panel's control, and its difference cancels:
//! their treated sides are held against each other, panel by panel, with the scatter that is left between sides of one
//! panel. Treatments on panels of their own are held against each other with the scatter from panel to panel. No
//! pair is taken to be known better than the panels' own uncertainties allow. Holm's adjustment is over all pairs.

use crate::board::entry::Entry;
use crate::stats::multiplicity::holm;
use crate::stats::student::t_two_sided_p;
use crate::stats::summary::mean;
use serde::Serialize;
use std::collections::BTreeMap;

/// Chance of even one false "told apart" among all pairs of a board.
pub const LEVEL: f64 = 0.05;

/// A pooled standard deviation.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Pooled {
    /// GU, 0 or more.
    pub sd_gu: f64,
    /// At least 1.
    pub degrees_of_freedom: f64,
}

/// How far panels scatter.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Scatter {
    /// From panel to panel, of one treatment's difference; absent where no treatment has two panels.
    pub panels: Option<Pooled>,
    /// Between treated sides of one panel, what all sides of it share taken off; absent where no two panels carry the
    /// same two treatments.
    pub sides: Option<Pooled>,
}

/// What two treatments were compared by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// Treated sides of the panels that they share.
    SharedPanels,
    /// Panels of their own.
    OwnPanels,
}

/// Two treatments, held against each other.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Pair {
    /// Row of the one.
    pub one: usize,
    /// Row of the other.
    pub other: usize,
    /// The one's difference minus the other's, GU.
    pub difference_gu: f64,
    /// Its standard error, GU, above 0.
    pub standard_error_gu: f64,
    /// Degrees of freedom of the pooled scatter that it was made from.
    pub degrees_of_freedom: f64,
    /// What they were compared by.
    pub by: By,
    /// Chance of so large a difference if there is none, Holm-adjusted over all pairs of the board.
    pub p_adjusted: f64,
    /// Whether they are told apart at [`LEVEL`].
    pub apart: bool,
}

/// The panels of a treatment, by number over all studies, rising: difference, both sides' uncertainty, the treated side's.
type Panels = Vec<(usize, f64, f64, f64)>;

/// Pools the scatter and compares every pair that can be compared.
#[must_use]
pub fn compare(entries: &[Entry]) -> (Scatter, Vec<Pair>) {
    let panels = numbered(entries);
    let scatter = pooled(&panels);
    let mut pairs = Vec::new();
    for one in 0..panels.len() {
        for other in one + 1..panels.len() {
            pairs.extend(compared((one, &panels[one]), (other, &panels[other]), &scatter));
        }
    }
    let raw: Vec<f64> = pairs.iter().map(|pair: &Pair| pair.p_adjusted).collect();
    for (pair, adjusted) in pairs.iter_mut().zip(holm(&raw).unwrap_or(raw)) {
        pair.p_adjusted = adjusted;
        pair.apart = adjusted <= LEVEL;
    }
    (scatter, pairs)
}

fn numbered(entries: &[Entry]) -> Vec<Panels> {
    let mut numbers: BTreeMap<(&str, &str), usize> = BTreeMap::new();
    let mut all = Vec::new();
    for entry in entries {
        let mut panels: Panels = Vec::new();
        for panel in &entry.panels {
            let next = numbers.len();
            let number = *numbers.entry((&entry.study, &panel.panel)).or_insert(next);
            panels.push((number, panel.difference_gu, panel.chance_gu, panel.treated_gu));
        }
        panels.sort_by_key(|panel| panel.0);
        all.push(panels);
    }
    all
}

/// Squares and degrees of freedom.
#[derive(Default)]
struct Sums(f64, f64);

impl Sums {
    fn pooled(&self) -> Option<Pooled> {
        let sd_gu = (self.0 / self.1).sqrt();
        (self.1 >= 1.0 && sd_gu.is_finite()).then_some(Pooled { sd_gu, degrees_of_freedom: self.1 })
    }
}

/// Panels that carry the same treatments make a complete table of panels by treatments, in which both scatters
/// stand plainly; other layouts lose some degrees of freedom, and nothing else.
fn pooled(treatments: &[Panels]) -> Scatter {
    let mut carried: BTreeMap<usize, Vec<(usize, f64)>> = BTreeMap::new();
    for (treatment, panels) in treatments.iter().enumerate() {
        for (panel, difference, ..) in panels {
            carried.entry(*panel).or_default().push((treatment, *difference));
        }
    }
    let mut tables: BTreeMap<Vec<usize>, Vec<Vec<f64>>> = BTreeMap::new();
    for of in carried.into_values() {
        let (treatments, differences) = of.into_iter().unzip();
        tables.entry(treatments).or_default().push(differences);
    }
    let (mut panels, mut sides) = (Sums::default(), Sums::default());
    for table in tables.values().filter(|table| table.len() >= 2) {
        let (rows, columns) = (count(table.len()), count(table[0].len()));
        let column =
            |at: usize| mean(&table.iter().map(|row| row[at]).collect::<Vec<_>>()).unwrap_or_default();
        let of_columns: Vec<f64> = (0..table[0].len()).map(column).collect();
        let whole = mean(&of_columns).unwrap_or_default();
        for row in table {
            let of_row = mean(row).unwrap_or_default();
            for (value, of_column) in row.iter().zip(&of_columns) {
                // Sides of one panel share its control, and are no panels more than it is.
                panels.0 += (value - of_column).powi(2) / columns;
                sides.0 += (value - of_column - of_row + whole).powi(2);
            }
        }
        panels.1 += rows - 1.0;
        sides.1 += (rows - 1.0) * (columns - 1.0);
    }
    Scatter { panels: panels.pooled(), sides: sides.pooled() }
}

#[expect(clippy::cast_precision_loss, reason = "counts of panels are far below 2^53")]
fn count(of: usize) -> f64 {
    of as f64
}

/// The pair with its p value not yet adjusted; nothing where there is no scatter to hold it against.
fn compared(one: (usize, &Panels), other: (usize, &Panels), scatter: &Scatter) -> Option<Pair> {
    let shared = shared(one.1, other.1);
    let (by, pooled, difference_gu, scattered, own) = if shared.is_empty() {
        let panels = scatter.panels?;
        let side = |panels: &Panels| {
            let n = count(panels.len());
            let sum = |of: fn(&(usize, f64, f64, f64)) -> f64| panels.iter().map(of).sum::<f64>() / n;
            (n > 0.0).then(|| (sum(|panel| panel.1), 1.0 / n, sum(|panel| panel.2 * panel.2) / n))
        };
        let (a, b) = (side(one.1)?, side(other.1)?);
        (By::OwnPanels, panels, a.0 - b.0, a.1 + b.1, a.2 + b.2)
    } else {
        let n = count(shared.len());
        let sum = |of: fn(&[f64; 2]) -> f64| shared.iter().map(of).sum::<f64>() / n;
        (By::SharedPanels, scatter.sides?, sum(|s| s[0]), 2.0 / n, sum(|s| s[1]) / n)
    };
    let standard_error_gu = (pooled.sd_gu * pooled.sd_gu * scattered).max(own).sqrt();
    let p = t_two_sided_p(difference_gu / standard_error_gu, pooled.degrees_of_freedom)?;
    let degrees_of_freedom = pooled.degrees_of_freedom;
    Some(Pair {
        one: one.0,
        other: other.0,
        difference_gu,
        standard_error_gu,
        degrees_of_freedom,
        by,
        p_adjusted: p,
        apart: false,
    })
}

/// On each panel that both stand on: the one minus the other, and the square of its uncertainty.
fn shared(one: &Panels, other: &Panels) -> Vec<[f64; 2]> {
    let (mut a, mut b) = (0, 0);
    let mut found = Vec::new();
    while let (Some(first), Some(second)) = (one.get(a), other.get(b)) {
        match first.0.cmp(&second.0) {
            std::cmp::Ordering::Less => a += 1,
            std::cmp::Ordering::Greater => b += 1,
            std::cmp::Ordering::Equal => {
                found.push([first.1 - second.1, first.3 * first.3 + second.3 * second.3]);
                (a, b) = (a + 1, b + 1);
            }
        }
    }
    found
}
