//! A run as it is shown, all of it.

use crate::run::Counts;
use crate::run::Replayed;
use crate::run::Run;
use crate::run::RunState;
use crate::run::Spot;
use crate::units::Geometry;
use crate::view::Tone;
use crate::view::difference::DifferenceView;
use crate::view::difference::differences;
use crate::view::dues::dues;
use crate::view::heard::time_of_day;
use crate::view::panels::PanelView;
use crate::view::panels::panels;
use crate::view::rail::RailView;
use crate::view::sides::Side;
use crate::view::sides::sides;
use crate::view::survey::Mark;
use crate::view::survey::Survey;
use crate::view::todo::Todo;
use crate::view::todo::todo;
use crate::view::words::WordsNow;

/// A run as it is shown.
#[derive(Clone, Debug, PartialEq)]
pub struct RunView {
    /// The run's id.
    pub run: String,
    /// Name of the study.
    pub study: String,
    /// Who holds the meter; empty if nobody was named.
    pub operator: String,
    /// Stages of the treated zones, each once.
    pub stages: Vec<String>,
    /// How the recording stands.
    pub state: RunState,
    /// Whether it is over.
    pub is_over: bool,
    /// Whether the meter's line is up.
    pub link_up: bool,
    /// Whether the meter is asked for each reading.
    pub is_asked: bool,
    /// Whether readings are taken out of a stream.
    pub is_streamed: bool,
    /// Time of day at the bench of this picture, `HH:MM:SS`.
    pub time: String,
    /// What to do now.
    pub todo: Todo,
    /// The panels with their zones.
    pub panels: Vec<PanelView>,
    /// Code and name of each treatment, in the set-up's order.
    pub treatments: Vec<(String, String)>,
    /// The geometry to show where there is room for one.
    pub main_geometry: Geometry,
    /// The last placement that was not taken back.
    pub last: Option<LastValue>,
    /// The bracket rail.
    pub rail: RailView,
    /// Mean and spread of each side.
    pub sides: Vec<Side>,
    /// Treated minus control, so far or for good.
    pub differences: Vec<DifferenceView>,
    /// What the proven differences speak of; absent if none is proven.
    pub footing: Option<String>,
    /// The words that would be followed now.
    pub words: WordsNow,
    /// Placements on zones that count.
    pub placements_done: usize,
    /// Placements on zones in all.
    pub placements_of: usize,
    /// When the tile was checked, and what is due.
    pub dues: Vec<(Tone, String)>,
    /// Seconds since the last finished check on the tile; absent before the first.
    pub since_check_s: Option<u64>,
    /// What became of the meter's lines.
    pub counts: Counts,
}

/// The last value.
#[derive(Clone, Debug, PartialEq)]
pub struct LastValue {
    /// Number of the placement.
    pub placement: u32,
    /// What the meter stood on, such as `A3` or `tile, opening`.
    pub spot: String,
    /// Values as the meter printed them, GU: that of the main geometry first.
    pub values: Vec<(Geometry, String)>,
    /// How it stands.
    pub mark: Mark,
    /// Whether it is one on the tile.
    pub on_tile: bool,
}

impl RunView {
    /// The run as it stands, `now_us` microseconds after its start. A run that names earlier ones is shown by
    /// [`RunView::beside`].
    #[must_use]
    pub fn of(run: &Run, now_us: u64) -> RunView {
        RunView::beside(run, &[], now_us)
    }

    /// The run as it stands, beside the earlier runs that its set-up names.
    #[must_use]
    pub fn beside(run: &Run, earlier: &[Replayed], now_us: u64) -> RunView {
        let survey = Survey::of(run);
        let ledger = survey.ledger;
        let setup = &ledger.setup;
        let (differences, footing) = differences(&survey, earlier);
        let (wall_us, offset_s) = ledger.wall(now_us);
        let (done, of) = progress(&survey);
        let mut stages: Vec<String> = Vec::new();
        for zone in setup.zones.iter().filter(|zone| zone.treatment.is_some()) {
            if !stages.contains(&zone.stage) {
                stages.push(zone.stage.clone());
            }
        }
        RunView {
            run: ledger.id.clone(),
            study: setup.study.clone(),
            operator: setup.operator.clone(),
            stages,
            state: ledger.state,
            is_over: survey.over,
            link_up: survey.link_up,
            is_asked: survey.asked,
            is_streamed: run.is_streamed(),
            time: time_of_day(wall_us, offset_s),
            todo: todo(&survey),
            panels: panels(&survey),
            treatments: setup.treatments.iter().map(|t| (t.code.clone(), t.name.clone())).collect(),
            main_geometry: survey.main_geometry(),
            last: last_value(&survey),
            rail: RailView::of(&survey),
            sides: sides(&survey),
            differences,
            footing,
            words: WordsNow::of(run, &survey),
            placements_done: done,
            placements_of: of,
            dues: dues(&survey, now_us),
            since_check_s: survey.last_check_us.map(|at| now_us.saturating_sub(at) / 1_000_000),
            counts: run.counts(),
        }
    }
}

fn last_value(survey: &Survey<'_>) -> Option<LastValue> {
    let readings = survey.last_placement();
    let first = readings.first()?;
    let main = survey.main_geometry();
    let mut values: Vec<(Geometry, String)> =
        readings.iter().map(|r| (r.geometry, r.gloss.to_string())).collect();
    values.sort_by_key(|(geometry, _)| *geometry != main);
    Some(LastValue {
        placement: first.placement,
        spot: survey.spot(first.spot),
        values,
        mark: Mark::of(first.status),
        on_tile: matches!(first.spot, Spot::Tile { .. }),
    })
}

/// Placements that count or are left out, and all that the plan asks for.
fn progress(survey: &Survey<'_>) -> (usize, usize) {
    let planned = survey.ledger.setup.plan.iter().flat_map(|block| &block.0);
    let kept = planned.filter(|&&zone| !survey.zones[zone].skipped);
    kept.fold((0, 0), |(done, of), &zone| {
        let wanted = survey.wanted(zone) as usize;
        (done + (survey.zones[zone].taken as usize).min(wanted), of + wanted)
    })
}
