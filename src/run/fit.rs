//! Whether a head fits together. The study refuses such things with their place; but a head that a
//! person edited, or another program wrote, must not make a run panic, stall, or print what a terminal
//! or a spreadsheet would act on.

use super::record::Head;
use super::setup::{Repeatability, Setup, TileValue};
use rust_decimal::Decimal;

/// Longest text of a head, characters.
const LONGEST_TEXT: usize = 400;

/// Largest figure in GU that a head may have, far beyond any gloss.
const LARGEST_GU: i64 = 100_000;

/// Largest numbers of readings, far beyond any sitting.
const MOST_TILE_READINGS: u32 = 1_000;
const MOST_ZONE_READINGS: u32 = 1_000_000;

/// Longest time between checks that can be asked for: a year, minutes.
const LONGEST_MIN: u32 = 366 * 24 * 60;

impl Head {
    /// Whether the parts of the head fit together.
    ///
    /// # Errors
    /// A sentence naming the part that does not fit.
    pub fn check(&self) -> Result<(), String> {
        let is_plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if self.run.is_empty() || self.run.len() > 60 || !self.run.chars().all(is_plain) {
            return Err("the run's id is not made of letters, digits, `-` and `_`".to_owned());
        }
        self.setup.check()
    }
}

impl Setup {
    /// Whether the parts of the set-up fit together.
    ///
    /// # Errors
    /// A sentence naming the part that does not fit.
    pub fn check(&self) -> Result<(), String> {
        self.check_plan()?;
        self.check_texts()?;
        self.check_tile()?;
        self.check_comparing()?;
        self.check_procedure()
    }

    fn check_comparing(&self) -> Result<(), String> {
        let sizes = [self.comparing.matters_gu, self.comparing.equivalence_margin_gu];
        let sound = |gu: Decimal| gu > Decimal::ZERO && gu <= Decimal::from(LARGEST_GU) && gu.scale() <= 10;
        if !sizes.into_iter().flatten().all(sound) {
            return Err("a size that a difference is held against is no usable number of GU".to_owned());
        }
        for earlier in &self.comparing.earlier {
            if earlier.panel >= self.panels.len() {
                return Err("an earlier run is named for a panel that is not there".to_owned());
            }
            for text in [&earlier.stage, &earlier.run, &earlier.sha256] {
                plain_text(text)?;
            }
            let is_plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
            if !earlier.run.chars().all(is_plain) {
                return Err("an earlier run's id is not made of letters, digits, `-` and `_`".to_owned());
            }
        }
        Ok(())
    }

    fn check_plan(&self) -> Result<(), String> {
        let mut seen = vec![false; self.zones.len()];
        for &zone in self.plan.iter().flat_map(|block| &block.0) {
            match seen.get_mut(zone) {
                Some(seen) if !*seen => *seen = true,
                Some(_) => return Err(format!("the plan names zone number {zone} twice")),
                None => return Err(format!("the plan names zone number {zone}, which is not there")),
            }
        }
        if self.plan.iter().any(|block| block.0.is_empty()) || self.plan.is_empty() {
            return Err("the plan is empty or has an empty block".to_owned());
        }
        if self.zones.len() > usize::from(u16::MAX) {
            return Err("the run has more than 65,535 zones".to_owned());
        }
        for (number, zone) in self.zones.iter().enumerate() {
            if zone.panel >= self.panels.len() {
                return Err(format!("zone number {number} stands on a panel that is not there"));
            }
            if zone.treatment.is_some_and(|t| t >= self.treatments.len()) {
                return Err(format!("zone number {number} has a treatment that is not there"));
            }
            if ![zone.x_mm, zone.y_mm, zone.width_mm, zone.height_mm].iter().all(|mm| mm.is_finite()) {
                return Err(format!("zone number {number} has no place that can be drawn"));
            }
        }
        self.check_repeatability()
    }

    fn check_repeatability(&self) -> Result<(), String> {
        let Some(Repeatability { still, lifted, zone }) = &self.repeatability else { return Ok(()) };
        if self.zones.len() != 2 || self.panels.len() != 1 || still.max(lifted) != &1 || still == lifted {
            return Err("it asks how well the meter repeats, but not on one spot in two ways".to_owned());
        }
        plain_text(zone)
    }

