//! A board in words: a table that fits a terminal, and the sentences that belong to it.

use crate::board::Board;
use crate::board::Boards;
use crate::board::Row;
use crate::board::lives::LifePair;
use crate::board::lives::Stretch;
use crate::board::scatter::LEVEL;

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
    lines.extend(differences(board));
    let rest = lives_and_costs(board);
    if !rest.is_empty() {
        lines.push(String::new());
        lines.extend(rest);
    }
    lines.push(String::new());
    lines.push(names(board));
    lines.extend(board.says.iter().cloned());
    lines.extend(life_pairs(board));
    lines.extend(counted(board));
    lines.extend(board.rows.iter().flat_map(of_lives));
    lines
}

/// How a row is called: by its study, too, where there are several.
fn called(board: &Board, row: &Row) -> String {
    let several = board.rows.iter().any(|row| row.study != board.rows[0].study);
    if several { format!("{} {}", row.study, row.treatment) } else { row.treatment.clone() }
}

/// Two tables below each other fit a terminal; side by side they would not.
fn differences(board: &Board) -> Vec<String> {
    let wide = board.rows.iter().any(|row| row.letters.split(' ').count() > MOST_LETTERS);
    let kept =
        board.retention_stage.as_ref().map_or_else(|| "kept".to_owned(), |stage| format!("kept, {stage}"));
    let head = ["", "difference, GU", "95 % interval", "panels", "letters", "rank", &kept];
    let mut rows: Vec<Vec<String>> = vec![head.map(str::to_owned).to_vec()];
    for row in &board.rows {
        let interval = row.difference.and_then(|found| found.pooled_interval_gu.or(found.interval_gu));
        let kept = row.kept_at(board.retention_stage.as_deref());
        rows.push(vec![
            called(board, row),
            row.difference.map_or_else(none, |found| gu(found.mean_gu)),
            interval.map_or_else(none, |[low, high]| format!("{} to {}", gu(low), gu(high))),
            row.panels.to_string(),
            if wide { "…".to_owned() } else { row.letters.clone() },
            rank(row.rank),
            kept.map_or_else(none, |kept| format!("{:.1} %", kept.mean_pct)),
        ]);
    }
    aligned(&rows)
}

/// Nothing where nobody has judged or looked, and no price is known.
fn lives_and_costs(board: &Board) -> Vec<String> {
    let with_cost = board.rows.iter().any(|row| row.cost_per_m2.is_some());
    let is_watched = |row: &Row| !row.judgements.is_empty() || row.lives.middle.is_some();
    if !with_cost && !board.rows.iter().any(is_watched) {
        return Vec::new();
    }
    let mut head = vec!["", "judged", "lasted, washes", "rank"];
    if with_cost {
        head.extend(["cost of 1 m²", "for each wash"]);
    }
    let mut rows: Vec<Vec<String>> = vec![head.into_iter().map(str::to_owned).collect()];
    for row in &board.rows {
        let lasted = row.lives.middle.map_or_else(none, washes);
        let mut cells = vec![called(board, row), judged(row), lasted, rank(row.life_rank)];
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
    aligned(&rows)
}

fn aligned(rows: &[Vec<String>]) -> Vec<String> {
    let columns = rows[0].len();
    let widths: Vec<usize> =
        (0..columns).map(|at| rows.iter().map(|row| row[at].chars().count()).max().unwrap_or(0)).collect();
    let line = |cells: &Vec<String>| {
        let padded = cells.iter().zip(&widths).map(|(cell, width)| format!("{cell:<width$}"));
        padded.collect::<Vec<_>>().join("  ").trim_end().to_owned()
    };
    rows.iter().map(line).collect()
}

fn names(board: &Board) -> String {
    let named = board.rows.iter().map(|row| format!("{} {}", called(board, row), row.name));
    format!("{}.", named.collect::<Vec<_>>().join("; "))
}

/// Rounded from the four decimals of the tables, as every other figure in words is.
fn gu(value: f64) -> String {
    format!("{:+.2}", (value * 1e4).round() / 1e4)
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

/// Which lives are told apart, the longer one first.
fn life_pairs(board: &Board) -> Vec<String> {
    let lived = board.rows.iter().filter(|row| row.lives.counted > 0).count();
    if lived < 2 {
        return Vec::new();
    }
    let all = lived * (lived - 1) / 2;
    let (by_test, on_panels): (Vec<&LifePair>, Vec<&LifePair>) =
        board.life_pairs.iter().partition(|pair| pair.p_adjusted.is_some_and(|p| p <= LEVEL));
    let mut lines = Vec::new();
    if !by_test.is_empty() {
        lines.push(format!(
            "Of {all} pairs of lives, a test tells {} apart (Holm, 5 % over all pairs).",
            by_test.len()
        ));
        lines.extend(outlived(board, &by_test));
    }
    let count = on_panels.len();
    lines.push(match count {
        0 if by_test.is_empty() => format!("Of {all} pairs of lives none can be told apart."),
        0 => return lines,
        _ => format!(
            "In {count} of {all} pairs every panel here of the one outlived every panel of the other, which says \
             nothing of the next panel."
        ),
    });
    lines.extend(outlived(board, &on_panels));
    lines
}

/// A line for each that outlived others.
fn outlived(board: &Board, pairs: &[&LifePair]) -> Vec<String> {
    if pairs.len() > MOST_PAIRS {
        return Vec::new();
    }
    let name = |row: usize| called(board, &board.rows[row]);
    let line = |longer: usize| {
        let shorter: Vec<String> =
            pairs.iter().filter(|pair| pair.longer == longer).map(|pair| name(pair.shorter)).collect();
        (!shorter.is_empty()).then(|| format!("  {} outlived {}", name(longer), shorter.join(", ")))
    };
    (0..board.rows.len()).filter_map(line).collect()
}

/// How many have failed, and why there is no curve or fit of them.
fn counted(board: &Board) -> Vec<String> {
    let mut by_reason: Vec<(&str, Vec<String>)> = Vec::new();
    for row in board.rows.iter().filter(|row| row.lives.fit.is_none() && !row.lives.says.is_empty()) {
        let says = format!("{} {} of {}", called(board, row), row.lives.failed, row.lives.counted);
        match by_reason.iter_mut().find(|(reason, _)| *reason == row.lives.says) {
            Some((_, of)) => of.push(says),
            None => by_reason.push((&row.lives.says, vec![says])),
        }
    }
    let line = |(reason, of): (&str, Vec<String>)| format!("Failed so far: {}; {reason}.", of.join(", "));
    by_reason.into_iter().filter(|(_, of)| of.len() <= MOST_PAIRS).map(line).collect()
}

fn of_lives(row: &Row) -> Vec<String> {
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
    }
    lines
}
