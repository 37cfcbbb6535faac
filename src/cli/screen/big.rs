//! Letters three lines high, for eyes two metres away: three by five dots each, two dots a character.

/// How large letters are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Size {
    /// Three lines: one character holds two dots, one above the other.
    Three,
    /// Five lines: one dot is two characters wide.
    Five,
}

/// Five rows of dots, each an octal digit: 4 is the left dot, 2 the middle, 1 the right one.
const fn dots(letter: char) -> Option<&'static str> {
    Some(match letter {
        'A' => "25755",
        'B' => "65656",
        'C' => "34443",
        'D' => "65556",
        'E' => "74647",
        'F' => "74644",
        'G' => "34553",
        'H' => "55755",
        'I' => "72227",
        'J' => "11152",
        'K' => "55655",
        'L' => "44447",
        'M' => "57755",
        'N' => "65555",
        'O' => "25552",
        'P' => "65644",
        'Q' => "25573",
        'R' => "65655",
        'S' => "34216",
        'T' => "72222",
        'U' => "55557",
        'V' => "55552",
        'W' => "55775",
        'X' => "55255",
        'Y' => "55222",
        'Z' => "71247",
        '0' => "75557",
        '1' => "26227",
        '2' => "71747",
        '3' => "71717",
        '4' => "55711",
        '5' => "74717",
        '6' => "74757",
        '7' => "71122",
        '8' => "75757",
        '9' => "75717",
        '-' => "00700",
        '+' => "02720",
        '/' => "11244",
        '.' => "00004",
        ' ' => "00000",
        _ => return None,
    })
}

/// The text in large letters, all lines of one width; absent where a character has no large form.
#[must_use]
pub fn big(text: &str, size: Size) -> Option<Vec<String>> {
    let mut rows = vec![Vec::<bool>::new(); 6];
    for letter in text.to_uppercase().chars() {
        let dots = dots(letter)?;
        let columns = if letter == '.' { 1 } else { 3 };
        for (y, row) in rows.iter_mut().enumerate() {
            let bits = dots.as_bytes().get(y).map_or(0, |digit| digit - b'0');
            row.extend((0..columns).map(|x| bits & (4 >> x) != 0));
            row.push(false);
        }
    }
    for row in &mut rows {
        row.pop();
    }
    Some(match size {
        Size::Three => rows.chunks(2).map(|two| halves(&two[0], &two[1])).collect(),
        Size::Five => rows[..5].iter().map(|row| blocks(row)).collect(),
    })
}

fn halves(upper: &[bool], lower: &[bool]) -> String {
    let both = upper.iter().zip(lower);
    both.map(|dots| match dots {
        (true, true) => '█',
        (true, false) => '▀',
        (false, true) => '▄',
        (false, false) => ' ',
    })
    .collect()
}

fn blocks(row: &[bool]) -> String {
    row.iter().map(|&dot| if dot { "██" } else { "  " }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_are_made_of_dots() {
        assert_eq!(big("A1.5", Size::Three).unwrap(), ["▄▀▄ ▄█    █▀▀", "█▀█  █    ▀▀█", "▀ ▀ ▀▀▀ ▀ ▀▀▀"]);
        assert_eq!(big("L", Size::Five).unwrap(), ["██    ", "██    ", "██    ", "██    ", "██████"]);
        assert_eq!(big("", Size::Three).unwrap(), ["", "", ""]);
        assert!(big("ß°", Size::Three).is_none());
    }
}
