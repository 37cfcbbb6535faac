//! A reading of seen lines as the text of a profile, with the lines as its examples.

use crate::meter::DecimalMark;
use crate::meter::Encoding;
use crate::meter::Parity;
use crate::meter::identify::Evidence;
use crate::meter::identify::How;
use crate::meter::identify::cells::Cut;
use crate::meter::identify::cells::Form;
use crate::meter::identify::cells::Gap;
use crate::meter::identify::cells::Way;
use crate::meter::identify::encoding_name;
use crate::meter::identify::framing::Framing;
use crate::meter::identify::joins::Joins;
use crate::meter::identify::lines::Decoded;
use crate::meter::identify::roles::Reading;
use crate::meter::identify::roles::Role;
use crate::meter::identify::stillness::Rule;
use crate::meter::identify::tokens::Kind;
use crate::meter::identify::tokens::number_form;
use crate::meter::identify::tokens::tokens;
use crate::meter::identify::tokens::value_of;
use crate::units::Geometry;
use crate::units::Gloss;
use std::fmt::Write;

/// Examples of lines that give values, and of each other kind.
const MOST_EXAMPLES: usize = 6;

/// Words in a line that says that something is wrong: such a line is refused and told, not passed over.
const ERROR_WORDS: [&str; 12] =
    ["err", "fail", "low", "over", "under", "range", "lamp", "weak", "invalid", "--", "**", "??"];

/// What a profile is to be written from.
#[derive(Clone, Debug)]
pub(super) struct Draft {
    pub confidence: f64,
    pub reasons: Vec<String>,
    pub doubts: Vec<String>,
    /// Numbers of the lines that it reads.
    pub lines: Vec<usize>,
    /// Lines that belong together.
    pub joins: Option<Joins>,
    framing: Framing,
    /// Everything of `[line]` that does not depend on other lines, and `[status]`, `[checksum]`.
    layout: String,
    tables: String,
    /// Text of the lines to be examples, with the keys that say what they give.
    examples: Vec<(usize, String)>,
}

impl Draft {
    /// `None` where a cell is no number after all.
    pub fn of(cut: &Cut<'_>, framing: &Framing, reading: Reading, lines: &[usize]) -> Option<Draft> {
        let mut examples = Vec::new();
        let mut seen: Vec<String> = Vec::new();
        for (row, &line) in lines.iter().enumerate() {
            let keys = example_keys(cut, &reading, row)?;
            let cells: String = cut.columns.iter().map(|column| format!("{}\n", column.cells[row])).collect();
            if examples.len() < MOST_EXAMPLES && !seen.contains(&cells) {
                seen.push(cells);
                examples.push((line, keys));
            }
        }
        Some(Draft {
            layout: layout(cut, framing, &reading),
            tables: tables(cut, framing, &reading),
            confidence: reading.confidence,
            reasons: reading.reasons,
            doubts: reading.doubts,
            lines: lines.to_vec(),
            joins: None,
            framing: framing.clone(),
            examples,
        })
    }

    /// The profile's text.
    pub fn text(&self, evidence: &Evidence, heard: &Decoded, rule: Option<&Rule>) -> String {
        let mut text = String::from(
            "# Proposed by `halfpanel identify` from lines that the meter sent; they stand below as examples.\n",
        );
        for doubt in &self.doubts {
            line(&mut text, format_args!("# Not certain: {}", doubt.replace(char::is_control, " ")));
        }
        line(&mut text, format_args!("name = {}\n", quoted(&evidence.name)));
        serial(&mut text, evidence);
        line(&mut text, format_args!("[line]"));
        if let Some(end) = evidence.end {
            line(&mut text, format_args!("end = {}", quoted(&char::from(end).to_string())));
        }
        if heard.encoding != Encoding::Ascii {
            line(&mut text, format_args!("encoding = \"{}\"", encoding_name(heard.encoding)));
        }
        text.push_str(&self.layout);
        let (ignored, refused) = self.others(heard);
        if !ignored.is_empty() {
            let patterns: Vec<String> = ignored.iter().map(|(pattern, _)| pattern_text(pattern)).collect();
            line(&mut text, format_args!("ignore = [{}]", patterns.join(", ")));
        }
        reading_table(&mut text, evidence, self.joins.as_ref(), rule);
        text.push_str(&self.tables);
        if let Some(joins) = &self.joins {
            joined_example(&mut text, heard, joins);
        }
        for (at, keys) in &self.examples {
            example(&mut text, &heard.tile[*at].0, keys);
        }
        for (_, seen) in &ignored {
            example(&mut text, seen, "ignored = true\n");
        }
        for seen in &refused {
            example(&mut text, seen, "refused = true\n");
        }
        text
    }

