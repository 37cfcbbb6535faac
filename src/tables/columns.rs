//! The columns of each table, in the order of the file.

use super::schema::CellType;
use super::schema::Column;

const ROLES: &[&str] = &["control", "treated"];
const GEOMETRIES: &[&str] = &["20", "60", "85"];
const KINDS: &[&str] = &["opening", "interim", "closing", "as-found", "as-left", "zero", "middle", "zone"];
const CHECK_KINDS: &[&str] = &["opening", "interim", "closing", "as-found", "as-left", "zero", "middle"];
const READING_STATUSES: &[&str] = &["proven", "drifted", "not-proven", "voided", "undone", "superseded"];
const ZONE_STATUSES: &[&str] = &["proven", "drifted", "not-proven", "skipped"];
const RESULT_STATUSES: &[&str] = &["proven", "drifted", "not-proven"];
const DESIGNS: &[&str] = &["no-baseline", "paired"];
const VERDICTS: &[&str] = &["higher", "lower", "no detectable difference", "no result"];

const fn column(name: &'static str, cell: CellType, description: &'static str) -> Column {
    Column { name, cell, unit: "", required: false, values: &[], minimum: None, description }
}

const fn text(name: &'static str, description: &'static str) -> Column {
    column(name, CellType::String, description)
}

const fn integer(name: &'static str, minimum: u32, description: &'static str) -> Column {
    Column { minimum: Some(minimum), ..column(name, CellType::Integer, description) }
}

const fn number(name: &'static str, unit: &'static str, description: &'static str) -> Column {
    Column { unit, ..column(name, CellType::Number, description) }
}

impl Column {
    const fn required(self) -> Column {
        Column { required: true, ..self }
    }

    const fn one_of(self, values: &'static [&'static str]) -> Column {
        Column { values, ..self }
    }

    const fn not_below_zero(self) -> Column {
        Column { minimum: Some(0), ..self }
    }
}

const RUN: Column = text("run", "Id of the run.").required();
const PANEL: Column = text("panel", "Panel.").required();
const GEOMETRY: Column = Column {
    unit: "deg",
    ..column("geometry_deg", CellType::Integer, "Measuring geometry, degrees from the normal.")
}
.required()
.one_of(GEOMETRIES);

pub(super) const READINGS: &[Column] = &[
    RUN,
    integer("order", 1, "Running number of the reading in the run.").required(),
    column("time", CellType::Datetime, "When the reading arrived.").required(),
    number("elapsed_s", "s", "Time since the start of the run.").required().not_below_zero(),
    text("kind", "`zone`, or the kind of the tile check that the reading belongs to.")
        .required()
        .one_of(KINDS),
    text("panel", "Panel; empty on the tile."),
    text("zone", "Zone; empty on the tile."),
    text("role", "Role of the zone; empty on the tile.").one_of(ROLES),
    text("treatment", "Code of the zone's treatment; empty on a control zone and on the tile."),
    text("stage", "Stage of the patch, on a control zone that of the panel; empty on the tile."),
    integer("repeat", 1, "Which repeat on the spot.").required(),
    GEOMETRY,
    number("gloss_gu", "GU", "The value with the digits that the meter printed.").required(),
    number(
        "corrected_gu",
        "GU",
        "The value times the tile's assigned value, divided by the tile's value at that time, which is interpolated between the two checks; only for zone readings in a proven bracket.",
    ),
    text("status", "What became of the reading.").required().one_of(READING_STATUSES),
    text("flags", "Tokens separated by `;`: `voided=<reason>`, `retaken`, `stability-only`, `doubtful`."),
    integer("record", 0, "Number of the record in the recording that ended the reading's line.").required(),
];

pub(super) const TILE_CHECKS: &[Column] = &[
    RUN,
    text("kind", "What the check was for.").required().one_of(CHECK_KINDS),
    column("time", CellType::Datetime, "Mean time of the check's readings.").required(),
    GEOMETRY,
    integer("n", 1, "Number of readings; of an unfinished check, so far.").required(),
    number("mean_gu", "GU", "Mean of the readings.").required(),
    number("sd_gu", "GU", "Standard deviation (divisor n - 1); empty below two readings.").not_below_zero(),
    number("assigned_gu", "GU", "Assigned value of the tile, as the study states it; 0 for the black trap.")
        .required(),
    number("deviation_gu", "GU", "Mean minus assigned value.").required(),
    column(
        "passed",
        CellType::Boolean,
        "Whether this geometry kept to the tolerance; `false` for an invalid or unfinished check.",
    )
    .required(),
];

