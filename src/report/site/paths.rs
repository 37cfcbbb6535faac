//! Names of pages, and addresses that a browser and a shell take as they are meant.

use std::collections::BTreeSet;

/// Characters of a page's name at the most.
const LONGEST: usize = 80;

/// A name as a file name that every disk and every web server takes: letters and digits of ASCII, `-`, `_` and `.` stay,
/// any other character becomes its number.
pub(super) fn slug(name: &str) -> String {
    let mut slug = String::new();
    for c in name.chars() {
        match c {
            c if c.is_ascii_alphanumeric() || matches!(c, '-' | '_') => slug.push(c),
            '.' if !slug.is_empty() => slug.push('.'),
            c => slug.push_str(&format!("u{:x}", u32::from(c))),
        }
        if slug.len() >= LONGEST {
            break;
        }
    }
    if slug.is_empty() { "unnamed".to_owned() } else { slug }
}

/// A slug for each name, no two of them the same on a disk that does not tell large letters from small ones.
pub(super) fn slugs<'a>(names: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut taken = BTreeSet::new();
    let free = |name: &str| {
        let slug = slug(name);
        let mut candidate = slug.clone();
        let mut number = 2;
        while !taken.insert(candidate.to_lowercase()) {
            candidate = format!("{slug}--{number}");
            number += 1;
        }
        candidate
    };
    names.map(free).collect()
}

/// A path as it stands in `href`: what is no plain character is written as `%XX`.
pub(super) fn href(path: &str) -> String {
    let mut out = String::new();
    for byte in path.bytes() {
        match byte {
            b if b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.' | b'/' | b'~') => {
                out.push(char::from(b))
            }
            b => out.push_str(&format!("%{b:02X}")),
        }
    }
    out
}

/// A path as a shell takes it: in quotes where it is not plain.
pub(super) fn quoted(path: &str) -> String {
    let is_plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '/');
    if !path.is_empty() && !path.starts_with('-') && path.chars().all(is_plain) {
        return path.to_owned();
    }
    format!("'{}'", path.replace('\'', "'\\''"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_differ_in_case_only_get_files_of_their_own() {
        assert_eq!(slugs(["T1", "t1", "T1"].into_iter()), ["T1", "t1--2", "T1--3"]);
        assert_eq!(slug("../a b"), "u2e.u2fau20b");
        assert_eq!(slug(&"x".repeat(400)).len(), 80);
    }

    #[test]
    fn a_shell_takes_a_hostile_name_for_one_word() {
        assert_eq!(quoted("data/recordings/2026-05-05-01.rec"), "data/recordings/2026-05-05-01.rec");
        assert_eq!(quoted("a'; rm -r x"), "'a'\\''; rm -r x'");
        assert_eq!(href("a b/<c>?#"), "a%20b/%3Cc%3E%3F%23");
    }
}
