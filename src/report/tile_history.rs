//! The tile's history over all runs of a study: stretches that can be compared, their limits, averages and
//! signals, and what the newest one looks like. Rules: `protocol-notes/tile-history.md`.

use crate::report::gather::RunOnTile;
use crate::report::gather::TileCheck;
use crate::run::CheckKind;
use crate::stats::charts::Limits;
use crate::stats::charts::Rule;
use crate::stats::charts::Sigma;
use crate::stats::charts::WhyNoChart;
use crate::tile::history::ChartRule;
use crate::tile::history::History;
use crate::tile::history::LEAST_BASELINE;
use crate::tile::history::WarmUp;
use crate::tile::history::chart;
use crate::tile::history::warm_up;
use crate::tile::pattern::Pattern;
use crate::tile::pattern::pattern;
use crate::units::Geometry;

/// Why a stretch begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StretchStart {
    /// The first check of the study.
    First,
    /// The meter was adjusted.
    Adjusted,
    /// Another tile, or another assigned value.
    OtherTile,
}

impl StretchStart {
    /// In a word or two, as on the chart.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            StretchStart::First => "first",
            StretchStart::Adjusted => "adjusted",
            StretchStart::OtherTile => "other tile",
        }
    }
}

/// Checks that can be compared: one tile, one setting of the meter.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// Why it begins.
    pub start: StretchStart,
    /// Index of its first check into [`GeometryHistory::checks`].
    pub first: usize,
    /// Behind its last check.
    pub end: usize,
    /// Its charted checks, without those after an adjustment: indices into [`GeometryHistory::checks`].
    pub charted: Vec<usize>,
    /// Limits and averages; why not, if there are none.
    pub chart: Result<History, WhyNoChart>,
}

impl Stretch {
    /// Centre and limits, GU.
    #[must_use]
    pub fn limits(&self) -> Option<&Limits> {
        self.chart.as_ref().ok().map(|chart| &chart.limits)
    }
}

/// A check on the chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Charted {
    /// The check.
    pub check: TileCheck,
    /// Index of its stretch.
    pub stretch: usize,
    /// The moving average up to it, GU; absent in the baseline and for a check after an adjustment.
    pub average_gu: Option<f64>,
    /// What it broke.
    pub signals: Vec<Rule>,
    /// Whether it lies further from the check before than the baseline's checks ever should.
    pub jump: bool,
}

impl Charted {
    /// Whether it lies beyond the limits of a single check.
    #[must_use]
    pub fn is_beyond(&self) -> bool {
        self.signals.contains(&Rule::BeyondLimit)
    }
}

/// The history at one geometry.
#[derive(Clone, Debug, PartialEq)]
pub struct GeometryHistory {
    /// Geometry.
    pub geometry: Geometry,
    /// Checks in order of run and time.
    pub checks: Vec<Charted>,
    /// Stretches in order; one at least.
    pub stretches: Vec<Stretch>,
    /// What the newest stretch looks like; absent while it has no limits.
    pub pattern: Option<Pattern>,
    /// How fast the tile moves inside runs.
    pub warm_up: WarmUp,
    /// Checks left out because their own readings lay too far apart.
    pub invalid: usize,
}

impl GeometryHistory {
    /// Whether the newest check that is charted lies beyond its limits.
    #[must_use]
    pub fn newest_is_beyond(&self) -> bool {
        let newest = self.stretches.last().and_then(|stretch| stretch.charted.last());
        newest.is_some_and(|at| self.checks[*at].is_beyond())
    }

    /// Digits after the point for a mean of its readings: one more than the meter prints, 2 to 4.
    #[must_use]
    pub fn decimals(&self) -> usize {
        let printed = self.checks.iter().map(|c| c.check.decimals).max().unwrap_or(0);
        (printed as usize + 1).clamp(2, 4)
    }
}

/// The history of a study's tile.
#[derive(Clone, Debug, PartialEq)]
pub struct TileHistory {
    /// Name of the study.
    pub study: String,
    /// Checks that a baseline takes.
    pub baseline: usize,
    /// Number of runs.
    pub runs: usize,
    /// Geometries that have a check, rising.
    pub geometries: Vec<GeometryHistory>,
}

impl TileHistory {
    /// Puts the runs of a study together, in the order in which they began. A `baseline` below [`LEAST_BASELINE`] is raised
    /// to it.
    #[must_use]
    pub fn of(study: &str, mut runs: Vec<RunOnTile>, baseline: usize) -> TileHistory {
        // The number in a run's id counts on past 99, where names no longer sort by time.
        runs.sort_by(|a, b| a.began_us.cmp(&b.began_us).then_with(|| a.run.cmp(&b.run)));
        let baseline = baseline.max(LEAST_BASELINE);
        let one = |geometry| geometry_history(geometry, &runs, baseline);
        let geometries = Geometry::ALL.into_iter().map(one).filter(|history| !history.checks.is_empty());
        TileHistory { study: study.to_owned(), baseline, runs: runs.len(), geometries: geometries.collect() }
    }

