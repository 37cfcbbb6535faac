//! Changing one value of a TOML text, everything else staying as it stands: comments, order, blanks.

use toml_edit::DocumentMut;
use toml_edit::Item;
use toml_edit::Table;
use toml_edit::TomlError;
use toml_edit::Value;

/// The text with `table.key` set to a string. What is there is replaced, with the comment behind it kept;
/// what is not is added.
///
/// # Errors
/// If the text is no TOML, or `table` is no table in it.
pub fn with_string(source: &str, table: &str, key: &str, text: &str) -> Result<String, TomlError> {
    let mut document: DocumentMut = source.parse()?;
    let value = |old: Option<&Value>| {
        let mut value = Value::from(text);
        if let Some(old) = old {
            *value.decor_mut() = old.decor().clone();
        }
        value
    };
    let place = document.entry(table).or_insert_with(|| Item::Table(Table::new()));
    match place.as_table_like_mut() {
        Some(found) => {
            let value = value(found.get(key).and_then(Item::as_value));
            match found.get_mut(key) {
                Some(item) => *item = Item::Value(value),
                None => {
                    found.insert(key, Item::Value(value));
                }
            }
        }
        // Neither a profile nor a study loads with a value in place of a table.
        None => *place = Item::Table(Table::from_iter([(key, value(None))])),
    }
    Ok(document.to_string())
}

#[cfg(test)]
mod tests {
    use super::with_string;

    const PROFILE: &str = "\
# My meter, bought second-hand.
name = \"mine\"

[specification]   # from the manual
linearity_gu = \"0.5\"
repeatability_gu   =   \"0.2\"   # half of what the manual says

[[example]]
line = '60;85.3'
";

    #[test]
    fn one_value_changes_and_every_other_byte_stays() {
        let changed = with_string(PROFILE, "specification", "repeatability_gu", "0.13").unwrap();
        assert_eq!(changed, PROFILE.replace("\"0.2\"", "\"0.13\""));
    }

    #[test]
    fn a_key_or_a_table_that_is_not_there_is_added() {
        let without =
            PROFILE.replace("repeatability_gu   =   \"0.2\"   # half of what the manual says\n", "");
        let changed = with_string(&without, "specification", "repeatability_gu", "0.13").unwrap();
        assert_eq!(changed, without.replace("\"0.5\"\n", "\"0.5\"\nrepeatability_gu = \"0.13\"\n"));
        let changed = with_string("name = \"mine\" # short\n", "specification", "repeatability_gu", "0.1");
        assert_eq!(
            changed.unwrap(),
            "name = \"mine\" # short\n\n[specification]\nrepeatability_gu = \"0.1\"\n"
        );
    }

    #[test]
    fn an_inline_table_stays_inline() {
        let changed =
            with_string("meter = { port = \"a\", profile = \"tab-60\" }\n", "meter", "profile", "x");
        assert_eq!(changed.unwrap(), "meter = { port = \"a\", profile = \"x\" }\n");
        assert!(with_string("= 3", "meter", "profile", "x").is_err());
    }
}
