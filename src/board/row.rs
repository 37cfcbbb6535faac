//! One treatment's row of a board.

use crate::board::entry::Cost;
use crate::board::entry::Entry;
use crate::board::letters::Apart;
use crate::board::letters::letters;
use crate::board::letters::rank_ranges;
use crate::board::lives::Compared;
use crate::board::lives::Lives;
use crate::board::lives::Stretch;
use crate::board::scatter::Pair;
use crate::board::scatter::Scatter;
use crate::difference::panels::PRODUCT;
use crate::difference::panels::PanelResult;
use crate::difference::panels::together;
use crate::stats::student::t_quantile;
use crate::stats::summary;
use crate::stats::welch::CONFIDENCE;
use serde::Serialize;

/// All that a board says of one treatment. What is not known is absent.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Row {
    /// The study's folder name.
    pub study: String,
    /// Code of the treatment.
    pub treatment: String,
    /// Name of the product.
    pub name: String,
    /// Panels with a proven result at the stage.
    pub panels: usize,
    /// The runs that read them, each once, in order.
    pub runs: Vec<String>,
    /// Treated minus control over the panels.
    pub difference: Option<Difference>,
    /// Letters, separated by spaces: treatments that share one cannot be told apart by their difference.
    pub letters: String,
    /// Best and worst rank by the difference, from 1.
    pub rank: Option<[usize; 2]>,
    /// Gloss kept, stage by stage.
    pub retention: Vec<Retention>,
    /// Judgements, attribute by attribute.
    pub judgements: Vec<Judgement>,
    /// What is known of its life.
    pub lives: Lives,
    /// Best and worst rank by life, from 1.
    pub life_rank: Option<[usize; 2]>,
    /// Cost of a square metre as it was put on.
    pub cost_per_m2: Option<f64>,
    /// The same for each wash survived, by the middle panel's life.
    pub cost_per_m2_and_wash: Option<PerWash>,
    /// In what; empty where no price is given.
    pub currency: String,
}

/// A difference over panels.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Difference {
    /// Mean of the panels' differences, GU.
    pub mean_gu: f64,
    /// Ends of the 95 % interval by these panels alone, as in `treatments.csv`; absent with one panel.
    pub interval_gu: Option<[f64; 2]>,
    /// Ends of the 95 % interval by the scatter pooled over all treatments.
    pub pooled_interval_gu: Option<[f64; 2]>,
    /// What these panels alone say, as in `treatments.csv`.
    pub verdict: &'static str,
    /// `product` from three panels on, else `panels`.
    pub speaks_of: &'static str,
}

/// Gloss kept at a stage.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Retention {
    /// The stage.
    pub stage: String,
    /// Panels.
    pub panels: usize,
    /// Their mean, percent.
    pub mean_pct: f64,
    /// The lowest of them, percent.
    pub lowest_pct: f64,
    /// The highest of them, percent.
    pub highest_pct: f64,
}

/// How often something was judged.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Judgement {
    /// What was judged.
    pub attribute: String,
    /// How often it passed.
    pub passed: usize,
    /// How often it failed.
    pub failed: usize,
}

/// A range of cost.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PerWash {
    /// If it lasted to the first wash that found it failed; absent while it is alive, for it sinks with every wash.
    pub low: Option<f64>,
    /// If it lasted no longer than it was last seen working; absent if it never was.
    pub high: Option<f64>,
}

impl Row {
    /// Gloss kept at a stage.
    #[must_use]
    pub fn kept_at(&self, stage: Option<&str>) -> Option<&Retention> {
        self.retention.iter().find(|kept| Some(kept.stage.as_str()) == stage)
    }

    pub(super) fn of(entry: &Entry, scatter: &Scatter) -> Row {
        let lives = Lives::of(entry);
        let cost = entry.cost.as_ref();
        let mut runs: Vec<String> = entry.panels.iter().map(|panel| panel.run.clone()).collect();
        runs.sort();
        runs.dedup();
        Row {
            study: entry.study.clone(),
            treatment: entry.treatment.clone(),
            name: entry.name.clone(),
            panels: entry.panels.len(),
            runs,
            difference: difference(entry, scatter),
            letters: String::new(),
            rank: None,
            retention: retention(entry),
            judgements: judgements(entry),
            life_rank: None,
            cost_per_m2: cost.map(|cost| cost.per_m2),
            cost_per_m2_and_wash: cost.zip(lives.middle).and_then(|(cost, middle)| per_wash(cost, middle)),
            currency: cost.map(|cost| cost.currency.clone()).unwrap_or_default(),
            lives,
        }
    }
}

