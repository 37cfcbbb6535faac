//! What stands around the fields of the seen lines: a character at the start, one at the end, a checksum.

use crate::meter::checksum::those_that_fit;

/// A frame that all its lines have.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Framing {
    pub prefix: String,
    pub suffix: String,
    pub sum: Option<Sum>,
}

/// A checksum that is right in all its lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Sum {
    /// `xor`, `sum-8`, or the name of a CRC.
    pub name: String,
    pub digits: usize,
    pub separator: String,
    pub after_prefix: bool,
    pub with_separator: bool,
    pub is_lower: bool,
    /// Letters stood among the digits, so that their case is known.
    pub has_letters: bool,
}

impl Sum {
    /// The same but for the case of its digits.
    fn is_like(&self, other: &Sum) -> bool {
        let case = |sum: &Sum| Sum { is_lower: false, has_letters: false, ..sum.clone() };
        case(self) == case(other)
    }

    /// The case of the digits, in a word of a profile.
    pub const fn hex(&self) -> &'static str {
        match (self.has_letters, self.is_lower) {
            (false, _) => "either",
            (true, true) => "lower",
            (true, false) => "upper",
        }
    }

    /// In the words of a profile.
    pub fn in_words(&self) -> String {
        let kind = if self.digits == 4 { "CRC-16 " } else { "" };
        let from = if self.after_prefix { "from behind the start character" } else { "from the start" };
        let to = if self.with_separator { "with the mark before it" } else { "without the mark before it" };
        format!("the last {} hex digits are a checksum, {kind}{}, {from}, {to}", self.digits, self.name)
    }
}

impl Framing {
    fn is_like(&self, other: &Framing) -> bool {
        let same_sum = match (&self.sum, &other.sum) {
            (Some(sum), Some(other)) => sum.is_like(other),
            (sum, other) => sum.is_none() && other.is_none(),
        };
        same_sum && (&self.prefix, &self.suffix) == (&other.prefix, &other.suffix)
    }

    /// What is left of a line, if it has this frame.
    pub fn strip<'t>(&self, text: &'t str) -> Option<&'t str> {
        let inside = text.strip_prefix(&self.prefix)?.strip_suffix(&self.suffix)?;
        match &self.sum {
            None => Some(inside),
            Some(sum) => {
                let at = inside.len().checked_sub(sum.digits)?;
                let (before, _) = inside.split_at_checked(at)?;
                let sums = sums_of(text, &self.prefix, &self.suffix, sum.digits);
                let is_right = sums.iter().any(|other| {
                    other.is_like(sum) && (!other.has_letters || other.is_lower == sum.is_lower)
                });
                if is_right { before.strip_suffix(sum.separator.as_str()) } else { None }
            }
        }
    }
}

/// The frames that fit most of the lines, those with a checksum first; the last is none at all. `lines`
/// are ASCII where a checksum is to be found.
pub(super) fn framings(lines: &[&str]) -> Vec<Framing> {
    let mut found = with_sum(lines);
    let prefixes = [String::new()].into_iter().chain(common(lines, |line| line.chars().next(), is_start));
    for prefix in prefixes.collect::<Vec<_>>() {
        let suffixes = common(lines, |line| line.chars().last(), |c| c.is_control());
        for suffix in suffixes.into_iter().chain([String::new()]) {
            found.push(Framing { prefix: prefix.clone(), suffix, sum: None });
        }
    }
    // One with more around it says more of the line.
    found.sort_by_key(|f| std::cmp::Reverse((f.sum.is_some(), f.prefix.len() + f.suffix.len())));
    found
}

/// A character at one end of at least half of the lines, and of three of them.
fn common(lines: &[&str], end: fn(&str) -> Option<char>, fits: fn(char) -> bool) -> Vec<String> {
    let mut seen: Vec<(char, usize)> = Vec::new();
    for c in lines.iter().filter_map(|line| end(line)).filter(|&c| fits(c)) {
        match seen.iter_mut().find(|(known, _)| *known == c) {
            Some((_, count)) => *count += 1,
            None => seen.push((c, 1)),
        }
    }
    let enough = |&&(_, count): &&(char, usize)| count >= 2;
    seen.iter().filter(enough).map(|(c, _)| c.to_string()).collect()
}