    /// Lines besides: patterns that pass them over, each with such a line; and those that are refused.
    fn others(&self, heard: &Decoded) -> (Vec<(String, String)>, Vec<String>) {
        let (mut ignored, mut refused): (Vec<(String, String)>, Vec<String>) = Default::default();
        for other in heard.others_than(&self.lines, &self.framing) {
            let lower = other.to_lowercase();
            let has_word = other.chars().any(char::is_alphabetic);
            if !has_word || ERROR_WORDS.iter().any(|word| lower.contains(word)) {
                if refused.len() < MOST_EXAMPLES && !refused.contains(&other) {
                    refused.push(other);
                }
                continue;
            }
            let pattern = pattern_for(&other);
            let swallows = |at: &usize| is_match(&pattern, heard.tile[*at].0.trim_matches([' ', '\t']));
            let is_known = ignored.iter().any(|(known, _)| *known == pattern);
            if ignored.len() < MOST_EXAMPLES && !is_known && !self.lines.iter().any(swallows) {
                ignored.push((pattern, other));
            }
        }
        (ignored, refused)
    }
}

fn line(text: &mut String, what: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = writeln!(text, "{what}");
}

fn example(text: &mut String, seen: &str, keys: &str) {
    let _ = write!(text, "\n[[example]]\nline = {}\n{keys}", quoted(seen));
}

/// The lines of one press, and the values they give together.
fn joined_example(text: &mut String, heard: &Decoded, joins: &Joins) {
    let lines: Vec<String> = joins.lines.iter().map(|&at| quoted(&heard.tile[at].0)).collect();
    line(text, format_args!("\n[[example]]\nlines = [{}]", lines.join(", ")));
    for (geometry, gloss) in joins.gloss.iter() {
        line(text, format_args!("gloss_{} = \"{gloss}\"", geometry.text()));
    }
}

fn serial(text: &mut String, evidence: &Evidence) {
    let serial = evidence.serial;
    let parity = match serial.parity {
        Parity::None => "none",
        Parity::Odd => "odd",
        Parity::Even => "even",
    };
    let bits = serial.data_bits;
    line(text, format_args!("[serial]\nbaud = {}\ndata_bits = {bits}\nparity = \"{parity}\"\n", serial.baud));
}

fn reading_table(text: &mut String, evidence: &Evidence, joins: Option<&Joins>, rule: Option<&Rule>) {
    match (&evidence.how, rule) {
        (How::Ask { request, echo }, _) => {
            line(text, format_args!("\n[reading]\nhow = \"ask\"\nrequest = {}", quoted(request)));
            if *echo {
                line(text, format_args!("echo = true"));
            }
        }
        (How::Stream { .. }, Some(rule)) => {
            let (key, value) = &rule.leaves;
            line(
                text,
                format_args!(
                    "\n[reading]\nhow = \"stream\"\nspread_gu = \"{}\"\n{key} = {value}",
                    rule.spread_gu
                ),
            );
        }
        _ if joins.is_some() => line(text, format_args!("\n[reading]")),
        _ => {}
    }
    if let Some(joins) = joins {
        let order: Vec<&str> = joins.order.iter().map(|geometry| geometry.text()).collect();
        line(text, format_args!("joins_deg = [{}]", order.join(", ")));
    }
}

/// Values and number of a row, as keys of an example.
fn example_keys(cut: &Cut<'_>, reading: &Reading, row: usize) -> Option<String> {
    let mut keys = String::new();
    let mut angles = (0..cut.columns.len()).filter(|&at| reading.roles[at] == Role::Geometry);
    for (at, role) in reading.roles.iter().enumerate() {
        let cell = cut.columns[at].cells[row];
        match role {
            Role::Gloss(own) => {
                let geometry = match own.or(reading.geometry) {
                    Some(geometry) => geometry,
                    None => named(reading, cut.columns[angles.next()?].cells[row])?,
                };
                let value = value(cut, cell)?;
                line(&mut keys, format_args!("gloss_{} = \"{value}\"", geometry.text()));
            }
            Role::Sequence => line(&mut keys, format_args!("sequence = {}", cell.parse::<u64>().ok()?)),
            _ => {}
        }
    }
    Some(keys)
}

fn value(cut: &Cut<'_>, cell: &str) -> Option<Gloss> {
    value_of(cell, cut.mark, number_form(cell, cut.mark.character())?)
}

fn named(reading: &Reading, word: &str) -> Option<Geometry> {
    if reading.words.is_empty() {
        return Geometry::ALL.into_iter().find(|geometry| geometry.text() == word);
    }
    reading.words.iter().find(|(known, _)| known == word).map(|&(_, geometry)| geometry)
}

