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
