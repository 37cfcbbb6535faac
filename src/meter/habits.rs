//! What a meter does by itself, as its manual has it. No value depends on it; the operator is told.

use crate::meter::profile_file::MeterTable;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use serde::Deserialize;
use toml::Spanned;

/// When the meter sets itself on a tile of its own. After that its scale may have moved, and a tile check
/// comes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SelfCalibration {
    /// Each time it is put into its dock or holder.
    Dock,
    /// Each time it is switched on.
    PowerCycle,
    /// Only when somebody does it.
    Never,
}

/// What a meter does by itself; absent where the profile does not say.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Habits {
    /// When it sets itself.
    pub calibrates_itself: Option<SelfCalibration>,
    /// How many readings it averages into the one that a press sends.
    pub averages: Option<u32>,
    /// Minutes without a press after which it switches itself off.
    pub switches_off_after_min: Option<u32>,
}

impl Habits {
    pub(super) fn of(source: Source<'_>, table: &MeterTable) -> Result<Habits, Problem> {
        let count = |key: &str, given: Option<&Spanned<u32>>, highest: u32| match given {
            None => Ok(None),
            Some(given) if (1..=highest).contains(given.get_ref()) => Ok(Some(*given.get_ref())),
            Some(given) => Err(source.problem(
                given.span(),
                format!("`{key}` is {}, out of range", given.get_ref()),
                format!("give 1 to {highest}, or leave the key out"),
            )),
        };
        Ok(Habits {
            calibrates_itself: table.calibrates_itself,
            averages: count("averages", table.averages.as_ref(), 1000)?,
            switches_off_after_min: count(
                "switches_off_after_min",
                table.switches_off_after_min.as_ref(),
                1440,
            )?,
        })
    }

    /// What the operator should know before a run, one sentence for each habit that matters.
    #[must_use]
    pub fn advice(&self) -> Vec<String> {
        let mut advice = Vec::new();
        match self.calibrates_itself {
            Some(SelfCalibration::Dock) => advice.push(
                "this meter sets itself in its dock: keep it out of the dock during a run, and check the tile if it \
                 was put there"
                    .to_owned(),
            ),
            Some(SelfCalibration::PowerCycle) => advice.push(
                "this meter sets itself when it is switched on: leave it on during a run, and check the tile if it \
                 was off"
                    .to_owned(),
            ),
            Some(SelfCalibration::Never) | None => {}
        }
        if let Some(minutes) = self.switches_off_after_min {
            advice.push(format!("this meter switches itself off after {minutes} min without a press"));
        }
        if let Some(readings @ 2..) = self.averages {
            advice.push(format!(
                "each press sends the mean of {readings} readings of the meter: press once, and keep it still until \
                 the value comes"
            ));
        }
        advice
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_the_operator_should_know_is_told_and_the_rest_is_not() {
        let quiet = Habits {
            calibrates_itself: Some(SelfCalibration::Never),
            averages: Some(1),
            ..Habits::default()
        };
        assert!(quiet.advice().is_empty() && Habits::default().advice().is_empty());
        let habits = Habits {
            calibrates_itself: Some(SelfCalibration::PowerCycle),
            averages: Some(3),
            switches_off_after_min: Some(5),
        };
        let told = habits.advice();
        assert_eq!(told.len(), 3);
        assert!(
            told[0].contains("leave it on") && told[1].contains("5 min") && told[2].contains("3 readings")
        );
    }
}
