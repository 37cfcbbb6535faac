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
    found.extend(first_difference("plan: block", &blocks(old), &blocks(new)));
    let lines = |text: &str| text.split('\n').map(|line| format!("`{line}`")).collect::<Vec<_>>();
    found.extend(first_difference("profile: line", &lines(&old.profile), &lines(&new.profile)));
    found
}

/// The blocks of the plan, each as the names of its zones.
fn blocks(setup: &Setup) -> Vec<String> {
    let names = |block: &[usize]| block.iter().map(|&zone| label(setup, zone)).collect::<Vec<_>>().join(", ");
    setup.plan.iter().map(|block| names(&block.0)).collect()
}

/// Panel and zone, however many panels there are.
fn label(setup: &Setup, zone: usize) -> String {
    match setup.zones.get(zone) {
        Some(at) => format!("{} {}", setup.panels.get(at.panel).map_or("?", |panel| &panel.id), at.name),
        None => format!("zone number {zone}"),
    }
}

/// The set-up as JSON in which lists of named things are tables by name, and no index stands for a
/// name. Profile and plan are left out, since they are told by the first part that differs.
fn by_name(setup: &Setup) -> Value {
    let mut json = serde_json::to_value(setup).unwrap_or_default();
    let Some(fields) = json.as_object_mut() else { return json };
    fields.remove("profile");
    fields.remove("plan");
    // Chosen when a run begins, and no word of the study.
    if let Some(comparing) = fields.get_mut("comparing").and_then(Value::as_object_mut) {
        comparing.remove("earlier");
        if comparing.is_empty() {
            fields.remove("comparing");
        }
    }
    table_by(fields, "panels", |_, panel| word(panel, "id"));
    table_by(fields, "treatments", |_, treatment| word(treatment, "code"));
    table_by(fields, "zones", |index, zone| {
        if let Some(zone) = zone.as_object_mut() {
            zone.remove("panel");
            let code = setup.zones[index].treatment.and_then(|t| setup.treatments.get(t)).map(|t| &t.code);
            code.map(|code| zone.insert("treatment".to_owned(), json!(code)));
        }
        label(setup, index)
    });
    if let Some(tile) = fields.get_mut("tile").and_then(Value::as_object_mut) {
        table_by(tile, "values", |_, value| value["geometry_deg"].to_string());
    }
    json
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

/// The first of two lists' parts that differ; a part beyond the end of a list is nothing.
fn first_difference(part: &str, old: &[String], new: &[String]) -> Option<String> {
    let index = (0..old.len().max(new.len())).find(|&index| old.get(index) != new.get(index))?;
    let at = |list: &[String]| list.get(index).map_or("nothing", |part| part).to_owned();
    let number = index + 1;
    Some(format!("{part} {number} is {} in the recording, and {} now", at(old), at(new)))
}

#[cfg(test)]
#[path = "differences_tests.rs"]
mod tests;
