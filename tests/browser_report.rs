//! The published site in a real browser, as a reader opens it: from the disk and over HTTP, on a phone, a laptop and a
//! wall screen, light and dark, on paper. Pictures of every page are kept in `target/screenshots/report/`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common {
    pub mod browser;
}

use axum::Router;
use axum::http::StatusCode;
use axum::http::Uri;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;
use common::browser::Browser;
use common::browser::TABLET;
use serde_json::Value;
use serde_json::json;
use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::sync::Arc;
use tempfile::TempDir;

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-data");
/// A phone, a laptop, a wall screen.
const WIDTHS: [u32; 3] = [360, 1024, 1920];
/// Stricter than any host of static pages would set it: no script, nothing from elsewhere, no style but the site's file.
const POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; base-uri 'none'";

/// A report in a folder of its own.
struct Site {
    _place: TempDir,
    out: PathBuf,
}

impl Site {
    /// Of the demo's season, its `study.toml` changed.
    fn of_the_demo(change: impl Fn(String) -> String) -> Site {
        let place = TempDir::new().unwrap();
        let study = place.path().join("study");
        copy(Path::new(DEMO), &study);
        let file = study.join("study.toml");
        fs::write(&file, change(fs::read_to_string(&file).unwrap())).unwrap();
        let out = place.path().join("the site"); // a folder with a blank, as people have them
        let done = Command::new(env!("CARGO_BIN_EXE_halfpanel"))
            .arg("report")
            .arg(&study)
            .args(["--png", "never", "--out"])
            .arg(&out)
            .output()
            .unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        Site { _place: place, out }
    }

    /// Paths of its pages, the front page first.
    fn pages(&self) -> Vec<String> {
        let mut pages: Vec<String> =
            files(&self.out).into_keys().filter(|path| path.ends_with(".html")).collect();
        pages.sort_by_key(|path| path != "index.html");
        pages
    }

    fn on_the_disk(&self, page: &str) -> String {
        url::Url::from_file_path(self.out.join(page)).unwrap().into()
    }

    /// Serves it, until the test ends; gives the address.
    async fn serve(&self) -> String {
        let files = Arc::new(files(&self.out));
        let app = Router::new().fallback(move |uri: Uri| std::future::ready(answer(&files, &uri)));
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        tokio::spawn(async move { axum::serve(listener, app).await.unwrap() });
        format!("http://{address}/")
    }
}

fn answer(files: &BTreeMap<String, Vec<u8>>, uri: &Uri) -> Response {
    let path = percent_decoded(uri.path().trim_start_matches('/'));
    let path = if path.is_empty() { "index.html" } else { &path };
    let Some(bytes) = files.get(path) else { return StatusCode::NOT_FOUND.into_response() };
    let media_type = match path.rsplit('.').next() {
        Some("html") => "text/html; charset=utf-8",
        Some("css") => "text/css",
        Some("svg") => "image/svg+xml",
        Some("png") => "image/png",
        Some("csv") => "text/csv",
        Some("json") => "application/json",
        _ => "text/plain; charset=utf-8",
    };
    let headers = [(header::CONTENT_TYPE, media_type), (header::CONTENT_SECURITY_POLICY, POLICY)];
    (headers, bytes.clone()).into_response()
}

fn percent_decoded(path: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = path.bytes();
    while let Some(byte) = rest.next() {
        match byte {
            b'%' => {
                let hex = [rest.next().unwrap(), rest.next().unwrap()];
                bytes.push(u8::from_str_radix(std::str::from_utf8(&hex).unwrap(), 16).unwrap());
            }
            byte => bytes.push(byte),
        }
    }
    String::from_utf8(bytes).unwrap()
}

fn copy(from: &Path, to: &Path) {
    for (path, bytes) in files(from) {
        fs::create_dir_all(to.join(&path).parent().unwrap()).unwrap();
        fs::write(to.join(path), bytes).unwrap();
    }
}

/// Every file below a folder by its path from there.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).unwrap().map(Result::unwrap) {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap().to_str().unwrap().to_owned();
                found.insert(name, fs::read(&path).unwrap());
            }
        }
    }
    found
}

