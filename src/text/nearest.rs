//! The word that was most likely meant.

/// The candidate nearest to `word`, or `None` where none is near enough to be a likely slip: at most
/// one edit in three letters, and less than half of the word. Case, `-` and `_` make no difference; of equals the first one wins.
///
/// ```
/// use halfpanel::text::nearest;
/// assert_eq!(nearest("Seperator", ["fields", "separator"]), Some("separator"));
/// assert_eq!(nearest("colour", ["fields", "separator"]), None);
/// ```
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = plain(word);
    let edits_allowed = (word.chars().count() / 3).max(1);
    candidates
        .into_iter()
        .map(|candidate| (strsim::damerau_levenshtein(&word, &plain(candidate)), candidate))
        .filter(|&(edits, candidate)| edits <= edits_allowed && 2 * edits < candidate.chars().count())
        .min_by_key(|&(edits, _)| edits)
        .map(|(_, candidate)| candidate)
}

fn plain(word: &str) -> String {
    word.to_lowercase().replace('-', "_")
}

#[cfg(test)]
mod tests {
    use super::nearest;

    #[test]
    fn a_slip_of_the_finger_finds_the_word_that_was_meant() {
        for (slip, meant) in
            [("buad", "baud"), ("Parity", "parity"), ("line-end", "line_end"), ("encodng", "encoding")]
        {
            assert_eq!(nearest(slip, ["parity", "baud", "line_end", "encoding"]), Some(meant));
        }
    }

    #[test]
    fn a_word_unlike_all_others_finds_none() {
        assert_eq!(nearest("weather", ["parity", "baud", "line_end"]), None);
        assert_eq!(nearest("", ["a"]), None);
        assert_eq!(nearest("45", ["20", "60", "85"]), None, "half of a short word is no slip");
    }
}
