//! What rows mean together: numbers that come twice, corrections, wash counts that go back, labels and their seals.

use crate::life::blind;
use crate::life::columns::Column;
use crate::life::observation::Observations;
use crate::life::observation::Subject;
use crate::life::observation::What;
use crate::life::reading::Places;
use crate::life::reading::ReadRow;
use crate::life::reading::RowProblem;
use crate::study::Study;
use crate::text::Problem;
use std::collections::BTreeMap;
use std::collections::BTreeSet;

/// Puts rows and problems into `found`, and rows that contradict earlier ones among the problems.
pub(super) fn settle(
    file: &str,
    rows: Vec<ReadRow>,
    mut bad: Vec<RowProblem>,
    study: &Study,
    found: &mut Observations,
) {
    let numbers = rows.iter().map(|row| row.observation.row).chain(bad.iter().filter_map(|bad| bad.row));
    found.last_row = numbers.max().unwrap_or(0);
    let mut settling = Settling { file, study, rows, bad: Vec::new() };
    settling.refuse_numbers_twice();
    settling.refuse_corrections_of_nothing(&bad);
    settling.take_back(&mut bad, &mut found.remarks);
    settling.refuse_broken_seals();
    settling.refuse_counts_that_go_back(&mut found.remarks);
    bad.append(&mut settling.bad);
    bad.sort_by_key(|bad| (bad.problem.line, bad.problem.column));
    found.problems.extend(bad.into_iter().map(|bad| bad.problem));
    found.rows = settling.rows.into_iter().map(|row| row.observation).collect();
}

struct Settling<'a> {
    file: &'a str,
    study: &'a Study,
    rows: Vec<ReadRow>,
    bad: Vec<RowProblem>,
}

/// Why a row is refused: the column, what, and what to do.
type Refusal = (Column, String, String);