fn layout(cut: &Cut<'_>, framing: &Framing, reading: &Reading) -> String {
    let mut text = String::new();
    for (key, given) in [("prefix", &framing.prefix), ("suffix", &framing.suffix)] {
        if !given.is_empty() {
            line(&mut text, format_args!("{key} = {}", quoted(given)));
        }
    }
    numbers(&mut text, cut, reading);
    match &cut.way {
        Way::Separator(separator) => {
            let names: Vec<String> =
                reading.roles.iter().map(|role| format!("\"{}\"", name_of(role))).collect();
            line(&mut text, format_args!("separator = {}", quoted(separator)));
            line(&mut text, format_args!("fields = [{}]", names.join(", ")));
        }
        Way::Columns(places) => {
            line(&mut text, format_args!("columns = ["));
            for (role, (from, to)) in reading.roles.iter().zip(places) {
                let name = name_of(role);
                line(&mut text, format_args!("    {{ field = \"{name}\", from = {from}, to = {to} }},"));
            }
            line(&mut text, format_args!("]"));
        }
        Way::Pieces(gaps) => {
            line(&mut text, format_args!("pattern = {}", pattern_text(&pattern(cut, gaps, reading))));
        }
    }
    if let Some(geometry) = reading.geometry {
        line(&mut text, format_args!("geometry_deg = {}", geometry.text()));
    }
    if !reading.words.is_empty() {
        let words: Vec<String> =
            reading.words.iter().map(|(word, g)| format!("{} = {}", quoted(word), g.text())).collect();
        line(&mut text, format_args!("geometry_words = {{ {} }}", words.join(", ")));
    }
    let units = constants(cut, reading, &Role::Unit);
    if !units.is_empty() {
        line(&mut text, format_args!("units = [{}]", units.join(", ")));
    }
    text
}

/// Decimal mark, decimals and notation of the values.
fn numbers(text: &mut String, cut: &Cut<'_>, reading: &Reading) {
    if cut.mark == DecimalMark::Comma {
        line(text, format_args!("decimal = \",\""));
    }
    let values = cut.columns.iter().zip(&reading.roles).filter(|(_, role)| matches!(role, Role::Gloss(_)));
    let forms: Option<Vec<_>> = values
        .map(|(column, _)| match column.form {
            Form::Decimal(form) => Some((form.decimals, form.exponent)),
            Form::Digits => Some((0, None)),
            _ => None,
        })
        .collect();
    let Some([(decimals, exponent), rest @ ..]) = forms.as_deref() else { return };
    if rest.iter().all(|(other, _)| other == decimals) && *decimals <= 6 {
        line(text, format_args!("decimals = {decimals}"));
    }
    if let Some(digits) = exponent {
        line(text, format_args!("notation = \"scientific\"\nexponent_digits = {digits}"));
    }
}

fn tables(cut: &Cut<'_>, framing: &Framing, reading: &Reading) -> String {
    let mut text = String::new();
    let status = constants(cut, reading, &Role::Status);
    if !status.is_empty() {
        line(&mut text, format_args!("\n[status]\nok = [{}]", status.join(", ")));
    }
    if let Some(sum) = &framing.sum {
        line(&mut text, format_args!("\n[checksum]"));
        if sum.digits == 4 {
            line(&mut text, format_args!("kind = \"crc-16\"\ncrc = \"{}\"", sum.name));
        } else {
            line(&mut text, format_args!("kind = \"{}\"", sum.name));
        }
        if !sum.separator.is_empty() {
            line(&mut text, format_args!("separator = {}", quoted(&sum.separator)));
        }
        if sum.after_prefix {
            line(&mut text, format_args!("from = \"after-prefix\""));
        }
        if sum.with_separator {
            line(&mut text, format_args!("to = \"after-separator\""));
        }
        line(&mut text, format_args!("hex = \"{}\"", sum.hex()));
    }
    text
}

/// The words of all columns of a role, each once and in quotes; none in a pattern, which holds them itself.
fn constants(cut: &Cut<'_>, reading: &Reading, wanted: &Role) -> Vec<String> {
    let mut words = Vec::new();
    if matches!(cut.way, Way::Pieces(_)) {
        return words;
    }
    for (column, _) in cut.columns.iter().zip(&reading.roles).filter(|(_, role)| *role == wanted) {
        let word = quoted(column.cells[0]);
        if !words.contains(&word) {
            words.push(word);
        }
    }
    words
}

