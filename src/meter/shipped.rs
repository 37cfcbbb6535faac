//! The profiles that come with the program. They describe layouts that are common among instruments
//! with a serial line, and no particular meter; copy the nearest one and change it.

use crate::meter::Profile;

const TEXTS: [(&str, &str); 10] = [
    ("tab-60", include_str!("shipped/tab-60.toml")),
    ("semicolon-numbered", include_str!("shipped/semicolon-numbered.toml")),
    ("three-angle", include_str!("shipped/three-angle.toml")),
    ("labelled", include_str!("shipped/labelled.toml")),
    ("comma-decimal", include_str!("shipped/comma-decimal.toml")),
    ("framed-checksum", include_str!("shipped/framed-checksum.toml")),
    ("fixed-columns", include_str!("shipped/fixed-columns.toml")),
    ("ask-plain", include_str!("shipped/ask-plain.toml")),
    ("ask-query", include_str!("shipped/ask-query.toml")),
    ("stream-plain", include_str!("shipped/stream-plain.toml")),
];

/// Names of the shipped profiles.
pub fn names() -> impl Iterator<Item = &'static str> {
    TEXTS.iter().map(|&(name, _)| name)
}

/// The TOML text of a shipped profile, to copy and change.
#[must_use]
pub fn text(name: &str) -> Option<&'static str> {
    TEXTS.iter().find(|&&(known, _)| known == name).map(|&(_, text)| text)
}

/// The shipped profile of that name.
#[must_use]
pub fn find(name: &str) -> Option<Profile> {
    text(name).map(|text| Profile::load(name, text).expect("a test loads every shipped profile"))
}

#[cfg(test)]
mod tests {
    #[test]
    fn every_shipped_profile_loads_under_its_name_and_explains_itself() {
        for name in super::names() {
            let profile = super::find(name).unwrap();
            assert_eq!(profile.name(), name);
            assert!(!profile.about().is_empty() && profile.specification().resolution_gu.is_some(), "{name}");
        }
        assert!(super::find("no-such").is_none());
    }
}