impl Settling<'_> {
    /// Moves a row among the problems.
    fn refuse(&mut self, index: usize, (column, what, hint): Refusal) {
        let ReadRow { observation, places } = self.rows.remove(index);
        self.bad.push(RowProblem {
            row: Some(observation.row),
            problem: Problem {
                file: self.file.to_owned(),
                line: observation.line,
                column: Places::of(&places, column),
                what,
                hint,
            },
        });
    }

    /// Refuses each row, from the last to the first, for which there is a reason.
    fn refuse_all(&mut self, mut refusals: BTreeMap<usize, Refusal>) {
        while let Some((index, refusal)) = refusals.pop_last() {
            self.refuse(index, refusal);
        }
    }

    fn refuse_numbers_twice(&mut self) {
        let mut seen: BTreeMap<u32, usize> = BTreeMap::new();
        let mut refusals = BTreeMap::new();
        for (index, row) in self.rows.iter().enumerate() {
            let number = row.observation.row;
            match seen.get(&number) {
                Some(line) => {
                    let what = format!("row number {number} stands in line {line} already");
                    refusals.insert(index, (Column::Row, what, "give it the next free number".to_owned()));
                }
                None => {
                    seen.insert(number, row.observation.line);
                }
            }
        }
        self.refuse_all(refusals);
    }

    /// A correction names a row above it, which may be one that could not be read.
    fn refuse_corrections_of_nothing(&mut self, bad: &[RowProblem]) {
        let mut refusals = BTreeMap::new();
        for (index, row) in self.rows.iter().enumerate() {
            let What::Corrected { takes_back } = row.observation.what else { continue };
            let line = row.observation.line;
            let above = self.rows.iter().map(|r| (Some(r.observation.row), r.observation.line));
            let mut above = above.chain(bad.iter().map(|bad| (bad.row, bad.problem.line)));
            if !above.any(|(number, at)| number == Some(takes_back) && at < line) {
                let what = format!("no row above this one has the number {takes_back}");
                let hint = "give the number in the column `row` of the row that was a mistake".to_owned();
                refusals.insert(index, (Column::TakesBack, what, hint));
            }
        }
        self.refuse_all(refusals);
    }

    /// From the last correction to the first: one that was itself taken back takes nothing back.
    fn take_back(&mut self, bad: &mut Vec<RowProblem>, remarks: &mut Vec<String>) {
        for index in (0..self.rows.len()).rev() {
            let by = &self.rows[index].observation;
            let (What::Corrected { takes_back }, None) = (&by.what, by.taken_back_by) else { continue };
            let (takes_back, number) = (*takes_back, by.row);
            let is_it = |row: &&mut ReadRow| row.observation.row == takes_back;
            if let Some(row) = self.rows[..index].iter_mut().find(is_it) {
                row.observation.taken_back_by = row.observation.taken_back_by.or(Some(number));
                continue;
            }
            bad.retain(|bad| {
                let is_it = bad.row == Some(takes_back);
                if is_it {
                    remarks.push(format!(
                        "line {}: {}; taken back by row {number}",
                        bad.problem.line, bad.problem.what
                    ));
                }
                !is_it
            });
        }
    }

    /// Labels go by the order of the file: what was written down first was known first.
    fn refuse_broken_seals(&mut self) {
        let mut seals: BTreeMap<String, String> = BTreeMap::new();
        let mut open: BTreeSet<String> = BTreeSet::new();
        let mut refusals = BTreeMap::new();
        for (index, row) in self.rows.iter().enumerate() {
            if row.observation.taken_back_by.is_some() {
                continue;
            }
            let refusal = match &row.observation.what {
                What::Blinded { label, seal_sha256 } => {
                    let is_new = seals.insert(label.clone(), seal_sha256.clone()).is_none();
                    open.insert(label.clone());
                    (!is_new)
                        .then(|| (format!("the label `{label}` was given out before"), "draw another one"))
                }
                What::Judged { subject: Subject::Label(label), .. } if !seals.contains_key(label) => Some((
                    format!("no row above gives out the label `{label}`"),
                    "look at the spelling, or judge by treatment and panel",
                )),
                What::Judged { subject: Subject::Label(label), .. } if !open.contains(label) => Some((
                    format!("the label `{label}` was revealed before, so this judgement is not blind"),
                    "write it with treatment and panel in place of the label",
                )),
                What::Revealed { label, patch, salt } => {
                    let is_kept = seals.get(label) == Some(&blind::seal(self.study, label, *patch, salt));
                    open.remove(label);
                    (!is_kept).then(|| {
                        (
                            format!("label `{label}` does not fit its seal"),
                            "it was sealed for something else; draw labels anew",
                        )
                    })
                }
                _ => None,
            };
            if let Some((what, hint)) = refusal {
                refusals.insert(index, (Column::Label, what, hint.to_owned()));
            }
        }
        self.refuse_all(refusals);
    }

    /// Washes of a panel are counted in the order of time, from 0 when it is prepared.
    fn refuse_counts_that_go_back(&mut self, remarks: &mut Vec<String>) {
        let mut order: Vec<usize> = (0..self.rows.len())
            .filter(|&index| self.rows[index].observation.taken_back_by.is_none())
            .collect();
        order.sort_by_key(|&index| self.rows[index].observation.at);
        let mut counts: BTreeMap<usize, u32> = BTreeMap::new();
        let mut refusals = BTreeMap::new();
        for index in order {
            let observation = &self.rows[index].observation;
            let (panel, washes) = match observation.what {
                What::Stripped { panel, patch: None } => {
                    counts.insert(panel, 0);
                    continue;
                }
                What::Washed { panel, washes, .. } => (panel, washes),
                What::Looked { patch, washes: Some(washes), .. } => (self.study.patches[patch].panel, washes),
                _ => continue,
            };
            let is_look = matches!(observation.what, What::Looked { .. });
            let (id, line) = (&self.study.panels[panel].id, observation.line);
            let count = counts.entry(panel).or_insert(0);
            if washes < *count {
                let what = format!("the wash count of panel `{id}` goes back from {count} to {washes}");
                let hint = "the count goes on until the panel is stripped; put `at` or `washes` right, or take back the row that is wrong";
                refusals.insert(index, (Column::Washes, what, hint.to_owned()));
                continue;
            }
            if is_look && washes > *count {
                remarks.push(format!(
                    "line {line}: looked at panel `{id}` after {washes} washes, of which {count} are noted; taken as washed"
                ));
            } else if !is_look && washes == *count {
                remarks
                    .push(format!("line {line}: panel `{id}` had {washes} washes already; nothing is added"));
            }
            *count = washes;
        }
        self.refuse_all(refusals);
    }
}
