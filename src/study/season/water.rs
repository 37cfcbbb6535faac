//! How water behaves on the surfaces of a season.

use crate::study::model::Study;
use crate::study::season::Season;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// How water behaves on a treated patch and on the control beside it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Shedding {
    /// Class of the treated side.
    pub treated_class: u32,
    /// Class of the control side.
    pub control_class: u32,
    /// Share of the treated area that no longer sheds water, percent.
    pub failed_area_pct: u32,
}

impl Season {
    /// The pass of a solvent wipe at which water no longer beads on a treatment; absent where it goes on beading.
    #[must_use]
    pub fn beading_ended_pass(&self, code: &str) -> Option<u32> {
        self.treated(code)?.beading_ended_pass
    }

    /// How water behaves on a patch (index in `Study::patches`) after so many washes: worse and worse until the
    /// patch's own end, from which on it is one class or none from the control; `None` for a treatment of which the season says nothing.
    #[must_use]
    pub fn water(&self, study: &Study, patch: usize, washes: u32) -> Option<Shedding> {
        let code = &study.treatments[study.patches.get(patch)?.treatment].treatment.code;
        let treated = self.treated(code)?;
        let control_class = self.water.control_class;
        // Draws of its own for each patch, so that one more patch changes no other.
        let mut generator = ChaCha8Rng::seed_from_u64(self.seed.wrapping_add(1));
        generator.set_stream(patch as u64);
        let own: f64 = generator.sample(StandardNormal);
        let lasts = (treated.lasts_washes + treated.lasts_sd_washes * own).max(1.0);
        let share = f64::from(washes) / lasts;
        let worst = control_class - 1;
        let steps = f64::from(worst.saturating_sub(treated.class)) * share.powi(2);
        let treated_class = match share {
            ended if ended >= 1.2 => control_class,
            _ => (treated.class + steps as u32).min(worst),
        };
        // In steps of 5 %, as one estimates them.
        let failed_area_pct = ((50.0 * share.powi(3) / 5.0) as u32 * 5).min(100);
        Some(Shedding { treated_class, control_class, failed_area_pct })
    }
}
