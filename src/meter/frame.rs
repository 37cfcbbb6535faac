//! What stands around the fields of a line: text before and behind them, and a checksum. It is taken off
//! byte by byte before anything else is read; what does not have it is refused.
//!
//! ```text
//! prefix | the fields | separator and digits of the checksum | suffix
//! ```

use crate::meter::LineEnd;
use crate::meter::Refusal;
use crate::meter::Seen;
use crate::meter::checksum;
use crate::meter::checksum::Algorithm;
use crate::meter::line_format::Encoding;
use crate::meter::profile_file::ChecksumTable;
use crate::meter::profile_file::CoversFrom;
use crate::meter::profile_file::CoversTo;
use crate::meter::profile_file::File;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use std::ops::Range;
use toml::Spanned;

/// What stands around the fields.
#[derive(Clone, Debug)]
pub(super) struct Frame {
    prefix: Box<[u8]>,
    suffix: Box<[u8]>,
    checksum: Option<Checksum>,
}

#[derive(Clone, Debug)]
struct Checksum {
    algorithm: Algorithm,
    separator: Box<[u8]>,
    from: CoversFrom,
    to: CoversTo,
}

impl Frame {
    /// `None` where the profile names nothing of it.
    pub fn of(source: Source<'_>, file: &File) -> Result<Option<Frame>, Problem> {
        let line = file.line.get_ref();
        let text = |key: &str, given: Option<&Spanned<String>>| {
            given.map_or(Ok(Box::default()), |given| framing(source, key, given, line.encoding, line.end))
        };
        let prefix = text("prefix", line.prefix.as_ref())?;
        let suffix = text("suffix", line.suffix.as_ref())?;
        let checksum = match &file.checksum {
            None => None,
            Some(table) => {
                let separator = text("separator", table.get_ref().separator.as_ref())?;
                Some(checksum_of(source, table, separator, !prefix.is_empty())?)
            }
        };
        let is_bare = prefix.is_empty() && suffix.is_empty() && checksum.is_none();
        Ok((!is_bare).then_some(Frame { prefix, suffix, checksum }))
    }

    /// The fields of the line without what stands around them, the checksum being right.
    pub fn strip<'l>(&self, line: &'l [u8]) -> Result<&'l [u8], Refusal> {
        let not_framed = |key, begins_or_ends, wanted: &[u8]| Refusal::NotFramed {
            line: Seen::new(line),
            begins_or_ends,
            wanted: Seen::new(wanted),
            key,
        };
        let behind =
            line.strip_prefix(&*self.prefix).ok_or_else(|| not_framed("prefix", "begin", &self.prefix))?;
        let inside =
            behind.strip_suffix(&*self.suffix).ok_or_else(|| not_framed("suffix", "end", &self.suffix))?;
        match &self.checksum {
            None => Ok(inside),
            Some(checksum) => checksum.strip(line, self.prefix.len(), inside),
        }
    }

    /// Other checksums that would be right for this line, in the keys of a profile.
    pub fn others_that_fit(&self, line: &[u8]) -> Option<String> {
        let checksum = self.checksum.as_ref()?;
        let inside = line.strip_prefix(&*self.prefix)?.strip_suffix(&*self.suffix)?;
        let count = checksum.algorithm.digits();
        let (before, digits) = inside.split_at_checked(inside.len().checked_sub(count)?)?;
        let fields = before.strip_suffix(&*checksum.separator)?;
        let found = u16::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?;
        for (from, from_name) in [(CoversFrom::Start, "start"), (CoversFrom::AfterPrefix, "after-prefix")] {
            for (to, to_name) in [
                (CoversTo::BeforeSeparator, "before-separator"),
                (CoversTo::AfterSeparator, "after-separator"),
            ] {
                let span = span(from, to, self.prefix.len(), fields.len(), checksum.separator.len());
                if let Some(name) = checksum::those_that_fit(&line[span], found, count).first() {
                    let kind =
                        if count == 4 { format!("crc = \"{name}\"") } else { format!("kind = \"{name}\"") };
                    return Some(format!("{kind}, from = \"{from_name}\", to = \"{to_name}\""));
                }
            }
        }
        None
    }
}

