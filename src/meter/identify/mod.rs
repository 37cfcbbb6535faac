//! From what a meter that nobody has seen sends to a profile that reads it.
//!
//! [`hear`] says whether bytes are text in lines, and so whether the line is set right. [`propose`] takes
//! lines of which at least three were sent from the tile, and gives the profiles that read them, the
//! likeliest first, each with its reasons and doubts. Every proposal was loaded, with the seen lines as its
//! examples: it reads them as it says. What it cannot know is told as a doubt and lowers its confidence.

mod cells;
mod framing;
mod hearing;
mod joins;
mod lines;
mod roles;
mod search;
mod stillness;
mod tokens;
mod writing;

#[cfg(test)]
mod hearing_tests;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod uart;

pub use hearing::Hearing;
pub use hearing::IS_TEXT;
pub use hearing::Verdict;
pub use hearing::hear;
pub use lines::cut_into_lines;
pub use search::Search;
pub use stillness::has_left;
pub use stillness::stands_still;

use crate::meter::Encoding;
use crate::meter::LineOutcome;
use crate::meter::Profile;
use crate::meter::Serial;
use crate::meter::identify::cells::Cut;
use crate::meter::identify::cells::Way as Cutting;
use crate::meter::identify::framing::Framing;
use crate::meter::identify::joins::Joins;
use crate::meter::identify::roles::Origin;
use crate::meter::identify::roles::Reading;
use crate::meter::identify::tokens::signature;
use crate::meter::identify::writing::Draft;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;

/// Below this confidence a proposal is nothing to rely on.
pub const CONFIDENT: f64 = 0.6;

/// How many proposals are worked out to the end.
const MOST_LOADED: usize = 12;
/// Lines that are looked at; a stream sends many.
const MOST_LINES: usize = 60;

/// A line as it came, without its end.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeardLine {
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// When it came.
    pub when: When,
}

/// When a line came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// At this press on the tile, from 1; in a stream each line has a number of its own.
    Tile(u32),
    /// From a meter in the air, in a stream.
    Air,
    /// Before anybody said where the meter stands.
    Before,
}

/// What the user knows already.
#[derive(Clone, Debug)]
pub struct Known {
    /// The tile's assigned values, GU.
    pub tile: PerGeometry<Gloss>,
    /// The angle, where the line does not name it.
    pub geometry: Option<Geometry>,
}

impl Default for Known {
    fn default() -> Known {
        Known { tile: PerGeometry::none(), geometry: None }
    }
}

/// How the lines came.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum How {
    /// One press, one reading.
    #[default]
    Press,
    /// On this request, written as in a profile; `echo` if the meter sent it back first.
    Ask {
        /// The request, with its escapes.
        request: String,
        /// Whether it came back.
        echo: bool,
    },
    /// Without end. `silent_in_air` if nothing came once the meter was lifted.
    Stream {
        /// Nothing came from the air.
        silent_in_air: bool,
    },
}

/// Everything that a proposal is made from.
#[derive(Clone, Debug, Default)]
pub struct Evidence {
    /// Name of the profile to be.
    pub name: String,
    /// The settings at which the lines were heard.
    pub serial: Serial,
    /// The character that ends a line, where it is neither CR nor LF.
    pub end: Option<u8>,
    /// How they came.
    pub how: How,
    /// The lines, in their order.
    pub lines: Vec<HeardLine>,
    /// What is known besides.
    pub known: Known,
}

/// A profile that reads the seen lines.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// The profile, loaded; its text is [`Profile::text`].
    pub profile: Profile,
    /// 0 to 1; see [`CONFIDENT`].
    pub confidence: f64,
    /// What speaks for it, a sentence each.
    pub reasons: Vec<String>,
    /// What is not certain, a sentence each.
    pub doubts: Vec<String>,
}

