//! A board in words: a table that fits a terminal, and the sentences that belong to it.

use crate::board::Board;
use crate::board::Boards;
use crate::board::Row;
use crate::board::lives::Stretch;

/// More letters than these say less than the ranks beside them.
const MOST_LETTERS: usize = 8;
/// Pairs named one by one; more are counted.
const MOST_PAIRS: usize = 20;

/// The boards, line by line. Sentences may be longer than a terminal is wide.
#[must_use]
pub fn boards(boards: &Boards) -> Vec<String> {
    let mut lines = Vec::new();
    for (number, board) in boards.boards.iter().enumerate() {
        if number > 0 {
            lines.push(String::new());
        }
        lines.extend(one(board));
    }
    if !boards.apart.is_empty() {
        lines.push(String::new());
        lines.extend(boards.apart.iter().cloned());
    }
    lines
}

fn one(board: &Board) -> Vec<String> {
    let terms: Vec<String> = board.terms.iter().map(|term| format!("{} {}", term.what, term.is)).collect();
    let mut lines = vec![format!("Board: {}", terms.join("; ")), String::new()];
    lines.extend(table(board));
    lines.push(String::new());
    lines.extend(board.says.iter().cloned());
    lines.extend(life_pairs(board));
    for row in &board.rows {
        lines.extend(of_lives(board, row));
    }
    lines
}

fn table(board: &Board) -> Vec<String> {
    let several = board.rows.iter().any(|row| row.study != board.rows[0].study);
    let wide = board.rows.iter().any(|row| row.letters.split(' ').count() > MOST_LETTERS);
    let kept =
        board.retention_stage.as_ref().map_or_else(|| "kept".to_owned(), |stage| format!("kept, {stage}"));
    let mut head = vec![
        "",
        "difference, GU",
        "interval",
        "panels",
        "letters",
        "rank",
        &kept,
        "judged",
        "washes",
        "rank",
    ];
    let with_cost = board.rows.iter().any(|row| row.cost_per_m2.is_some());
    if with_cost {
        head.extend(["cost/m²", "and wash"]);
    }
    let mut rows: Vec<Vec<String>> = vec![head.into_iter().map(str::to_owned).collect()];
    for row in &board.rows {
        let mut cells = vec![
            if several { format!("{} {}", row.study, row.treatment) } else { row.treatment.clone() },
            row.difference.map_or_else(none, |found| format!("{:+.2}", found.mean_gu)),
            row.difference
                .and_then(|found| found.pooled_interval_gu.or(found.interval_gu))
                .map_or_else(none, |[low, high]| format!("{low:+.2} to {high:+.2}")),
            row.panels.to_string(),
            if wide { "…".to_owned() } else { row.letters.clone() },
            rank(row.rank),
            row.kept_at(board.retention_stage.as_deref())
                .map_or_else(none, |kept| format!("{:.1} %", kept.mean_pct)),
            judged(row),
            row.lives.middle.map_or_else(none, washes),
            rank(row.life_rank),
        ];
        if with_cost {
            cells.push(row.cost_per_m2.map_or_else(none, |cost| format!("{cost:.2} {}", row.currency)));
            let per = row.cost_per_m2_and_wash;
            cells.push(per.map_or_else(none, |per| match (per.low, per.high) {
                (Some(low), Some(high)) => format!("{low:.2} to {high:.2}"),
                (None, Some(high)) => format!("under {high:.2}"),
                (Some(low), None) => format!("over {low:.2}"),
                (None, None) => none(),
            }));
        }
        rows.push(cells);
    }
    let columns = rows[0].len();
    let widths: Vec<usize> =
        (0..columns).map(|at| rows.iter().map(|row| row[at].chars().count()).max().unwrap_or(0)).collect();
    let line = |cells: &Vec<String>| {
        let padded = cells.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}"));
        padded.collect::<Vec<_>>().join("  ").trim_end().to_owned()
    };
    rows.iter().map(line).collect()
}

fn none() -> String {
    "-".to_owned()
}

fn rank(rank: Option<[usize; 2]>) -> String {
    match rank {
        None => none(),
        Some([best, worst]) if best == worst => best.to_string(),
        Some([best, worst]) => format!("{best}–{worst}"),
    }
}

fn judged(row: &Row) -> String {
    if row.judgements.is_empty() {
        return none();
    }
    let failed: Vec<&str> =
        row.judgements.iter().filter(|of| of.failed > 0).map(|of| of.attribute.as_str()).collect();
    if failed.is_empty() { "passed".to_owned() } else { format!("failed: {}", failed.join(", ")) }
}

/// After how many washes it failed, as far as is known.
fn washes(of: Stretch) -> String {
    match (of.after, of.until) {
        (0, Some(until)) => format!("by {until}"),
        (after, Some(until)) => format!("{after} to {until}"),
        (after, None) => format!("over {after}"),
    }
}

fn life_pairs(board: &Board) -> Vec<String> {
    let name = |row: usize| {
        let row = &board.rows[row];
        format!("{} of {}", row.treatment, row.study)
    };
    let lived = board.rows.iter().filter(|row| row.lives.counted > 0).count();
    if lived < 2 {
        return Vec::new();
    }
    let all = lived * (lived - 1) / 2;
    let told = board.life_pairs.len();
    let mut lines = vec![format!("By their lives {told} of {all} pairs can be told apart.")];
    for pair in board.life_pairs.iter().take(if told > MOST_PAIRS { 0 } else { told }) {
        let why = match (pair.on_these_panels, pair.p_adjusted) {
            (true, Some(p)) if p <= crate::board::scatter::LEVEL => format!("on every panel, p = {p:.3}"),
            (true, _) => "on every panel here".to_owned(),
            (false, p) => format!("p = {:.3}", p.unwrap_or(1.0)),
        };
        lines.push(format!("  {} outlives {} ({why})", name(pair.longer), name(pair.shorter)));
    }
    lines
}

fn of_lives(board: &Board, row: &Row) -> Vec<String> {
    let mut lines = Vec::new();
    let code = &row.treatment;
    let over: Vec<String> = row
        .lives
        .patches
        .iter()
        .filter(|patch| patch.over)
        .map(|patch| format!("{} {}", patch.panel, washes(patch.washes)))
        .collect();
    if !over.is_empty() {
        lines.push(format!("{code}: put on over an earlier product, and not counted: {}.", over.join(", ")));
    }
    if let Some(fit) = &row.lives.fit {
        let end = |end: Option<f64>| end.map_or_else(|| "no end".to_owned(), |end| format!("{end:.1}"));
        let (shape, median) = (&fit.shape, &fit.median);
        lines.push(format!(
            "{code}: half fail by {:.1} washes ({} to {}), shape {:.2} ({} to {}), Weibull on {} panels.",
            median.value,
            end(median.low),
            end(median.high),
            shape.value,
            end(shape.low),
            end(shape.high),
            row.lives.counted
        ));
    } else if !row.lives.says.is_empty() && board.rows.len() <= MOST_PAIRS {
        lines.push(format!(
            "{code}: {} of {} failed; {}.",
            row.lives.failed, row.lives.counted, row.lives.says
        ));
    }
    lines
}