pub(super) const ZONES: &[Column] = &[
    RUN,
    PANEL,
    text("zone", "Zone.").required(),
    text("role", "Role of the zone.").required().one_of(ROLES),
    text("treatment", "Code of the zone's treatment; empty on a control zone."),
    text("stage", "Stage of the patch, on a control zone that of the panel."),
    GEOMETRY,
    integer("n", 0, "Number of readings that count.").required(),
    number("mean_gu", "GU", "Mean of the readings that count; corrected ones under drift policy `correct`."),
    number("sd_gu", "GU", "Standard deviation (divisor n - 1); empty below two readings.").not_below_zero(),
    number("min_gu", "GU", "Smallest of the values in the mean."),
    number("max_gu", "GU", "Largest of the values in the mean."),
    text("status", "Status of the zone.").required().one_of(ZONE_STATUSES),
    text(
        "flags",
        "Tokens separated by `;`: `skipped=<reason>`, `voided-to-nothing`, `retaken`, `uncorrected`, `doubtful`, `range-exceeded`, `side-range-exceeded`, `zero-off`, `middle-off`.",
    ),
    number("raw_mean_gu", "GU", "Mean of the readings that count, as the meter gave them."),
    number("corrected_mean_gu", "GU", "Mean of the corrected readings; only if all lie in proven brackets."),
];

pub(super) const RESULTS: &[Column] = &[
    RUN,
    PANEL,
    text("treatment", "Code of the treatment.").required(),
    text("stage", "Stage of the patch."),
    text("design", "How treated and control are compared.").required().one_of(DESIGNS),
    GEOMETRY,
    integer("n_control", 0, "Number of proven control zones.").required(),
    integer("n_treated", 0, "Number of proven treated zones.").required(),
    number("control_mean_gu", "GU", "Mean of the control zones' means."),
    number("treated_mean_gu", "GU", "Mean of the treated zones' means."),
    number("difference_gu", "GU", "Treated minus control."),
    number("ci_low_gu", "GU", "Lower end of the 95 % interval from which the verdict is made: everything that could make a difference out of nothing."),
    number("ci_high_gu", "GU", "Upper end of that interval."),
    number("standard_uncertainty_gu", "GU", "Combined standard uncertainty of the difference, with what is common to both sides (tile, scale); empty if the tile's certificate states none.").not_below_zero(),
    number("degrees_of_freedom", "", "Its effective degrees of freedom (Welch-Satterthwaite).").not_below_zero(),
    number("coverage_factor", "", "Student's t at 95 %.").not_below_zero(),
    number("expanded_uncertainty_gu", "GU", "Coverage factor times combined standard uncertainty.").not_below_zero(),
    text("verdict", "What can be said of the treated side.").required().one_of(VERDICTS),
    number("detectable_gu", "GU", "Smallest true difference that a comparison like this finds with chance 0.8 at the level 0.05, two-sided.").not_below_zero(),
    number("retention_pct", "%", "Treated gloss as a share of that of the same zones at an earlier stage."),
    text("retention_from_stage", "The earlier stage of the retention."),
    number("control_retention_pct", "%", "The same of the control zones."),
    number("cure_hours_actual", "h", "Start of the run minus the time the treatment was put on; empty for a run before that."),
    number("drift_gu", "GU", "Change of the tile in the worst bracket used, by size."),
    number("opening_deviation_gu", "GU", "Tile's deviation at the first check used."),
    number("closing_deviation_gu", "GU", "Tile's deviation at the last check used."),
    number("drift_gu_per_h", "GU/h", "Drift of the worst bracket divided by the time between its checks."),
    text("drift_policy", "What a drift inside the limit does to the values.")
        .required()
        .one_of(&["allow", "correct"]),
    text("status", "Whether the meter was proven for every zone of the comparison.")
        .required()
        .one_of(RESULT_STATUSES),
    text("recording", "Id of the run whose recording the row comes from.").required(),
    text("recording_sha256", "SHA-256 of that recording; empty while none is known."),
    text("baseline_recording", "Id of the run with the bare readings, as named when this run began."),
    text("baseline_sha256", "SHA-256 of that recording, as named when this run began."),
    number("difference_raw_gu", "GU", "Difference of the values as the meter gave them."),
    number("difference_corrected_gu", "GU", "Difference of the values with the drift of the tile taken out."),
    number("drift_low_gu_per_h", "GU/h", "Lower end of the 95 % interval of `drift_gu_per_h`; empty if a check has one reading."),
    number("drift_high_gu_per_h", "GU/h", "Upper end of that interval."),
    number("retention_low_pct", "%", "Lower end of the 95 % interval of `retention_pct`."),
    number("retention_high_pct", "%", "Upper end of that interval."),
    text("matters", "Whether the whole of the interval, or of the difference with its expanded uncertainty where that is wider, lies beyond the size that the study says matters (`yes`), within it (`no`), or neither; empty if the study names no size.").one_of(&["yes", "no", "cannot tell"]),
    integer("zones_to_settle", 2, "Zones on each side that find a difference of that size with chance 0.8, if zones scatter as these."),
    integer("repeats_to_settle", 1, "Readings on each zone that find it with the zones that there are; empty if repeats alone cannot, or zones have one reading."),
    column("equivalent", CellType::Boolean, "Whether the difference is shown to lie within the study's margin (two one-sided tests, 0.05), by the same uncertainty; empty without a margin."),
    number("difference_without_doubtful_gu", "GU", "The difference without doubtful readings and zones; empty if none is doubtful."),
    number("ci_low_without_doubtful_gu", "GU", "Lower end of its 95 % interval."),
    number("ci_high_without_doubtful_gu", "GU", "Upper end of its 95 % interval."),
    text("verdict_without_doubtful", "What could be said without them.").one_of(VERDICTS),
    text("flags", "Tokens separated by `;`, each explained on the page of the tables."),
];