/// The bytes of the line that the checksum covers.
fn span(from: CoversFrom, to: CoversTo, prefix: usize, fields: usize, separator: usize) -> Range<usize> {
    let start = if from == CoversFrom::Start { 0 } else { prefix };
    let end = prefix + fields;
    start..if to == CoversTo::BeforeSeparator { end } else { end + separator }
}

impl Checksum {
    fn strip<'l>(&self, line: &[u8], prefix: usize, inside: &'l [u8]) -> Result<&'l [u8], Refusal> {
        let count = self.algorithm.digits();
        let parted = inside.len().checked_sub(count).and_then(|at| inside.split_at_checked(at));
        let given = parted.and_then(|(before, digits)| {
            Some((before.strip_suffix(&*self.separator)?, digits, self.algorithm.parse_digits(digits)?))
        });
        let Some((fields, digits, found)) = given else { return Err(self.missing(line)) };
        let covered = span(self.from, self.to, prefix, fields.len(), self.separator.len());
        let expected = self.algorithm.of(&line[covered]);
        if found == expected {
            return Ok(fields);
        }
        Err(Refusal::WrongChecksum {
            line: Seen::new(line),
            found: Seen::new(digits),
            expected: self.algorithm.print(expected).into(),
        })
    }

    fn missing(&self, line: &[u8]) -> Refusal {
        let digits = self.algorithm.digits();
        let case = self.algorithm.case();
        let behind = match &*self.separator {
            [] => String::new(),
            separator => format!(" behind {}", Seen::new(separator)),
        };
        Refusal::NoChecksum {
            line: Seen::new(line),
            wanted: format!("{digits} hex digits{case}{behind}").into(),
        }
    }
}

fn checksum_of(
    source: Source<'_>,
    table: &Spanned<ChecksumTable>,
    separator: Box<[u8]>,
    has_prefix: bool,
) -> Result<Checksum, Problem> {
    let keys = table.get_ref();
    let algorithm = Algorithm::new(keys).map_err(|(span, what, hint)| {
        source.problem(if span.is_empty() { table.span() } else { span }, what, hint)
    })?;
    if let (Some(from), false) = (&keys.from, has_prefix)
        && *from.get_ref() == CoversFrom::AfterPrefix
    {
        let what = "`from` is \"after-prefix\", but the line has no prefix";
        return Err(source.problem(from.span(), what, "give `prefix` in `[line]`, or take `from` out"));
    }
    if let (Some(to), true) = (&keys.to, separator.is_empty()) {
        let what = "`to` is given, but the checksum has no separator before it";
        return Err(source.problem(to.span(), what, "give `separator`, or take `to` out"));
    }
    Ok(Checksum {
        algorithm,
        separator,
        from: keys.from.as_ref().map_or(CoversFrom::default(), |from| *from.get_ref()),
        to: keys.to.as_ref().map_or(CoversTo::default(), |to| *to.get_ref()),
    })
}

/// The bytes of a text that stands around the fields.
fn framing(
    source: Source<'_>,
    key: &str,
    given: &Spanned<String>,
    encoding: Encoding,
    end: LineEnd,
) -> Result<Box<[u8]>, Problem> {
    let text = given.get_ref().as_str();
    let refuse = |what: String, hint: &str| Err(source.problem(given.span(), what, hint));
    if text.is_empty() {
        return refuse(format!("`{key}` is empty"), "give the text that stands there, or take the key out");
    }
    if end.stands_in(text) {
        return refuse(
            format!("`{key}` has the line end in it"),
            "a line end never stands inside a line; see `end`",
        );
    }
    if text.contains(r"\x") {
        let hint = "write it in \"double quotes\", where \\x02 is the byte of that number";
        return refuse(format!("`{key}` has a backslash with an x behind it"), hint);
    }
    let bytes: Option<Vec<u8>> = match encoding {
        Encoding::Utf8 => Some(text.as_bytes().to_vec()),
        Encoding::Ascii => text.is_ascii().then(|| text.as_bytes().to_vec()),
        Encoding::Latin1 => text.chars().map(|character| u8::try_from(u32::from(character)).ok()).collect(),
    };
    match bytes {
        Some(bytes) => Ok(bytes.into()),
        None => refuse(
            format!("`{key}` has a character that the `encoding` has not"),
            "set `encoding = \"latin-1\"`, where each byte from \\x80 to \\xff is a character",
        ),
    }
}
