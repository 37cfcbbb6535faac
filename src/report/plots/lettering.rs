//! How much room text takes in a picture, where no browser breaks lines. Widths are those of a common sans-serif,
//! a little on the wide side, since the reader's machine chooses the face.

/// Width of a text, in pixels, at a size in pixels.
#[must_use]
pub fn width(text: &str, size: f64) -> f64 {
    text.chars().map(advance).sum::<f64>() * size
}

/// Width of a character in parts of the size.
fn advance(c: char) -> f64 {
    match c {
        'i' | 'j' | 'l' | '!' | '\'' | '.' | ',' | ':' | ';' | '|' => 0.3,
        'f' | 't' | 'r' | ' ' | '(' | ')' | '[' | ']' | '-' | '/' | '"' | 'I' => 0.42,
        'm' | 'w' | 'M' | 'W' | '@' | '%' => 0.95,
        'A'..='Z' | '&' | '+' | '=' | '±' | '\u{2212}' => 0.7,
        '\u{300}'..='\u{36f}' | '\u{200b}'..='\u{200f}' => 0.0,
        // East Asian letters and pictographs are as wide as they are high.
        '\u{1100}'..='\u{115f}'
        | '\u{2e80}'..='\u{a4cf}'
        | '\u{ac00}'..='\u{d7a3}'
        | '\u{f900}'..='\u{faff}' => 1.0,
        '\u{ff00}'..='\u{ff60}' | '\u{1f000}'..='\u{3ffff}' => 1.1,
        _ => 0.59,
    }
}

/// Text as it may be shown: control characters, and the marks that turn the direction of what follows them, are
/// replaced, so that no name can change what stands around it.
#[must_use]
pub fn shown(text: &str) -> String {
    let one = |c: char| match c {
        '\n' | '\t' => ' ',
        c if c.is_control() || is_turning(c) => '\u{fffd}',
        c => c,
    };
    text.chars().map(one).collect()
}

/// Embeddings, overrides, isolates, and marks of direction.
fn is_turning(c: char) -> bool {
    matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{061c}' | '\u{feff}')
}

/// Lines no wider than `room`, cut between words, within a word only where it does not fit alone. What is beyond
/// `most` lines is cut off with an ellipsis.
#[must_use]
pub fn lines(text: &str, size: f64, room: f64, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in shown(text).split_whitespace() {
        for piece in pieces(word, size, room) {
            match lines.last_mut() {
                Some(line) if width(line, size) + width(" ", size) + width(&piece, size) <= room => {
                    line.push(' ');
                    line.push_str(&piece);
                }
                _ => lines.push(piece),
            }
        }
        if lines.len() > most {
            break;
        }
    }
    if lines.len() > most {
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            while !last.is_empty() && width(last, size) + width("…", size) > room {
                last.pop();
            }
            last.truncate(last.trim_end().len());
            last.push('…');
        }
    }
    lines
}

/// A word in pieces that fit.
fn pieces(word: &str, size: f64, room: f64) -> Vec<String> {
    let mut pieces = vec![String::new()];
    let mut used = 0.0;
    for c in word.chars() {
        let wide = advance(c) * size;
        if used + wide > room && used > 0.0 {
            pieces.push(String::new());
            used = 0.0;
        }
        used += wide;
        if let Some(piece) = pieces.last_mut() {
            piece.push(c);
        }
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_its_room_even_where_a_word_is() {
        let long = "W".repeat(400);
        for line in lines(&format!("Grey Heron {long} Hull Coat"), 14.0, 200.0, 99) {
            assert!(width(&line, 14.0) <= 200.0, "{line}");
        }
    }

    #[test]
    fn what_does_not_fit_ends_in_an_ellipsis_and_still_fits() {
        let cut = lines("one coat by foam roller, not buffed, and left alone for a day", 14.0, 100.0, 2);
        assert_eq!(cut.len(), 2);
        assert!(cut[1].ends_with('…') && width(&cut[1], 14.0) <= 100.0, "{cut:?}");
    }

    #[test]
    fn marks_that_turn_the_writing_are_not_let_through() {
        assert_eq!(shown("a\u{202e}b\u{7}c\nd"), "a\u{fffd}b\u{fffd}c d");
    }
}
