//! The two pages of the gate, without script and with the page's own style sheet.

use crate::bench::page::sheet;
use maud::Markup;
use maud::PreEscaped;
use maud::html;

/// Where one types a code. `says` is what became of the last try; `code` is what stands in the field already.
pub fn pair(says: Option<&str>, code: &str) -> Markup {
    let form = html! {
        p { "Type the code that the daemon shows in its terminal. One code lets you lead a run, the other lets you look." }
        @if let Some(says) = says {
            p.alert role="alert" { (says) }
        }
        form.pair method="post" action="/pair" {
            label for="code" { "Code" }
            input id="code" name="code" value=(code) required autocomplete="off" autocapitalize="characters"
                spellcheck="false" maxlength="40" size="12";
            button type="submit" { "Pair this browser" }
        }
        p { "It stays paired for twelve hours, or until the daemon is restarted." }
    };
    frame("Pair this browser", &form)
}

/// What happened and what to do.
pub fn refusal(what: &str, to_do: &str) -> Markup {
    let mut letters = what.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    let stop = if what.ends_with(['.', '!', '?']) { "" } else { "." };
    frame(
        "That did not work",
        &html! {
            p { (first) (letters.as_str()) (stop) }
            p { (to_do) }
            p { a href="/" { "To the studies" } }
        },
    )
}

fn frame(title: &str, inner: &Markup) -> Markup {
    PreEscaped(sheet(title, inner))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_stranger_sent_is_text_on_the_page_and_nothing_else() {
        let sent = "\"><script>alert(1)</script>";
        for page in [pair(Some(sent), sent), refusal(sent, sent)] {
            let page = page.into_string();
            assert!(!page.contains("<script") && page.contains("&lt;script"), "{page}");
            assert!(!page.contains("\">&lt;") && !page.contains("style="), "{page}");
        }
    }
}
