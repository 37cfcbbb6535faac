//! How many washes a patch lasted, as far as anybody looked.

use serde::Serialize;

/// The life of one patch, in washes: it still worked at `after`, and had failed by `until`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Lifetime {
    /// The last wash at which it was seen working; 0 if it was never seen working.
    pub after: u32,
    /// The first wash at which it was seen failed; absent while it is still alive (right-censored).
    pub until: Option<u32>,
    /// It was put on over an earlier product that was not stripped: never pooled with others.
    pub over: bool,
}