/// What a page leads to and is made of, as whole addresses, and what of it the browser could not show.
async fn leads(browser: &Browser) -> (BTreeSet<String>, Vec<String>) {
    let script = "const done = arguments[arguments.length - 1];
        const of = (list, name) => [...list].map((of) => of[name]).filter((to) => !to.startsWith('data:'));
        // A picture further down is not fetched before it comes into sight.
        const shown = [...document.images].map((of) => { of.loading = 'eager'; return of.decode().then(() => '', () => of.src); });
        Promise.all(shown).then((unshown) => done([
          [...of(document.querySelectorAll('a[href], link[href]'), 'href'), ...of(document.images, 'src')],
          unshown.filter(Boolean),
        ]));";
    let found = browser.client.execute_async(script, Vec::new()).await.expect("the script runs");
    let words = |of: &Value| -> Vec<String> {
        of.as_array().unwrap().iter().map(|to| to.as_str().unwrap().to_owned()).collect()
    };
    (words(&found[0]).into_iter().collect(), words(&found[1]))
}

/// Picture by picture, as wide as its name says; and nothing may stick out or bar anybody from reading. Where `briefly`,
/// only the narrowest in the dark and the widest in the light: for pages of which there are many alike.
async fn look(browser: &Browser, page: &str, briefly: bool) {
    let name = page.trim_end_matches(".html").replace('/', "-");
    for scheme in ["light", "dark"] {
        browser.set_scheme(scheme).await;
        for width in WIDTHS {
            let is_extreme = (scheme, width) == ("dark", 360) || (scheme, width) == ("light", 1920);
            if briefly && !is_extreme {
                continue;
            }
            browser.picture(&format!("report/{name}-{width}-{scheme}"), width).await;
            assert!(!browser.scrolls_sideways().await, "{page} is wider than {width} px");
            // Layout differs between the narrowest and the widest, colours between light and dark.
            if is_extreme {
                let barriers = browser.barriers().await;
                assert!(barriers.is_empty(), "{page}, {scheme}, {width} px: {barriers:#?}");
            }
        }
    }
}

#[tokio::test]
async fn every_page_from_the_disk_fits_every_window_light_and_dark_and_bars_nobody() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let site = Site::of_the_demo(|study| study);
    let pages = site.pages();
    for (at, page) in pages.iter().enumerate() {
        browser.goto(&site.on_the_disk(page)).await;
        let (links, unshown) = leads(&browser).await;
        assert_eq!(unshown, Vec::<String>::new(), "{page}");
        for link in links {
            let file = url::Url::parse(&link).unwrap().to_file_path();
            let file = file.unwrap_or_else(|()| panic!("{page}: {link} leads away from the disk"));
            assert!(file.starts_with(&site.out) && file.is_file(), "{page}: {link} is not there");
        }
        let alike = ["boards/", "runs/", "treatments/"].iter().find(|folder| page.starts_with(**folder));
        let is_first =
            alike.is_none_or(|folder| !pages[..at].iter().any(|before| before.starts_with(folder)));
        look(&browser, page, !is_first).await;
        assert_eq!(browser.complaints().await, Vec::<String>::new(), "{page}");
    }
    browser.close().await;
}

/// Follows links in the browser; gives those that lead nowhere, to an empty file, or to a place that the page has not.
async fn broken(browser: &Browser, links: &BTreeSet<String>) -> Value {
    let script = "const [links, done] = arguments;
        const parts = Map.groupBy(links, (link) => link.split('#')[0]);
        Promise.all([...parts].map(async ([file, links]) => {
          const got = await fetch(file);
          const text = await got.text();
          if (!got.ok || text === '') return [`${file}: ${got.status}`];
          const ids = links.map((link) => decodeURIComponent(link.split('#')[1] ?? '')).filter(Boolean);
          const page = new DOMParser().parseFromString(text, 'text/html');
          return ids.filter((id) => !page.getElementById(id)).map((id) => `${file}: no place called ${id}`);
        })).then((found) => done(found.flat()), (why) => done([String(why)]));";
    browser.client.execute_async(script, vec![json!(links)]).await.expect("links are followed")
}

