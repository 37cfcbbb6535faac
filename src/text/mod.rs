//! Text that people write and read: TOML input with errors that name file, line and column and say
//! what would be right, the nearest of the words that could have been
//! meant, changing one value while all else stays as it is written, and sentences in lines.
//!
//! ```
//! #[derive(Debug, serde::Deserialize)]
//! #[serde(deny_unknown_fields)]
//! struct Tile { #[expect(dead_code)] assigned_gu: String }
//!
//! let problem = halfpanel::text::parse::<Tile>("tile.toml", "asigned_gu = '92.4'").unwrap_err();
//! assert_eq!(problem.to_string(), "tile.toml:1:1: unknown key `asigned_gu`\n  hint: did you mean `assigned_gu`?");
//! ```

pub mod edit;
mod nearest;
mod problem;
mod toml_errors;
mod wrap;

pub use nearest::nearest;
pub use problem::Problem;
pub use toml_errors::parse;
pub use wrap::wrapped;
