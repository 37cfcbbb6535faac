//! How the treatments of a study stand, as text: panels of which the same can be said share a line.

use crate::life::Status;
use crate::text::wrapped;

/// Width to which runs are folded.
const WIDTH: usize = 92;

/// A part for each treatment: its panels with stage and what comes next, then the runs that read them.
#[must_use]
pub fn status(all: &[Status]) -> Vec<String> {
    let mut lines = Vec::new();
    for of_treatment in all.chunk_by(|one, next| one.treatment == next.treatment) {
        let Status { treatment, name, .. } = &of_treatment[0];
        lines.push(format!("{treatment} {name}"));
        let alike = grouped(of_treatment, |one, other| {
            (&one.stage, &one.next, &one.warnings) == (&other.stage, &other.next, &other.warnings)
        });
        for panels in &alike {
            lines.push(format!("  on {}: {}", names(panels), panels[0].stage));
            lines.push(format!("    next: {}", panels[0].next));
            let commands = panels.iter().filter(|of| !of.command.is_empty());
            lines.extend(commands.map(|of| format!("          {}", of.command)));
            lines.extend(panels[0].warnings.iter().map(|warning| format!("    note: {warning}")));
        }
        for panels in grouped(of_treatment, |one, other| reads(one) == reads(other)) {
            let runs = reads(panels[0]);
            if runs.is_empty() {
                continue;
            }
            let of = if panels.len() == of_treatment.len() {
                String::new()
            } else {
                format!(" of {}", names(&panels))
            };
            for (index, line) in wrapped(&runs, WIDTH).iter().enumerate() {
                lines.push(if index == 0 {
                    format!("  runs{of}: {line}")
                } else {
                    format!("        {line}")
                });
            }
        }
    }
    lines
}

/// Those of which the same can be said, in the order of the first of each.
fn grouped(all: &[Status], same: impl Fn(&Status, &Status) -> bool) -> Vec<Vec<&Status>> {
    let mut groups: Vec<Vec<&Status>> = Vec::new();
    for one in all {
        match groups.iter_mut().find(|group| same(group[0], one)) {
            Some(group) => group.push(one),
            None => groups.push(vec![one]),
        }
    }
    groups
}

fn names(panels: &[&Status]) -> String {
    panels.iter().map(|of| of.panel.as_str()).collect::<Vec<_>>().join(", ")
}

fn reads(status: &Status) -> String {
    let runs: Vec<String> = status.runs.iter().map(|run| format!("{} {}", run.run, run.stage)).collect();
    runs.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(treatment: &str, panel: &str, next: &str, command: &str) -> Status {
        Status {
            treatment: treatment.to_owned(),
            name: "Slipway Wax Paste".to_owned(),
            panel: panel.to_owned(),
            stage: "washed-10".to_owned(),
            standing: None,
            washes: 10,
            lifetime: None,
            next: next.to_owned(),
            command: command.to_owned(),
            from: None,
            is_hazardous: false,
            runs: Vec::new(),
            warnings: Vec::new(),
        }
    }

    #[test]
    fn panels_of_which_the_same_can_be_said_share_a_line_and_keep_their_commands() {
        let all = [
            of("T2", "P1", "wash up to 20", "wash --panel P1"),
            of("T2", "P2", "nothing: it has failed", ""),
            of("T2", "P3", "wash up to 20", "wash --panel P3"),
            of("T3", "P1", "wash up to 20", ""),
        ];
        let expected = "\
T2 Slipway Wax Paste
  on P1, P3: washed-10
    next: wash up to 20
          wash --panel P1
          wash --panel P3
  on P2: washed-10
    next: nothing: it has failed
T3 Slipway Wax Paste
  on P1: washed-10
    next: wash up to 20";
        assert_eq!(status(&all).join("\n"), expected);
    }
}
