//! Statistics, each with its source.
pub mod summary {
    //! stub
    /// stub
    pub fn standard_deviation(v: &[f64]) -> Option<f64> {
        let n = v.len() as f64;
        if v.len() < 2 {
            return None;
        }
        let m = v.iter().sum::<f64>() / n;
        Some((v.iter().map(|x| (x - m) * (x - m)).sum::<f64>() / (n - 1.0)).sqrt())
    }
}