/// Profiles for the lines, the likeliest first; none where no number in them can be a gloss. The same
/// evidence gives the same proposals; any bytes will do.
#[must_use]
pub fn propose(evidence: &Evidence) -> Vec<Candidate> {
    let Some(heard) = lines::Decoded::of(evidence) else { return Vec::new() };
    let texts: Vec<&str> = heard.tile.iter().map(|(text, _)| text.as_str()).collect();
    let framings = framing::framings(&texts);
    let has_sum = framings.iter().any(|framing| framing.sum.is_some());
    let mut drafts = Vec::new();
    for framing in &framings {
        for group in groups(&heard, framing) {
            let without_sum = has_sum && framing.sum.is_none();
            drafts.extend(drafts_of(evidence, &heard, framing, &group, without_sum));
        }
    }
    drafts.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let mut found: Vec<Candidate> = Vec::new();
    for draft in drafts.into_iter().take(MOST_LOADED) {
        if let Some(candidate) = finish(evidence, &heard, draft)
            && !found.iter().any(|other| other.profile.text() == candidate.profile.text())
        {
            found.push(candidate);
        }
    }
    found.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    found
}

/// Lines of one shape, by their numbers among the lines from the tile.
struct Group {
    lines: Vec<usize>,
    inside: Vec<String>,
    presses: Vec<u32>,
}

/// Lines that are alike in shape; and, where words tell lines of one shape apart, in words too.
fn groups(heard: &lines::Decoded, framing: &Framing) -> Vec<Group> {
    let mut found: Vec<(String, Group)> = Vec::new();
    let mut put = |key: String, line: usize, inside: &str, press: u32| {
        let at = found.iter().position(|(known, _)| *known == key).unwrap_or_else(|| {
            found.push((key, Group { lines: Vec::new(), inside: Vec::new(), presses: Vec::new() }));
            found.len() - 1
        });
        let group = &mut found[at].1;
        group.lines.push(line);
        group.inside.push(inside.to_owned());
        group.presses.push(press);
    };
    for (line, (text, press)) in heard.tile.iter().enumerate() {
        let Some(inside) = framing.strip(text) else { continue };
        put(signature(inside), line, inside, *press);
        let words: String = inside.chars().filter(|c| !c.is_ascii_digit()).collect();
        put(format!("{}\n{words}", signature(inside)), line, inside, *press);
    }
    let mut groups: Vec<Group> = Vec::new();
    for (_, group) in found {
        if !groups.iter().any(|other| other.lines == group.lines) {
            groups.push(group);
        }
    }
    groups.sort_by_key(|group| std::cmp::Reverse(group.lines.len()));
    groups.truncate(8);
    groups
}

fn drafts_of(
    evidence: &Evidence,
    heard: &lines::Decoded,
    framing: &Framing,
    group: &Group,
    without_sum: bool,
) -> Vec<Draft> {
    let rows: Vec<&str> = group.inside.iter().map(String::as_str).collect();
    let others = heard.others_than(&group.lines, framing);
    let origin = Origin { known: &evidence.known, presses: &group.presses, others: &others };
    let mut drafts = Vec::new();
    for cut in cells::cuts(&rows) {
        for mut reading in roles::readings(&cut, &origin) {
            weigh(&mut reading, &cut, framing, without_sum);
            weigh_others(&mut reading, evidence, &others, &rows);
            drafts.extend(Draft::of(&cut, framing, reading, &group.lines));
        }
    }
    drafts
}

