//! The board: all treatments of a study side by side, and which of them can be told apart.
