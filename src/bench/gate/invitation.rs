//! What the terminal shows so that others can pair: address and codes, as text and as QR codes.

use std::fmt;

use qrcode::EcLevel;
use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;

use super::pairing::Code;

/// Between two QR codes that stand side by side.
const GAP: &str = "  ";

/// The widest picture that common terminals show without wrapping, in columns.
const COLUMNS: usize = 80;

/// An invitation. Print it to a terminal and to nothing else: it holds the codes.
#[derive(Clone)]
pub struct Invitation {
    url: String,
    operator: Code,
    viewer: Code,
}

impl Invitation {
    pub(super) fn new(url: String, operator: Code, viewer: Code) -> Invitation {
        Invitation { url, operator, viewer }
    }

    /// The code for those who act.
    pub fn operator(&self) -> &Code {
        &self.operator
    }

    /// The code for those who only look.
    pub fn viewer(&self) -> &Code {
        &self.viewer
    }

    /// The address of the pairing page with a code filled in; whoever opens it still has to press the button.
    fn link(&self, code: &Code) -> String {
        format!("{}pair?code={}", self.url, code.plain())
    }

    /// Both QR codes, side by side where 80 columns hold them. `None` for an address too long for a QR code.
    fn pictures(&self) -> Option<String> {
        let [act, look] = [picture(&self.link(&self.operator))?, picture(&self.link(&self.viewer))?];
        let width = |picture: &str| picture.lines().next().map_or(0, |line| line.chars().count());
        let (left, right) = ("To act:", "To look only:");
        if width(&act) + GAP.len() + width(&look) > COLUMNS {
            return Some(format!("{left}\n{act}\n\n{right}\n{look}\n"));
        }
        let mut both = format!("{left:0$}{GAP}{right}\n", width(&act));
        for (a, b) in act.lines().zip(look.lines()) {
            both.push_str(&format!("{a}{GAP}{b}\n"));
        }
        Some(both)
    }
}

impl fmt::Display for Invitation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Invitation { url, operator, viewer } = self;
        writeln!(f, "On a device of this network open\n\n  {url}\n")?;
        writeln!(f, "and type a code, or point its camera at one of the squares:\n")?;
        writeln!(f, "  {operator}  to lead a run and to look")?;
        writeln!(f, "  {viewer}  to look only\n")?;
        f.write_str(&self.pictures().unwrap_or_default())
    }
}

/// A QR code in half blocks, light on dark with its quiet zone, as terminals with a dark ground show it best.
/// On a light ground it stands inverted, which most readers take too.
fn picture(text: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(text, EcLevel::L).ok()?;
    let mut picture = code.render::<Dense1x2>();
    picture.dark_color(Dense1x2::Light).light_color(Dense1x2::Dark);
    Some(picture.quiet_zone(true).module_dimensions(1, 1).build())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn invitation(url: &str) -> Invitation {
        Invitation::new(url.to_owned(), Code::new([1, 2, 3, 4, 5]), Code::new([0xff; 5]))
    }

    #[test]
    fn the_text_states_address_and_codes_for_whoever_has_no_camera() {
        let text = invitation("http://192.168.1.5:8417/").to_string();
        for piece in ["  http://192.168.1.5:8417/\n", "0410-6105", "ZZZZ-ZZZZ", "to look only"] {
            assert!(text.contains(piece), "{piece} is missing:\n{text}");
        }
    }

    #[test]
    fn both_squares_fit_a_common_terminal_side_by_side_or_else_stand_below_each_other() {
        let widest = |text: &str| text.lines().map(|line| line.chars().count()).max().unwrap();
        let near = invitation("http://192.168.100.100:8417/").to_string();
        assert!(widest(&near) <= 80, "{near}");
        let far = invitation("http://[2001:db8:1234:5678:9abc:def0:1234:5678]:8417/").to_string();
        assert!(widest(&far) <= 80, "{far}");
        assert!(far.lines().count() > near.lines().count());
    }

    #[test]
    fn the_square_has_its_finders_and_a_quiet_zone_of_four() {
        let code = QrCode::with_error_correction_level(b"http://192.168.1.5:8417/", EcLevel::L).unwrap();
        let square = picture("http://192.168.1.5:8417/").unwrap();
        let lines = square.lines().map(|line| line.chars().collect::<Vec<_>>()).collect::<Vec<_>>();
        assert_eq!(lines[0].len(), code.width() + 8);
        assert!(lines[..2].iter().flatten().all(|c| *c == '█'), "{square}");
        // The rows 4 and 5 of modules: all dark, then dark, light, dark: the corner of a finder.
        assert_eq!(lines[2][..12].iter().collect::<String>(), "████ ▄▄▄▄▄ █", "{square}");
    }
}
