//! Many comparisons on one board: p values adjusted so that the chance of even one false finding
//! stays below the level.
//!
//! Source: Holm, Scandinavian Journal of Statistics 6 (1979), 65–70. Checked against published
//! examples in `tests/published_comparisons.rs`.

/// Holm's adjusted p values, in the order given: a comparison is a finding at a level if its
/// adjusted p value is not above it. `None` if any is not between 0 and 1.
///
/// ```
/// use halfpanel::stats::multiplicity::holm;
/// assert_eq!(holm(&[0.25, 0.125]), Some(vec![0.25, 0.25]));
/// assert_eq!(holm(&[0.25, 1.25]), None);
/// ```
#[must_use]
pub fn holm(p_values: &[f64]) -> Option<Vec<f64>> {
    if !p_values.iter().all(|p| (0.0..=1.0).contains(p)) {
        return None;
    }
    let mut rising: Vec<usize> = (0..p_values.len()).collect();
    rising.sort_by(|&a, &b| p_values[a].total_cmp(&p_values[b]));
    let mut adjusted = vec![0.0; p_values.len()];
    let mut so_far = 0.0_f64;
    for (place, &index) in rising.iter().enumerate() {
        let left = u32::try_from(p_values.len() - place).map_or(f64::INFINITY, f64::from);
        // Never below that of a smaller p value, never above 1; 0 stays 0.
        so_far = so_far.max((left * p_values[index]).min(1.0));
        adjusted[index] = so_far;
    }
    Some(adjusted)
}

#[cfg(test)]
mod tests {
    use super::holm;

    #[test]
    fn a_comparison_alone_is_not_adjusted_and_none_give_none() {
        assert_eq!(holm(&[0.03]), Some(vec![0.03]));
        assert_eq!(holm(&[]), Some(vec![]));
    }

    #[test]
    fn what_is_no_chance_leaves_no_answer() {
        for odd in [-0.1, 1.1, f64::NAN, f64::INFINITY] {
            assert_eq!(holm(&[0.5, odd]), None);
        }
    }
}
