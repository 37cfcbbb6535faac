//! Treatments over several panels in words, from the rows of `treatments.csv`.

use serde::Deserialize;

#[derive(Deserialize)]
struct Row {
    treatment: String,
    stage: String,
    geometry_deg: String,
    n_panels: usize,
    difference_gu: Option<f64>,
    panel_sd_gu: Option<f64>,
    ci_high_gu: Option<f64>,
    expanded_uncertainty_gu: Option<f64>,
    verdict: String,
    speaks_of: String,
    expanded_with_three_gu: Option<f64>,
}

/// One line for each treatment that has more than one panel, and one more below it where there are two;
/// nothing if none has. Rows that are none of ours are passed over.
#[must_use]
pub fn over_panels(treatments_csv: &[u8]) -> Vec<String> {
    let rows = csv::Reader::from_reader(treatments_csv).into_deserialize().filter_map(Result::ok);
    let mut lines = Vec::new();
    for row in rows.filter(|row: &Row| row.n_panels > 1) {
        if lines.is_empty() {
            lines.push("Over all panels, the panel as the unit".to_owned());
        }
        lines.extend(of_row(&row));
    }
    lines
}

fn of_row(row: &Row) -> Vec<String> {
    let Some(difference) = row.difference_gu else { return Vec::new() };
    let half = row.expanded_uncertainty_gu.or_else(|| row.ci_high_gu.map(|high| high - difference));
    let half = half.map_or_else(String::new, |half| format!(" ± {half:.2}"));
    let spread = row.panel_sd_gu.map_or_else(String::new, |sd| format!(", panels scatter by {sd:.2}"));
    let mut lines = vec![format!(
        "  {} {}, {}°: {difference:+.2}{half} GU on {} panels{spread}: {}, of {}",
        row.treatment,
        row.stage,
        row.geometry_deg,
        row.n_panels,
        row.verdict,
        if row.speaks_of == "product" { "the product" } else { "these panels" }
    )];
    if let Some(three) = row.expanded_with_three_gu {
        lines.push(format!(
            "      two panels leave one degree of freedom; three that scatter so would give ± {three:.2}"
        ));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "treatment,stage,geometry_deg,n_panels,panels,runs,difference_gu,panel_sd_gu,ci_low_gu,ci_high_gu,\
        standard_uncertainty_gu,degrees_of_freedom,coverage_factor,expanded_uncertainty_gu,verdict,speaks_of,\
        expanded_with_three_gu,flags\n";

    #[test]
    fn two_panels_say_what_a_third_would_give_and_one_panel_nothing() {
        let rows = "T1,cured,60,2,\"P1, P2\",r,8.0,1.4142,-4.7,20.7,1,1,12.7,12.7,no detectable difference,panels,3.51,\n\
            T2,cured,60,1,P1,r,5.0,,,,,,,,no result,panels,,one-panel\n";
        let lines = over_panels(format!("{HEAD}{rows}").as_bytes());
        assert_eq!(lines.len(), 3, "{lines:?}");
        assert!(lines[1].contains("+8.00 ± 12.70 GU on 2 panels, panels scatter by 1.41"), "{lines:?}");
        assert!(lines[2].contains("three that scatter so would give ± 3.51"), "{lines:?}");
    }

    #[test]
    fn nothing_is_said_where_every_treatment_has_one_panel() {
        assert!(over_panels(HEAD.as_bytes()).is_empty());
    }
}
