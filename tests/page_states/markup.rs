//! HTML as the page writes it, taken apart: attributes stand in double quotes.

/// An opening tag.
#[derive(Debug)]
pub struct Tag<'t> {
    pub name: &'t str,
    pub attributes: Vec<(&'t str, &'t str)>,
    /// Where it ends in the text.
    end: usize,
}

impl<'t> Tag<'t> {
    pub fn get(&self, name: &str) -> Option<&'t str> {
        self.attributes.iter().find(|(known, _)| *known == name).map(|(_, value)| *value)
    }
}

/// Every opening tag, in order.
pub fn tags(page: &str) -> Vec<Tag<'_>> {
    let mut found = Vec::new();
    let mut at = 0;
    while let Some(from) = page[at..].find('<').map(|from| at + from) {
        let end = end_of_tag(page, from);
        let inner = &page[from + 1..end - 1];
        at = end;
        if inner.starts_with(['/', '!']) {
            continue;
        }
        let name_end = inner.find(char::is_whitespace).unwrap_or(inner.len());
        found.push(Tag { name: &inner[..name_end], attributes: attributes(&inner[name_end..]), end });
    }
    found
}

/// Behind the `>` that ends a tag; one within quotes ends nothing.
fn end_of_tag(page: &str, from: usize) -> usize {
    let mut quoted = false;
    for (at, c) in page[from..].char_indices() {
        match c {
            '"' => quoted = !quoted,
            '>' if !quoted => return from + at + 1,
            _ => {}
        }
    }
    panic!("a tag without an end: {}", &page[from..page.len().min(from + 80)]);
}

fn attributes(mut text: &str) -> Vec<(&str, &str)> {
    let mut found = Vec::new();
    loop {
        text = text.trim_start();
        if text.is_empty() {
            return found;
        }
        let name_end = text.find(|c: char| c == '=' || c.is_whitespace()).unwrap_or(text.len());
        let name = &text[..name_end];
        text = &text[name_end..];
        match text.strip_prefix("=\"") {
            Some(rest) => {
                let (value, after) = rest.split_once('"').unwrap();
                found.push((name, value));
                text = after;
            }
            None => found.push((name, "")),
        }
    }
}

/// Elements of these names with all that is in them; none of them stands within another of its name.
pub fn named<'t>(page: &'t str, names: &[&str]) -> Vec<(Tag<'t>, &'t str)> {
    let all = tags(page).into_iter().filter(|tag| names.contains(&tag.name));
    all.map(|tag| {
        let close = format!("</{}>", tag.name);
        let inner = page[tag.end..].split(&close).next().unwrap();
        (tag, inner)
    })
    .collect()
}

/// What there is to read in a piece of HTML; what is hidden from readers aside.
pub fn text_of(html: &str) -> String {
    let mut text = String::new();
    let mut at = 0;
    for tag in tags(html) {
        let start = html[..tag.end].rfind('<').unwrap();
        text.push_str(closed(&html[at.min(start)..start]).as_str());
        at = tag.end;
        if tag.get("aria-hidden") == Some("true") {
            let close = format!("</{}>", tag.name);
            at = html[tag.end..].find(&close).map_or(html.len(), |end| tag.end + end + close.len());
        }
    }
    text.push_str(&closed(&html[at.min(html.len())..]));
    text.trim().to_owned()
}

/// The text without closing tags.
fn closed(html: &str) -> String {
    let mut text = String::new();
    for (at, piece) in html.split("</").enumerate() {
        text.push_str(if at == 0 { piece } else { piece.split_once('>').map_or("", |(_, rest)| rest) });
    }
    text
}
