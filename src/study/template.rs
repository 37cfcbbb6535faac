//! The files of a new study.

/// Name and text of each file that a new study begins with: the study itself first, then the scenario of
/// its simulated meter, for practice.
#[must_use]
pub fn template_files() -> [(&'static str, &'static str); 2] {
    [("study.toml", include_str!("template/study.toml")), ("meter.toml", include_str!("template/meter.toml"))]
}