#[tokio::test]
async fn over_http_every_link_picture_and_download_is_there_and_no_policy_stops_anything() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let site = Site::of_the_demo(|study| study);
    let at = site.serve().await;
    let mut links = BTreeSet::new();
    for page in &site.pages() {
        browser.goto(&format!("{at}{page}")).await;
        let (found, unshown) = leads(&browser).await;
        assert_eq!(unshown, Vec::<String>::new(), "{page}");
        assert!(found.iter().all(|link| link.starts_with(&at)), "{page} leads away: {found:?}");
        links.extend(found);
        assert_eq!(browser.complaints().await, Vec::<String>::new(), "{page}");
    }
    // The site's own policy lets nothing be fetched by scripts; those of this test need a page that has none.
    browser.goto(&format!("{at}data/study.toml")).await;
    let followed: BTreeSet<String> =
        links.iter().map(|link| link.split('#').next().unwrap().to_owned()).collect();
    browser.devtools("Page.setBypassCSP", json!({ "enabled": true })).await;
    browser.goto(&format!("{at}index.html")).await;
    assert_eq!(broken(&browser, &links).await, json!([]));
    // It can fail.
    let none: BTreeSet<String> = [format!("{at}none.html"), format!("{at}how.html#none")].into();
    assert_eq!(broken(&browser, &none).await.as_array().unwrap().len(), 2);
    // Every file of the report is led to from somewhere, but the list of digests for `sha256sum`.
    for file in files(&site.out).into_keys() {
        let is_linked = followed.iter().any(|link| percent_decoded(link.strip_prefix(&at).unwrap()) == file);
        assert!(is_linked, "nothing leads to {file}");
    }
    browser.close().await;
}

#[tokio::test]
async fn long_and_strange_names_stay_within_the_window() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let names = [
        ("Harbour Sealer No. 4", "W".repeat(200)),
        ("Slipway Wax Paste", "two coats of the same with a pause between them, ".repeat(6)),
        (
            "Lee Shore Carnauba Mix",
            "\u{5e9}\u{5dc}\u{5d5}\u{5dd} \u{627}\u{644}\u{644}\u{648}\u{646} (1)".to_owned(),
        ),
    ];
    let site = Site::of_the_demo(|mut study| {
        for (short, long) in &names {
            assert!(study.contains(short), "{short}");
            study = study.replace(short, long);
        }
        study
    });
    for page in
        ["index.html", "treatments/T1.html", "treatments/T2.html", "runs/2026-05-06-01.html", "cards.html"]
    {
        browser.goto(&site.on_the_disk(page)).await;
        let name = page.trim_end_matches(".html").replace('/', "-");
        for width in WIDTHS {
            browser.picture(&format!("report/long-names-{name}-{width}"), width).await;
            assert!(!browser.scrolls_sideways().await, "{page} is wider than {width} px");
        }
    }
    browser.close().await;
}

#[tokio::test]
async fn on_paper_it_is_dark_on_white_and_nothing_is_cut_off() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let site = Site::of_the_demo(|study| study);
    for page in ["index.html", "treatments/T1.html", "runs/2026-05-06-01.html", "check.html"] {
        browser.goto(&site.on_the_disk(page)).await;
        // A4 without its margins, at 96 dots an inch; the reader's screen is dark.
        let features = json!([{ "name": "prefers-color-scheme", "value": "dark" }]);
        browser
            .devtools("Emulation.setEmulatedMedia", json!({ "media": "print", "features": features }))
            .await;
        browser
            .picture(&format!("report/paper-{}", page.trim_end_matches(".html").replace('/', "-")), 672)
            .await;
        let colours = browser
            .script("const of = getComputedStyle(document.body); return [of.backgroundColor, of.color]")
            .await;
        assert_eq!(colours, json!(["rgb(255, 255, 255)", "rgb(0, 0, 0)"]), "{page}");
        let cut = browser
            .script(
                "return [...document.querySelectorAll('table, svg, pre, img')]
                   .filter((of) => of.getBoundingClientRect().right > document.documentElement.clientWidth + 1)
                   .map((of) => of.outerHTML.slice(0, 80))",
            )
            .await;
        assert_eq!(cut, json!([]), "{page}");
        let paper = browser.devtools("Page.printToPDF", json!({ "preferCSSPageSize": true })).await;
        assert!(paper["data"].as_str().unwrap().len() > 10_000, "{page}");
    }
    browser.close().await;
}
