//! Style, script and mark of the page: inside the binary, under names that change with what is in them, so that a
//! browser may keep them for good.

use sha2::Digest;
use sha2::Sha256;
use std::sync::LazyLock;

/// Something that the page asks for.
struct Asset {
    name: String,
    mime: &'static str,
    bytes: Vec<u8>,
}

impl Asset {
    fn new(stem: &str, ending: &str, mime: &'static str, text: &str) -> Asset {
        let digest = Sha256::digest(text.as_bytes());
        let hash: String = digest.iter().take(6).map(|byte| format!("{byte:02x}")).collect();
        Asset { name: format!("{stem}-{hash}.{ending}"), mime, bytes: text.as_bytes().to_vec() }
    }

    /// Where it is.
    fn address(&self) -> String {
        format!("/assets/{}", self.name)
    }
}

static STYLE: LazyLock<Asset> = LazyLock::new(|| {
    let parts = [
        include_str!("../../report/style/tokens.css"),
        include_str!("../assets/ground.css"),
        include_str!("../assets/bench.css"),
    ];
    Asset::new("bench", "css", "text/css; charset=utf-8", &parts.concat())
});
static SCRIPT: LazyLock<Asset> = LazyLock::new(|| {
    Asset::new("bench", "js", "text/javascript; charset=utf-8", include_str!("../assets/bench.js"))
});
static MARK: LazyLock<Asset> =
    LazyLock::new(|| Asset::new("mark", "svg", "image/svg+xml", include_str!("../assets/mark.svg")));

/// MIME type and bytes of an asset; absent if there is none of that name.
#[must_use]
pub fn asset(name: &str) -> Option<(&'static str, &'static [u8])> {
    let all: [&'static Asset; 3] = [&STYLE, &SCRIPT, &MARK];
    all.into_iter().find(|asset| asset.name == name).map(|asset| (asset.mime, asset.bytes.as_slice()))
}

/// Where the style is.
pub fn style() -> String {
    STYLE.address()
}

/// Where the script is.
pub fn script() -> String {
    SCRIPT.address()
}

/// Where the mark is.
pub fn mark() -> String {
    MARK.address()
}