fn difference(entry: &Entry, scatter: &Scatter) -> Option<Difference> {
    let of = |panel: &crate::board::entry::PanelFigure| PanelResult {
        difference_gu: panel.difference_gu,
        chance_gu: panel.chance_gu,
        common_gu: panel.common_gu,
    };
    let panels: Vec<PanelResult> = entry.panels.iter().map(of).collect();
    let found = together(&panels)?;
    let mean_gu = found.difference_gu;
    let about = |half: f64| summary::finite(half).map(|half| [mean_gu - half, mean_gu + half]);
    let n = f64::from(u32::try_from(panels.len()).unwrap_or(u32::MAX));
    let own = panels.iter().map(|panel| panel.chance_gu * panel.chance_gu).sum::<f64>().sqrt() / n;
    let pooled = scatter.panels.and_then(|pooled| {
        let t = t_quantile(0.5 + 0.5 * CONFIDENCE, pooled.degrees_of_freedom)?;
        about(t * (pooled.sd_gu / n.sqrt()).max(own))
    });
    Some(Difference {
        mean_gu,
        interval_gu: found.chance.and_then(|known| about(known.expanded_gu)),
        pooled_interval_gu: pooled,
        verdict: found.verdict.text(),
        speaks_of: if panels.len() >= PRODUCT { "product" } else { "panels" },
    })
}

/// Stage by stage, in the order in which the entry has them.
fn retention(entry: &Entry) -> Vec<Retention> {
    let mut stages: Vec<(&str, Vec<f64>)> = Vec::new();
    for kept in &entry.kept {
        match stages.iter_mut().find(|(stage, _)| *stage == kept.stage) {
            Some((_, of)) => of.push(kept.pct),
            None => stages.push((&kept.stage, vec![kept.pct])),
        }
    }
    let retained = stages.into_iter().filter_map(|(stage, of)| {
        Some(Retention {
            stage: stage.to_owned(),
            panels: of.len(),
            mean_pct: summary::mean(&of)?,
            lowest_pct: summary::min(&of)?,
            highest_pct: summary::max(&of)?,
        })
    });
    retained.collect()
}

fn judgements(entry: &Entry) -> Vec<Judgement> {
    let mut found: Vec<Judgement> = Vec::new();
    for judged in &entry.judged {
        let known = found.iter().position(|of| of.attribute == judged.attribute);
        let at = known.unwrap_or_else(|| {
            found.push(Judgement { attribute: judged.attribute.clone(), passed: 0, failed: 0 });
            found.len() - 1
        });
        *(if judged.passed { &mut found[at].passed } else { &mut found[at].failed }) += 1;
    }
    found
}

fn per_wash(cost: &Cost, middle: Stretch) -> Option<PerWash> {
    let of = |washes: u32| (washes > 0).then(|| cost.per_m2 / f64::from(washes));
    let found = PerWash { low: middle.until.and_then(of), high: of(middle.after) };
    (found.low.is_some() || found.high.is_some()).then_some(found)
}

/// Letters and ranks of all rows, from the pairs told apart.
pub(super) fn rank(rows: &mut [Row], pairs: &[Pair], compared: &Compared) {
    let mut apart = Apart::none(rows.len());
    pairs.iter().filter(|pair| pair.apart).for_each(|pair| apart.tell(pair.one, pair.other));
    let gain: Vec<f64> =
        rows.iter().map(|row| row.difference.map_or(f64::NEG_INFINITY, |found| found.mean_gu)).collect();
    let measured: Vec<usize> = (0..rows.len()).filter(|row| rows[*row].difference.is_some()).collect();
    // Letters of those that were measured only; the others share none.
    let mut order: Vec<usize> = (0..measured.len()).collect();
    order.sort_by(|a, b| gain[measured[*b]].total_cmp(&gain[measured[*a]]));
    let mut among = Apart::none(measured.len());
    let place: std::collections::HashMap<usize, usize> =
        measured.iter().enumerate().map(|(place, row)| (*row, place)).collect();
    for pair in pairs.iter().filter(|pair| pair.apart) {
        if let (Some(one), Some(other)) = (place.get(&pair.one), place.get(&pair.other)) {
            among.tell(*one, *other);
        }
    }
    for (letters, row) in letters(&order, &among).into_iter().zip(&measured) {
        rows[*row].letters = letters;
    }
    // Of a shared panel the sides decide, so that of two told apart the pair says which is higher.
    let ahead: std::collections::HashSet<(usize, usize)> = pairs
        .iter()
        .filter(|pair| pair.apart)
        .map(|pair| if pair.difference_gu > 0.0 { (pair.one, pair.other) } else { (pair.other, pair.one) })
        .collect();
    let is_measured: Vec<bool> = rows.iter().map(|row| row.difference.is_some()).collect();
    let ranks = rank_ranges(&is_measured, &apart, |a, b| ahead.contains(&(a, b)));
    let longer: std::collections::HashSet<(usize, usize)> =
        compared.pairs.iter().map(|pair| (pair.longer, pair.shorter)).collect();
    let has_life: Vec<bool> = rows.iter().map(|row| row.lives.counted > 0).collect();
    let life_ranks = rank_ranges(&has_life, &compared.apart(rows.len()), |a, b| longer.contains(&(a, b)));
    for ((row, rank), life_rank) in rows.iter_mut().zip(ranks).zip(life_ranks) {
        (row.rank, row.life_rank) = (rank, life_rank);
    }
}