    /// Whether at any geometry the newest check lies beyond its limits.
    #[must_use]
    pub fn newest_is_beyond(&self) -> bool {
        self.geometries.iter().any(GeometryHistory::newest_is_beyond)
    }
}

fn geometry_history(geometry: Geometry, runs: &[RunOnTile], baseline: usize) -> GeometryHistory {
    let mut history = GeometryHistory {
        geometry,
        checks: Vec::new(),
        stretches: Vec::new(),
        pattern: None,
        warm_up: warm_up_of(geometry, runs),
        invalid: runs.iter().flat_map(|run| &run.invalid).filter(|g| **g == geometry).count(),
    };
    let mut adjusted = false;
    for run in runs {
        for check in run.checks.iter().filter(|check| check.geometry == geometry) {
            history.add(check, adjusted || check.adjusted_before);
            adjusted = false;
        }
        adjusted |= run.adjusted_at_end;
    }
    for stretch in 0..history.stretches.len() {
        history.draw(stretch, baseline);
    }
    history.pattern = history.stretches.last().and_then(|newest| {
        let checks = || newest.charted.iter().map(|at| &history.checks[*at].check);
        let days: Vec<f64> = checks().map(|check| check.wall_us as f64 / 8.64e10).collect();
        let deviations: Vec<f64> = checks().map(|check| check.deviation_gu).collect();
        newest.chart.as_ref().ok().map(|chart| pattern(&days, &deviations, chart))
    });
    history
}

impl GeometryHistory {
    fn add(&mut self, check: &TileCheck, adjusted: bool) {
        let before = self.checks.last().map(|c| &c.check);
        let start = match before {
            None => Some(StretchStart::First),
            _ if adjusted => Some(StretchStart::Adjusted),
            Some(before) if before.tile != check.tile || before.assigned_gu != check.assigned_gu => {
                Some(StretchStart::OtherTile)
            }
            Some(_) => None,
        };
        let at = self.checks.len();
        // Set twice without a check between: one stretch, not an empty one and another.
        let is_empty = self.stretches.last().is_some_and(|s| s.charted.is_empty());
        if let Some(start) = start.filter(|start| !(is_empty && *start == StretchStart::Adjusted)) {
            let chart = Err(WhyNoChart::TooFew);
            self.stretches.push(Stretch { start, first: at, end: at, charted: Vec::new(), chart });
        }
        let stretch = self.stretches.len() - 1;
        if let Some(newest) = self.stretches.last_mut() {
            newest.end = at + 1;
            // On the tile that the meter was just set on, a check shows stability only.
            if check.kind != CheckKind::AsLeft {
                newest.charted.push(at);
            }
        }
        let (check, signals) = (check.clone(), Vec::new());
        self.checks.push(Charted { check, stretch, average_gu: None, signals, jump: false });
    }

    /// Draws limits, averages and signals of a stretch.
    fn draw(&mut self, stretch: usize, baseline: usize) {
        let charted = &self.stretches[stretch].charted;
        let of = |at: &usize| &self.checks[*at].check;
        let deviations: Vec<f64> = charted.iter().map(|at| of(at).deviation_gu).collect();
        let step = charted.iter().map(|at| of(at).decimals).max().map(|d| 0.1_f64.powi(d as i32));
        let rule = ChartRule {
            baseline,
            sigma: Sigma::MovingRange,
            least_sigma_gu: step.map(|step| step / 12.0_f64.sqrt()),
        };
        let chart = chart(&deviations, &rule);
        if let Ok(drawn) = &chart {
            for (average, at) in drawn.ewma.averages.iter().zip(&charted[baseline..]) {
                self.checks[*at].average_gu = Some(*average);
            }
            for signal in drawn.signals.iter().chain(&drawn.ewma.signals) {
                self.checks[charted[signal.index]].signals.push(signal.rule);
            }
            for jump in &drawn.jumps {
                self.checks[charted[*jump]].jump = true;
            }
        }
        self.stretches[stretch].chart = chart;
    }
}

fn warm_up_of(geometry: Geometry, runs: &[RunOnTile]) -> WarmUp {
    let of_run = |run: &RunOnTile| -> Vec<(bool, f64, f64)> {
        let own = run.brackets.iter().filter(|bracket| bracket.geometry == geometry);
        own.map(|bracket| (bracket.first, bracket.change_gu, bracket.hours)).collect()
    };
    warm_up(&runs.iter().map(of_run).collect::<Vec<_>>())
}