const fn name_of(role: &Role) -> &'static str {
    match role {
        Role::Gloss(None) => "gloss",
        Role::Gloss(Some(Geometry::Deg20)) => "gloss_20",
        Role::Gloss(Some(Geometry::Deg60)) => "gloss_60",
        Role::Gloss(Some(Geometry::Deg85)) => "gloss_85",
        Role::Geometry => "geometry",
        Role::Sequence => "sequence",
        Role::Unit => "unit",
        Role::Status => "status",
        Role::Skip => "skip",
    }
}

/// The regular expression for pieces: what stood in every line stands there as it is, but for digits.
fn pattern(cut: &Cut<'_>, gaps: &[Gap], reading: &Reading) -> String {
    let mark = cut.mark.character();
    let mut text = String::new();
    for ((column, gap), role) in cut.columns.iter().zip(gaps).zip(&reading.roles) {
        text.push_str(match gap {
            Gap::None => "",
            Gap::Maybe => r"\s*",
            Gap::Always => r"\s+",
        });
        let number = || number_pattern(column.form, mark);
        let piece = match role {
            Role::Gloss(_) => format!("(?<{}>{})", name_of(role), number()),
            Role::Sequence => r"(?<sequence>\d+)".to_owned(),
            Role::Geometry => {
                let words: Vec<String> = if reading.words.is_empty() {
                    Geometry::ALL.map(|geometry| geometry.text().to_owned()).into()
                } else {
                    reading.words.iter().map(|(word, _)| regex::escape(word)).collect()
                };
                format!("(?<geometry>{})", words.join("|"))
            }
            _ => match column.form {
                Form::Decimal(_) | Form::Uneven => number(),
                Form::Digits if is_label(cut, column) => escaped(column.cells[0]),
                Form::Digits => r"\d+".to_owned(),
                _ if column.is_constant() => escaped(column.cells[0]),
                _ => r"\pL+".to_owned(),
            },
        };
        text.push_str(&piece);
    }
    text
}

/// Whether digits are a part of a name, such as the angle in `G60=`.
fn is_label(cut: &Cut<'_>, column: &crate::meter::identify::cells::Column<'_>) -> bool {
    let is_angle = Geometry::ALL.iter().any(|geometry| geometry.text() == column.cells[0]);
    column.is_constant() && is_angle && !cut.columns.is_empty()
}

fn number_pattern(form: Form, mark: char) -> String {
    let mark = regex::escape(&mark.to_string());
    match form {
        Form::Decimal(form) => {
            let decimals =
                if form.decimals > 0 { format!(r"{mark}\d{{{}}}", form.decimals) } else { String::new() };
            let exponent =
                form.exponent.map_or_else(String::new, |digits| format!(r"[Ee][+-]?\d{{{digits}}}"));
            format!(r"[+-]?\d+{decimals}{exponent}")
        }
        Form::Uneven => format!(r"[+-]?\d+(?:{mark}\d+)?"),
        _ => r"\d+".to_owned(),
    }
}

/// The pattern of a line to pass over: letters and marks as they stand, any digits for digits.
fn pattern_for(text: &str) -> String {
    let pieces = tokens(text.trim_matches([' ', '\t']), '.');
    let piece = |token: &crate::meter::identify::tokens::Token<'_>| match token.kind {
        Kind::Number => {
            let sign = if token.text.starts_with(['+', '-']) { "[+-]" } else { "" };
            let fraction = if token.text.contains('.') { r"\.\d+" } else { "" };
            format!(r"{sign}\d+{fraction}")
        }
        Kind::Blank => r"\s+".to_owned(),
        Kind::Word | Kind::Other => escaped(token.text),
    };
    pieces.iter().map(piece).collect()
}

fn is_match(pattern: &str, text: &str) -> bool {
    regex::Regex::new(&format!(r"\A(?:{pattern})\z")).is_ok_and(|regex| regex.is_match(text))
}

/// As it stands, for a pattern; control characters by their numbers.
fn escaped(text: &str) -> String {
    let one = |c: char| {
        if c.is_control() { format!(r"\x{{{:02x}}}", u32::from(c)) } else { regex::escape(&c.to_string()) }
    };
    text.chars().map(one).collect()
}

/// A pattern in single quotes where it can stand so.
fn pattern_text(pattern: &str) -> String {
    if pattern.contains(['\'', '\n']) || pattern.chars().any(char::is_control) {
        quoted(pattern)
    } else {
        format!("'{pattern}'")
    }
}

/// A text in double quotes, as TOML has it.
pub(super) fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => {
                quoted.push('\\');
                quoted.push(c);
            }
            '\t' => quoted.push_str("\\t"),
            c if c.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(c));
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}
