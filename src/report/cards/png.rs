//! SVG to PNG, with the letters that come with the program: the same picture on any machine, whatever fonts it has.

use resvg::tiny_skia::Pixmap;
use resvg::usvg::Options;
use resvg::usvg::Transform;
use resvg::usvg::Tree;
use resvg::usvg::fontdb::Database;
use std::sync::Arc;
use std::sync::LazyLock;

/// The program's own letters (Noto Sans, SIL Open Font Licence).
static LETTERS: LazyLock<Arc<Database>> = LazyLock::new(|| {
    let mut letters = Database::new();
    letters.load_font_data(notosans::REGULAR_TTF.to_vec());
    letters.load_font_data(notosans::BOLD_TTF.to_vec());
    Arc::new(letters)
});

/// A picture of this program as PNG, in its own size.
///
/// # Panics
/// If the text is no SVG of this program: what [`super::Card::svg`] makes can be drawn.
#[must_use]
pub fn png(svg: &str) -> Vec<u8> {
    let options =
        Options { fontdb: LETTERS.clone(), font_family: "Noto Sans".to_owned(), ..Options::default() };
    let tree = Tree::from_str(svg, &options).expect("a card is an SVG, with every text escaped");
    let size = tree.size().to_int_size();
    let mut pixels = Pixmap::new(size.width(), size.height()).expect("a card has a size above zero");
    resvg::render(&tree, Transform::identity(), &mut pixels.as_mut());
    pixels.encode_png().expect("pixels in memory can be written as PNG")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(text: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 300 60\" width=\"300\" height=\"60\">\
             <text x=\"10\" y=\"40\" font-size=\"32\" font-family=\"Noto Sans, sans-serif\" fill=\"#000000\">{text}</text></svg>"
        )
    }

    /// Pixels that anything was drawn on.
    fn inked(png: &[u8]) -> usize {
        Pixmap::decode_png(png).unwrap().pixels().iter().filter(|pixel| pixel.alpha() > 0).count()
    }

    #[test]
    fn text_appears_wherever_it_is_drawn_and_its_ground_stays_clear() {
        assert_eq!(inked(&png(&picture(""))), 0);
        // An em of 32 pixels: a capital H inks some 200 pixels, and twice as many letters twice as much.
        let (one, two) = (inked(&png(&picture("H"))), inked(&png(&picture("HH"))));
        assert!(one > 100 && two > one + 100, "{one} {two}");
        assert!(inked(&png(&picture("+7.5 ± 0.3 \u{2212} Ω Ж"))) > 4 * one);
    }

    #[test]
    fn the_same_picture_is_the_same_file() {
        assert_eq!(png(&picture("Harbour Sealer")), png(&picture("Harbour Sealer")));
    }
}