/// What the layout itself says for and against a reading.
fn weigh(reading: &mut Reading, cut: &Cut<'_>, framing: &Framing, without_sum: bool) {
    reading.confidence *= match cut.way {
        Cutting::Separator("blanks") => 0.985,
        Cutting::Separator(_) => 1.0,
        Cutting::Columns(_) => 0.97,
        Cutting::Pieces(_) => 0.96,
    };
    let has_control = |cell: &str| cell.chars().any(char::is_control);
    if cut.columns.iter().any(|column| column.cells.iter().any(|cell| has_control(cell))) {
        reading.confidence *= 0.5;
    }
    // A number with decimals inside of a cell is not looked at.
    let hides = |column: &cells::Column<'_>| {
        column.form == cells::Form::Mixed
            && column
                .cells
                .iter()
                .any(|cell| signature(cell).contains(&format!("9{}9", cut.mark.character())))
    };
    if cut.columns.iter().any(hides) {
        reading.confidence *= 0.6;
        reading.doubts.push("numbers that are not cut out stand within a field".to_owned());
    }
    if without_sum {
        reading.confidence *= 0.8;
        reading.doubts.push("the lines have a checksum that this layout does not check".to_owned());
    }
    if let Some(sum) = &framing.sum {
        reading.reasons.push(sum.in_words());
    }
    let status: Vec<&str> = cut
        .columns
        .iter()
        .zip(&reading.roles)
        .filter(|(_, role)| **role == roles::Role::Status)
        .map(|(column, _)| column.cells[0])
        .collect();
    for word in status {
        reading.doubts.push(format!(
            "`{word}` stood in every line and is taken to say that all is well; a line with another word is refused"
        ));
    }
}

/// Lines from the tile that this reading leaves out, and that hold a number too.
fn weigh_others(reading: &mut Reading, evidence: &Evidence, others: &[String], rows: &[&str]) {
    let mut shapes: Vec<String> = others.iter().map(|line| signature(line)).collect();
    shapes.sort();
    shapes.dedup();
    reading.confidence *= 0.99_f64.powi(i32::try_from(shapes.len().min(10)).unwrap_or(10));
    let says_gloss = rows.iter().all(|row| {
        let row = row.to_lowercase();
        row.contains("gloss") || row.contains("gu") || row.contains('°')
    });
    let has_rival = shapes.iter().any(|shape| shape.contains("9.9") || shape.contains("9,9"));
    if has_rival && evidence.known.tile.is_empty() && !says_gloss {
        reading.confidence *= 0.6;
        reading.doubts.push(
            "other lines came that hold a number with decimals too; the tile's value would tell".to_owned(),
        );
    }
}

/// Writes the profile, loads it, and holds it to every line that it is to read.
fn finish(evidence: &Evidence, heard: &lines::Decoded, mut draft: Draft) -> Option<Candidate> {
    let file = "proposal";
    let press = Profile::load(file, &draft.text(evidence, heard, None)).ok()?;
    let reads = |line: usize| match press.reader().read(&heard.tile_bytes(line)) {
        LineOutcome::Values { gloss, .. } => Some(gloss),
        _ => None,
    };
    let values: Vec<PerGeometry<Gloss>> =
        draft.lines.iter().map(|&line| reads(line)).collect::<Option<_>>()?;
    let mut others = heard.others_than_numbers(&draft.lines);
    if others.any(|line| reads(line).is_some()) {
        draft.confidence *= 0.8;
        draft.doubts.push("lines of another shape are read by it too".to_owned());
    }
    if !matches!(evidence.how, How::Stream { .. }) {
        draft.joins = Joins::of(heard, &draft.lines, &values);
        draft.reasons.extend(draft.joins.as_ref().map(Joins::in_words));
    }
    let profile = match &evidence.how {
        How::Press if draft.joins.is_none() => press,
        How::Press => Profile::load(file, &draft.text(evidence, heard, None)).ok()?,
        How::Ask { .. } => Profile::load(file, &draft.text(evidence, heard, None)).ok()?,
        How::Stream { silent_in_air } => {
            let rule = stillness::rule(&values, &heard.air_values(&press), *silent_in_air);
            draft.confidence *= rule.confidence;
            draft.doubts.extend(rule.doubt.clone());
            Profile::load(file, &draft.text(evidence, heard, Some(&rule))).ok()?
        }
    };
    Some(Candidate {
        profile,
        confidence: (draft.confidence.clamp(0.0, 0.99) * 100.0).round() / 100.0,
        reasons: draft.reasons,
        doubts: draft.doubts,
    })
}

/// The encoding in words of a profile.
const fn encoding_name(encoding: Encoding) -> &'static str {
    match encoding {
        Encoding::Ascii => "ascii",
        Encoding::Latin1 => "latin-1",
        Encoding::Utf8 => "utf-8",
    }
}