pub(super) const BUDGET: &[Column] = &[
    RUN,
    PANEL,
    text("treatment", "Code of the treatment.").required(),
    text("stage", "Stage of the patch."),
    GEOMETRY,
    text("component", "What the uncertainty comes from.").required(),
    text("enters", "`chance`: the interval and the verdict, and the whole; `common`: the whole alone, since both sides share it.")
        .required()
        .one_of(&["chance", "common"]),
    number("value", "GU", "The component's figure.").required().not_below_zero(),
    text("stated_as", "What that figure is.").required().one_of(&[
        "standard uncertainty",
        "expanded uncertainty",
        "half-width, rectangular",
        "half-width, triangular",
        "step",
        "standard deviation, mean taken",
    ]),
    number("divisor", "", "Divides the figure to give a standard uncertainty.").required(),
    number("sensitivity", "", "Change of the difference per change of the component.").required(),
    number("degrees_of_freedom", "", "Degrees of freedom of the figure; empty for without end.").not_below_zero(),
    number("contribution_gu", "GU", "What it brings to the difference.").required().not_below_zero(),
    number("share_pct", "%", "Its share of the whole variance.").not_below_zero(),
];

pub(super) const CONTRASTS: &[Column] = &[
    RUN,
    PANEL,
    text("treatment_a", "Code of the treatment that is subtracted.").required(),
    text("treatment_b", "Code of the treatment that it is subtracted from.").required(),
    text("design", "How the two are compared.").required().one_of(DESIGNS),
    GEOMETRY,
    integer("n_a", 0, "Number of proven zones of the first.").required(),
    integer("n_b", 0, "Number of proven zones of the second.").required(),
    number("mean_a_gu", "GU", "Mean of the first one's zones."),
    number("mean_b_gu", "GU", "Mean of the second one's zones."),
    number("difference_gu", "GU", "Second minus first; in a paired design, of their changes."),
    number("ci_low_gu", "GU", "Lower end of the 95 % interval from which the verdict is made."),
    number("ci_high_gu", "GU", "Upper end of that interval."),
    number("expanded_uncertainty_gu", "GU", "Expanded uncertainty with what is common to both sides.")
        .not_below_zero(),
    text("verdict", "What can be said of the second.").required().one_of(VERDICTS),
    text("status", "Whether the meter was proven for both.").required().one_of(RESULT_STATUSES),
    text("flags", "As in `results.csv`."),
];

pub(super) const TREATMENTS: &[Column] = &[
    text("treatment", "Code of the treatment.").required(),
    text("stage", "Stage of its patches.").required(),
    GEOMETRY,
    integer("n_panels", 1, "Number of panels with a proven result.").required(),
    text("panels", "These panels, comma-separated.").required(),
    text("runs", "The runs whose results are taken, the latest proven one of each panel.").required(),
    number("difference_gu", "GU", "Mean of the panels' differences."),
    number("panel_sd_gu", "GU", "Standard deviation of the panels' differences; empty with one panel.")
        .not_below_zero(),
    number(
        "ci_low_gu",
        "GU",
        "Lower end of the 95 % interval from which the verdict is made; empty with one panel.",
    ),
    number("ci_high_gu", "GU", "Upper end of that interval."),
    number("standard_uncertainty_gu", "GU", "Combined standard uncertainty, with what all panels share.")
        .not_below_zero(),
    number("degrees_of_freedom", "", "Its effective degrees of freedom.").not_below_zero(),
    number("coverage_factor", "", "Student's t at 95 %.").not_below_zero(),
    number("expanded_uncertainty_gu", "GU", "Coverage factor times combined standard uncertainty.")
        .not_below_zero(),
    text("verdict", "What can be said of the treatment; `no result` with one panel.")
        .required()
        .one_of(VERDICTS),
    text("speaks_of", "`product` from three panels on, else of these `panels` only.")
        .required()
        .one_of(&["panels", "product"]),
    number(
        "expanded_with_three_gu",
        "GU",
        "Half-width of the interval that three panels of this spread would have; only with two.",
    )
    .not_below_zero(),
    text("flags", "`one-panel`, `one-degree-of-freedom` (two panels), `no-baseline`, `mixed-designs`."),
];
