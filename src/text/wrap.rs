//! Sentences in lines.

/// Lines of at most so many characters, cut between words.
#[must_use]
pub fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_cut_between_words_and_a_longer_word_stays_whole() {
        assert_eq!(wrapped("put the meter on the tile", 10), ["put the", "meter on", "the tile"]);
        assert_eq!(wrapped("a /dev/serial/by-id/x b", 8), ["a", "/dev/serial/by-id/x", "b"]);
        assert!(wrapped("  ", 8).is_empty());
    }
}
