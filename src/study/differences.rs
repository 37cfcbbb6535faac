//! What changed in a study since a recording was made.

use crate::run::Setup;
use serde_json::Map;
use serde_json::Value;
use serde_json::json;

/// Every key in which `new` (what the study says now) differs from `old` (the set-up in a recording), in
/// words such as `tile.rule.tolerance_gu: 1.0 in the recording, 0.8 in study.toml now`. Parts of a list
/// go by their names, not by their places: `zones.P1 A3.stage`. Empty where nothing changed.
#[must_use]
pub fn differences(old: &Setup, new: &Setup) -> Vec<String> {
    let mut found = Vec::new();
    walk("", &by_name(old), &by_name(new), &mut found);
    found.extend(text_difference("profile", &old.profile, &new.profile));
    found
}

/// The set-up as JSON in which lists of named things are tables by name, and no index stands for a
/// name. The profile is left out, since a whole file in one line tells nobody what changed.
fn by_name(setup: &Setup) -> Value {
    let mut json = serde_json::to_value(setup).unwrap_or_default();
    let label = |zone: usize| match setup.zones.get(zone) {
        Some(at) => format!("{} {}", panel_id(setup, at.panel), at.name),
        None => format!("zone number {zone}"),
    };
    let Some(fields) = json.as_object_mut() else { return json };
    fields.remove("profile");
    let blocks =
        setup.plan.iter().map(|block| block.0.iter().map(|&zone| label(zone)).collect::<Vec<_>>().join(", "));
    fields.insert("plan".to_owned(), json!(blocks.collect::<Vec<_>>().join(" | ")));
    table_by(fields, "panels", |_, panel| word(panel, "id"));
    table_by(fields, "treatments", |_, treatment| word(treatment, "code"));
    table_by(fields, "zones", |index, zone| {
        if let Some(zone) = zone.as_object_mut() {
            zone.remove("panel");
            let code = setup.zones[index].treatment.and_then(|t| setup.treatments.get(t)).map(|t| &t.code);
            code.map(|code| zone.insert("treatment".to_owned(), json!(code)));
        }
        label(index)
    });
    if let Some(tile) = fields.get_mut("tile").and_then(Value::as_object_mut) {
        table_by(tile, "values", |_, value| value["geometry_deg"].to_string());
    }
    json
}

fn panel_id(setup: &Setup, panel: usize) -> &str {
    setup.panels.get(panel).map_or("?", |panel| &panel.id)
}

fn word(value: &Value, key: &str) -> String {
    value[key].as_str().unwrap_or_default().to_owned()
}

/// Turns the list under `key` into a table by name; a name that comes twice gets a number.
fn table_by(fields: &mut Map<String, Value>, key: &str, name: impl Fn(usize, &mut Value) -> String) {
    let Some(Value::Array(list)) = fields.get_mut(key).map(Value::take) else { return };
    let mut table = Map::new();
    for (index, mut value) in list.into_iter().enumerate() {
        let mut name = name(index, &mut value);
        while table.contains_key(&name) {
            name.push_str(" again");
        }
        table.insert(name, value);
    }
    fields.insert(key.to_owned(), Value::Object(table));
}

fn walk(path: &str, old: &Value, new: &Value, found: &mut Vec<String>) {
    let (Value::Object(before), Value::Object(after)) = (old, new) else {
        if old != new {
            found.push(format!("{path}: {} in the recording, {} in study.toml now", shown(old), shown(new)));
        }
        return;
    };
    let added = after.keys().filter(|key| !before.contains_key(*key));
    for key in before.keys().chain(added) {
        let path = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
        match (before.get(key), after.get(key)) {
            (Some(old), Some(new)) => walk(&path, old, new, found),
            (Some(old), None) => {
                found.push(format!("{path}: {}in the recording, not in study.toml now", brief(old)));
            }
            (None, Some(new)) => {
                found.push(format!("{path}: not in the recording, {}in study.toml now", brief(new)));
            }
            (None, None) => {}
        }
    }
}

fn shown(value: &Value) -> String {
    match value {
        Value::String(text) if text.is_empty() => "empty".to_owned(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

/// A value before "in …"; nothing for a table, whose name says enough.
fn brief(value: &Value) -> String {
    if value.is_object() { String::new() } else { format!("{} ", shown(value)) }
}

fn text_difference(path: &str, old: &str, new: &str) -> Option<String> {
    if old == new {
        return None;
    }
    let first = old.lines().zip(new.lines()).position(|(old, new)| old != new);
    let line = first.unwrap_or_else(|| old.lines().count().min(new.lines().count())) + 1;
    let at = |text: &str| match text.lines().nth(line - 1) {
        Some(found) => format!("`{found}`"),
        None => "nothing".to_owned(),
    };
    Some(format!("{path}: line {line} is {} in the recording, {} now", at(old), at(new)))
}

#[cfg(test)]
#[path = "differences_tests.rs"]
mod tests;
