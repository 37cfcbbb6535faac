//! What a treated area cost.

use crate::life::story::Cost;
use crate::study::Price;
use crate::units::Amount;
use rust_decimal::Decimal;

const MM2_PER_M2: f64 = 1e6;

/// Cost of a life: from the amount that was put on where it and the container's content are of one kind, else from the
/// area that a container covers; `None` where neither is known. `washes` is what it was seen to survive.
pub(super) fn cost(price: &Price, amount: Option<&Amount>, area_mm2: f64, washes: u32) -> Option<Cost> {
    let used = amount.zip(price.content.as_ref()).filter(|(used, all)| used.dimension() == all.dimension());
    let measured = used.map(|(used, all)| {
        float(price.price) * float(used.in_g_or_ml()) / float(all.in_g_or_ml()) / (area_mm2 / MM2_PER_M2)
    });
    let per_m2 = measured.or(price.covers_m2.map(|m2| float(price.price) / m2))?;
    Some(Cost {
        per_m2,
        per_m2_and_wash: (washes > 0).then(|| per_m2 / f64::from(washes)),
        is_measured: measured.is_some(),
    })
}

/// A decimal as the nearest binary number, for shares and costs.
fn float(value: Decimal) -> f64 {
    use rust_decimal::prelude::ToPrimitive;
    value.to_f64().unwrap_or(f64::NAN)
}