/// A character that may begin a frame and no number, word or bracket.
fn is_start(c: char) -> bool {
    c.is_control() && c != '\t'
        || matches!(c, '$' | '#' | '!' | '@' | '>' | '<' | '&' | '*' | '%' | '~' | ':')
}

/// Checksums that are right in two lines that differ; one line is enough behind a mark that is made for it.
fn with_sum(lines: &[&str]) -> Vec<Framing> {
    let mut seen: Vec<(Framing, Vec<&str>)> = Vec::new();
    for &line in lines.iter().filter(|line| line.is_ascii()) {
        for framing in sums_at(line) {
            match seen.iter_mut().find(|(known, _)| known.is_like(&framing)) {
                Some((_, borne_out)) if borne_out.contains(&line) => {}
                Some((known, borne_out)) => {
                    borne_out.push(line);
                    // The first line with a letter tells the case.
                    if known.sum.as_ref().is_some_and(|sum| !sum.has_letters) {
                        *known = framing;
                    }
                }
                None => seen.push((framing, vec![line])),
            }
        }
    }
    let made_for_it = |sum: &Sum| sum.separator == "*" || sum.separator.chars().any(char::is_control);
    seen.retain(|(framing, borne_out)| {
        borne_out.len() > 1
            || framing.suffix.chars().any(char::is_control)
            || framing.sum.as_ref().is_some_and(made_for_it)
    });
    seen.sort_by_key(|(_, borne_out)| std::cmp::Reverse(borne_out.len()));
    seen.truncate(4);
    seen.into_iter().map(|(framing, _)| framing).collect()
}

/// Every frame with a checksum that is right in this line.
fn sums_at(line: &str) -> Vec<Framing> {
    let prefixes = [None, line.chars().next().filter(|&c| is_start(c))];
    let suffixes = [None, line.chars().last().filter(|c| c.is_control())];
    let text = |c: Option<char>| c.map_or_else(String::new, String::from);
    let mut found = Vec::new();
    // The start character is always named where there is one: `from` says whether it is covered.
    for prefix in prefixes.into_iter().rev().take(if prefixes[1].is_some() { 1 } else { 2 }).map(text) {
        for suffix in suffixes.into_iter().map(text) {
            for digits in [2, 4] {
                for sum in sums_of(line, &prefix, &suffix, digits) {
                    let framing = Framing { prefix: prefix.clone(), suffix: suffix.clone(), sum: Some(sum) };
                    if !found.contains(&framing) {
                        found.push(framing);
                    }
                }
            }
        }
    }
    found
}

fn sums_of(line: &str, prefix: &str, suffix: &str, digits: usize) -> Vec<Sum> {
    let inside = || line.strip_prefix(prefix)?.strip_suffix(suffix);
    let Some(inside) = inside().filter(|inside| inside.is_ascii() && inside.len() > digits + 3) else {
        return Vec::new();
    };
    let (before, shown) = inside.split_at(inside.len() - digits);
    let is_lower = shown.bytes().any(|byte| byte.is_ascii_lowercase());
    let is_upper = shown.bytes().any(|byte| byte.is_ascii_uppercase());
    let all_hex = shown.bytes().all(|byte| byte.is_ascii_hexdigit());
    let Some(value) = u16::from_str_radix(shown, 16).ok().filter(|_| all_hex && !(is_lower && is_upper))
    else {
        return Vec::new();
    };
    let last = before.chars().last().filter(|c| !c.is_ascii_alphanumeric());
    let separator = match last {
        // The digits would be the decimals of a number.
        Some('.' | '+' | '-') => return Vec::new(),
        Some(c) => c.to_string(),
        None => String::new(),
    };
    let fields_end = prefix.len() + before.len() - separator.len();
    let mut found = Vec::new();
    for after_prefix in [true, false] {
        for with_separator in [false, true] {
            if (after_prefix && prefix.is_empty()) || (with_separator && separator.is_empty()) {
                continue;
            }
            let from = if after_prefix { prefix.len() } else { 0 };
            let to = fields_end + if with_separator { separator.len() } else { 0 };
            let names = those_that_fit(&line.as_bytes()[from..to], value, digits);
            found.extend(names.into_iter().map(|name| Sum {
                name,
                digits,
                separator: separator.clone(),
                after_prefix,
                with_separator,
                is_lower,
                has_letters: is_lower || is_upper,
            }));
        }
    }
    found
}
