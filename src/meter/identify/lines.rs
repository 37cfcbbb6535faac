//! Bytes as lines, and lines as text.

use crate::meter::Encoding;
use crate::meter::Line;
use crate::meter::LineAssembler;
use crate::meter::LineEnd;
use crate::meter::LineOutcome;
use crate::meter::Profile;
use crate::meter::identify::Evidence;
use crate::meter::identify::MOST_LINES;
use crate::meter::identify::When;
use crate::meter::identify::framing::Framing;
use crate::meter::identify::tokens::signature;
use crate::units::Gloss;
use crate::units::PerGeometry;

/// Characters that may end a line where neither CR nor LF does: ETX, EOT, and the semicolon.
const OTHER_ENDS: [u8; 3] = [0x03, 0x04, b';'];

/// Whole lines of the bytes, without their ends; the character that ends them, where it is neither CR nor
/// LF; and how many bytes at the end are a line that was not ended.
#[must_use]
pub fn cut_into_lines(bytes: &[u8]) -> (Vec<Vec<u8>>, Option<u8>, usize) {
    let has_usual = bytes.iter().any(|byte| matches!(byte, b'\r' | b'\n'));
    // The last byte ends a line; a mark between fields does not stand there.
    let last = bytes.last().copied();
    let other = OTHER_ENDS.into_iter().find(|&end| !has_usual && last == Some(end));
    let mut assembler = LineAssembler::new(other.map_or(LineEnd::Any, LineEnd::Byte));
    let mut lines = Vec::new();
    assembler.feed(bytes, |line| match line {
        Line::Whole(line) => lines.push(line.to_vec()),
        Line::TooLong(_) => {}
    });
    let rest = assembler.take_partial().map_or(0, |rest| rest.len());
    (lines, other, rest)
}

/// The lines of some evidence as text.
pub(super) struct Decoded {
    pub encoding: Encoding,
    /// Text and press of each line from the tile.
    pub tile: Vec<(String, u32)>,
    /// What came besides.
    before: Vec<String>,
    air: Vec<Vec<u8>>,
}

impl Decoded {
    /// `None` where no line came from the tile.
    pub fn of(evidence: &Evidence) -> Option<Decoded> {
        let tile = || {
            evidence.lines.iter().filter_map(|line| match line.when {
                When::Tile(press) => Some((&line.bytes, press)),
                _ => None,
            })
        };
        let is_ascii = evidence.serial.data_bits == 7 || tile().all(|(bytes, _)| bytes.is_ascii());
        let is_utf8 = tile().all(|(bytes, _)| std::str::from_utf8(bytes).is_ok());
        let encoding = match (is_ascii, is_utf8) {
            (true, _) => Encoding::Ascii,
            (_, true) => Encoding::Utf8,
            _ => Encoding::Latin1,
        };
        let text = |bytes: &Vec<u8>| decode(bytes, encoding);
        let lines: Vec<(String, u32)> =
            tile().filter_map(|(bytes, press)| Some((text(bytes)?, press))).take(MOST_LINES).collect();
        let of = |wanted: When| evidence.lines.iter().filter(move |line| line.when == wanted);
        (!lines.is_empty()).then(|| Decoded {
            encoding,
            tile: lines,
            before: of(When::Before).filter_map(|line| text(&line.bytes)).take(MOST_LINES).collect(),
            air: of(When::Air).map(|line| line.bytes.clone()).collect(),
        })
    }

    /// The bytes of a line from the tile, as they came.
    pub fn tile_bytes(&self, line: usize) -> Vec<u8> {
        let text = &self.tile[line].0;
        match self.encoding {
            Encoding::Latin1 => text.chars().filter_map(|c| u8::try_from(u32::from(c)).ok()).collect(),
            Encoding::Ascii | Encoding::Utf8 => text.as_bytes().to_vec(),
        }
    }

    /// Numbers of the lines from the tile that are none of these.
    pub fn others_than_numbers<'a>(&self, lines: &'a [usize]) -> impl Iterator<Item = usize> + use<'a> {
        (0..self.tile.len()).filter(move |line| !lines.contains(line))
    }

    /// The lines from the tile that are none of these, and what else came before; of the latter not what
    /// may be the rest of a line that was cut off.
    pub fn others_than(&self, lines: &[usize], framing: &Framing) -> Vec<String> {
        // Within the frame, for the digits of a checksum have no shape.
        let shape_of = |text: &str| signature(framing.strip(text).unwrap_or(text));
        let shapes: Vec<String> = lines.iter().map(|&line| shape_of(&self.tile[line].0)).collect();
        let is_rest = |text: &&String| {
            let shape = shape_of(text);
            shapes.iter().any(|whole| whole.ends_with(&shape) || whole.trim_end() == shape)
        };
        let others = self.others_than_numbers(lines).map(|line| self.tile[line].0.clone());
        others.chain(self.before.iter().filter(|text| !is_rest(text)).cloned()).collect()
    }

    /// What the profile reads in the air.
    pub fn air_values(&self, profile: &Profile) -> Vec<PerGeometry<Gloss>> {
        let read = |line: &Vec<u8>| match profile.reader().read(line) {
            LineOutcome::Values { gloss, .. } => Some(gloss),
            _ => None,
        };
        self.air.iter().filter_map(read).collect()
    }
}

fn decode(bytes: &[u8], encoding: Encoding) -> Option<String> {
    match encoding {
        Encoding::Ascii => bytes.is_ascii().then(|| bytes.iter().map(|&byte| char::from(byte)).collect()),
        Encoding::Utf8 => std::str::from_utf8(bytes).ok().map(str::to_owned),
        Encoding::Latin1 => Some(bytes.iter().map(|&byte| char::from(byte)).collect()),
    }
}