    /// Texts end up on terminals and in the cells of tables.
    fn check_texts(&self) -> Result<(), String> {
        let names = self.panels.iter().map(|p| &p.id);
        let names = names.chain(self.zones.iter().flat_map(|z| [&z.name, &z.stage]));
        for name in names.chain(self.treatments.iter().map(|t| &t.code)) {
            plain_text(name)?;
            if name.is_empty() || name.starts_with(['=', '+', '-', '@']) {
                return Err(
                    "a panel, zone, stage or treatment code is empty or begins like a formula".to_owned()
                );
            }
        }
        let texts = [&self.study, &self.operator, &self.port, &self.tile.name].into_iter();
        let texts =
            texts.chain(self.tile.middle.iter().map(|middle| &middle.name)).chain(&self.serial_number);
        for text in texts.chain(self.treatments.iter().flat_map(|t| [&t.name, &t.batch, &t.how])) {
            plain_text(text)?;
        }
        Ok(())
    }

    fn check_tile(&self) -> Result<(), String> {
        if self.geometries.is_empty() || self.geometries.windows(2).any(|pair| pair[0] >= pair[1]) {
            return Err("the plan has no geometry, or does not name them once each and rising".to_owned());
        }
        if let Some(geometry) = self.geometries.iter().find(|&&g| self.tile_value(g).is_none()) {
            return Err(format!("the tile has no value at {geometry}"));
        }
        self.check_scale()?;
        let rule = &self.tile.rule;
        let uncertainties = self.tile.values.iter().filter_map(|v| v.expanded_uncertainty_gu);
        let figures = self.tile.values.iter().map(|v| v.assigned_gu).chain(uncertainties);
        let limits = [rule.tolerance_gu, rule.spread_limit_gu, rule.drift_limit_gu];
        if !figures.chain(limits).all(is_sound) {
            return Err("a figure of the tile is no usable number of GU".to_owned());
        }
        if rule.readings == 0 || rule.readings > MOST_TILE_READINGS {
            return Err(format!("a check takes 1 to {MOST_TILE_READINGS} readings"));
        }
        Ok(())
    }

    /// The other points of the scale. The middle lies between zero and the tile, or it would show nothing.
    fn check_scale(&self) -> Result<(), String> {
        let middle = self.tile.middle.iter();
        let values = middle.clone().flat_map(|middle| &middle.values);
        let uncertainties = values.clone().filter_map(|v| v.expanded_uncertainty_gu);
        let figures = values.map(|v| v.assigned_gu).chain(uncertainties);
        let tolerances = middle.map(|middle| middle.tolerance_gu);
        let tolerances = tolerances.chain(self.tile.zero.iter().map(|zero| zero.tolerance_gu));
        if !figures.chain(tolerances.clone()).all(is_sound) || tolerances.into_iter().any(|gu| gu.is_zero()) {
            return Err("a figure of the black trap or the middle tile is no usable number of GU".to_owned());
        }
        if self.tile.middle.is_none() {
            return Ok(());
        }
        for &geometry in &self.geometries {
            let assigned = |value: &TileValue| value.assigned_gu;
            match (self.middle_value(geometry).map(assigned), self.tile_value(geometry).map(assigned)) {
                (None, _) => return Err(format!("the middle tile has no value at {geometry}")),
                (Some(middle), Some(tile)) if middle.is_zero() || middle >= tile => {
                    return Err(format!(
                        "at {geometry} the middle tile does not lie between zero and the tile"
                    ));
                }
                _ => {}
            }
        }
        Ok(())
    }

    fn check_procedure(&self) -> Result<(), String> {
        let procedure = &self.procedure;
        if procedure.readings_per_zone == 0 || procedure.readings_per_zone > MOST_ZONE_READINGS {
            return Err(format!("a zone takes 1 to {MOST_ZONE_READINGS} readings"));
        }
        let minutes = procedure.interim_after_min.into_iter().chain([procedure.longest_pause_min]);
        if minutes.into_iter().any(|min| min == 0 || min > LONGEST_MIN)
            || procedure.interim_after_readings == Some(0)
        {
            return Err("an interim check or the longest pause is set to nothing, or to years".to_owned());
        }
        if procedure.side_range_limit_gu.is_some_and(|gu| gu.is_zero() || !is_sound(gu)) {
            return Err("the range limit of a side is no usable number of GU".to_owned());
        }
        Ok(())
    }
}

fn is_sound(gu: Decimal) -> bool {
    !gu.is_sign_negative() && gu <= Decimal::from(LARGEST_GU) && gu.scale() <= 10
}

fn plain_text(text: &str) -> Result<(), String> {
    let unseen = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    if text.chars().any(unseen) || text.chars().count() > LONGEST_TEXT {
        return Err("a text of it is too long, or has characters that cannot be seen".to_owned());
    }
    Ok(())
}
