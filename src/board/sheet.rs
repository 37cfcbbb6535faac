//! `board.csv`: the board as a table, one row for each treatment. Empty where nothing is known.

use crate::board::Boards;
use crate::board::row::Row;
use std::io;
use std::io::Write;

/// Name and meaning of each column, in order; the page `protocol-notes/board.md` is held to them.
pub const COLUMNS: [(&str, &str); 30] = [
    ("board", "Number of the board, from 1: rows of different boards are not to be compared."),
    ("study", "Folder name of the study."),
    ("treatment", "Code of the treatment."),
    ("name", "Name of the product."),
    ("n_panels", "Panels with a proven result at the stage."),
    ("difference_gu", "Treated minus control, mean over the panels, GU."),
    ("ci_low_gu", "Lower end of its 95 % interval by these panels alone, GU; empty with one panel."),
    ("ci_high_gu", "Upper end of that interval, GU."),
    ("pooled_ci_low_gu", "Lower end of its 95 % interval by the scatter pooled over the board, GU."),
    ("pooled_ci_high_gu", "Upper end of that interval, GU."),
    (
        "pooled_panel_sd_gu",
        "The pooled standard deviation from panel to panel, GU; the same in all rows of a board.",
    ),
    ("pooled_degrees_of_freedom", "Its degrees of freedom."),
    ("verdict", "What these panels alone say."),
    ("speaks_of", "`product` from three panels on, else `panels`."),
    ("letters", "Letters: treatments that share one cannot be told apart by their difference."),
    ("rank_best", "Best rank by the difference that it can have, from 1."),
    ("rank_worst", "Worst rank by the difference that it can have."),
    (
        "retention_stage",
        "The stage at which gloss kept is held side by side; the same in all rows of a board.",
    ),
    ("retention_pct", "Gloss kept at it, mean over the panels, percent."),
    ("judgements_passed", "How often it was judged and passed, all attributes together."),
    ("judgements_failed", "How often it was judged and failed."),
    ("n_lives", "Patches whose life counts: those put on over an earlier product do not."),
    ("n_failed", "How many of those have failed."),
    ("life_after_washes", "The middle patch still worked at this wash."),
    ("life_until_washes", "The middle patch had failed by this wash; empty while it is alive."),
    ("life_rank_best", "Best rank by life that it can have, from 1."),
    ("life_rank_worst", "Worst rank by life that it can have."),
    ("cost_per_m2", "Cost of a square metre as it was put on."),
    ("cost_per_m2_and_wash_high", "The same for each wash at which the middle patch still worked."),
    ("currency", "In what costs are; empty where no price is given."),
];

/// Writes the table with its header.
///
/// # Errors
/// Whatever `out` reports.
pub fn write(boards: &Boards, out: &mut dyn Write) -> io::Result<()> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(out);
    writer.write_record(COLUMNS.map(|column| column.0))?;
    for (number, board) in boards.boards.iter().enumerate() {
        let pooled = board.scatter.panels;
        for row in &board.rows {
            let scatter = [figure(pooled.map(|of| of.sd_gu)), figure(pooled.map(|of| of.degrees_of_freedom))];
            let stage = board.retention_stage.as_deref();
            writer.write_record(cells(number + 1, row, stage, scatter))?;
        }
    }
    writer.flush()
}

fn cells(board: usize, row: &Row, stage: Option<&str>, [sd, degrees]: [String; 2]) -> [String; 30] {
    let difference = row.difference.as_ref();
    let end = |of: Option<[f64; 2]>, at: usize| figure(of.map(|ends| ends[at]));
    let kept = row.kept_at(stage);
    let judged = |count: fn(&crate::board::row::Judgement) -> usize| {
        let all: usize = row.judgements.iter().map(count).sum();
        if row.judgements.is_empty() { String::new() } else { all.to_string() }
    };
    let rank =
        |rank: Option<[usize; 2]>, at: usize| rank.map_or_else(String::new, |rank| rank[at].to_string());
    let middle = row.lives.middle;
    let text = str::to_owned;
    [
        board.to_string(),
        row.study.clone(),
        row.treatment.clone(),
        row.name.clone(),
        row.panels.to_string(),
        figure(difference.map(|found| found.mean_gu)),
        end(difference.and_then(|found| found.interval_gu), 0),
        end(difference.and_then(|found| found.interval_gu), 1),
        end(difference.and_then(|found| found.pooled_interval_gu), 0),
        end(difference.and_then(|found| found.pooled_interval_gu), 1),
        sd,
        degrees,
        difference.map_or_else(String::new, |found| text(found.verdict)),
        difference.map_or_else(String::new, |found| text(found.speaks_of)),
        row.letters.clone(),
        rank(row.rank, 0),
        rank(row.rank, 1),
        stage.map_or_else(String::new, text),
        figure(kept.map(|kept| kept.mean_pct)),
        judged(|of| of.passed),
        judged(|of| of.failed),
        row.lives.counted.to_string(),
        row.lives.failed.to_string(),
        middle.map_or_else(String::new, |middle| middle.after.to_string()),
        middle.and_then(|middle| middle.until).map_or_else(String::new, |until| until.to_string()),
        rank(row.life_rank, 0),
        rank(row.life_rank, 1),
        figure(row.cost_per_m2),
        figure(row.cost_per_m2_and_wash.and_then(|of| of.high)),
        row.currency.clone(),
    ]
}

/// To four decimals, as in the other tables.
fn figure(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| {
        let text = format!("{value:.4}");
        if text == "-0.0000" { "0.0000".to_owned() } else { text }
    })
}
