//! The words as buttons, each with its key; those that need more ask for it. They work without a script: each is
//! part of a form.

use crate::view::RunView;
use crate::view::WordsNow;
use maud::Markup;
use maud::html;

/// The form that the plain buttons belong to. It stands outside of the regions.
pub const WORDS: &str = "words";

/// The form that stops a sitting.
pub const STOPPING: &str = "stopping";

/// Buttons of a running run.
pub fn actions(view: &RunView) -> Markup {
    let words = &view.words;
    if !words.is_open {
        return html! {};
    }
    html! {
        div class="bar" role="group" aria-label="What you can say" {
            @if words.read { (button("read", "Read", "Enter", "strong")) }
            @if words.adjusted { (button("adjusted", "Meter adjusted", "d", "strong")) }
            @if words.resume { (button("resume", "Resume", "p", "strong")) }
            @if let Some(what) = &words.undo { (undo(what)) }
            @if words.again.is_some() { (again(words)) }
            @if !words.voidable.is_empty() { (void(words)) }
            @if words.check { (button("check", "Check tile", "c", "")) }
            @if words.pause { (button("pause", "Pause", "p", "")) }
            @if words.adjust { (button("adjust", "Adjust meter", "m", "")) }
            @if let Some(zone) = &words.skip { (skip(zone)) }
            (note())
            (abandon())
        }
    }
}

fn key(of: &str) -> Markup {
    html! { kbd aria-hidden="true" { (of) } }
}

fn button(word: &str, label: &str, on: &str, class: &str) -> Markup {
    html! {
        button type="submit" form=(WORDS) name="word" value=(word) id=(format!("word-{word}")) class=(class)
            data-key=(on.to_lowercase()) aria-keyshortcuts=(on) { (label) " " (key(on)) }
    }
}

fn undo(what: &str) -> Markup {
    html! {
        button type="submit" form=(WORDS) name="word" value="undo" id="word-undo" data-key="u" aria-keyshortcuts="u" {
            "Undo " span class="what" { (what) } " " (key("u"))
        }
    }
}

/// A button that unfolds a form of its own.
fn asking(name: &str, label: &str, on: &str, fields: Markup) -> Markup {
    html! {
        details class="ask" id=(format!("ask-{name}")) data-key=(on) {
            summary aria-keyshortcuts=(on) { (label) "… " (key(on)) }
            form method="post" action="word" class="sheet" data-word=(name) {
                (super::version())
                (fields)
            }
        }
    }
}

fn reason(id: &str, label: &str, example: &str, required: bool) -> Markup {
    html! {
        label for=(id) { (label) }
        input id=(id) name="reason" type="text" maxlength="200" autocomplete="off" placeholder=(example) required[required];
    }
}

fn again(words: &WordsNow) -> Markup {
    let last = words.again.as_deref().unwrap_or("");
    asking(
        "again",
        "Again",
        "a",
        html! {
            label for="again-zone" { "Read a zone again, whole" }
            select id="again-zone" name="word" {
                @for zone in &words.read_zones {
                    option value=(format!("again {zone}")) selected[zone == last] { (zone) }
                }
            }
            button type="submit" class="strong" { "Read it again" }
        },
    )
}

fn void(words: &WordsNow) -> Markup {
    asking(
        "void",
        "Void",
        "v",
        html! {
            label for="void-placement" { "Placement" }
            select id="void-placement" name="word" {
                @for of in &words.voidable {
                    option value=(format!("void {}", of.placement)) { (of.what) " (no. " (of.placement) ")" }
                }
            }
            (reason("void-reason", "Why it does not count; stands in the tables", "slid on the wax", true))
            button type="submit" class="strong" { "Declare it void" }
        },
    )
}

fn skip(zone: &str) -> Markup {
    asking(
        "skip",
        "Leave out",
        "s",
        html! {
            input type="hidden" name="word" value=(format!("skip {zone}"));
            (reason("skip-reason", &format!("Why zone {zone} is left out; stands in the tables"), "scratched", true))
            button type="submit" class="strong" { "Leave " (zone) " out" }
        },
    )
}

fn note() -> Markup {
    asking(
        "note",
        "Note",
        "n",
        html! {
            input type="hidden" name="word" value="note";
            (reason("note-text", "Something to remember, without effect on the run", "sun on the bench", true))
            button type="submit" class="strong" { "Write it down" }
        },
    )
}

fn abandon() -> Markup {
    asking(
        "abandon",
        "Abandon",
        "q",
        html! {
            p { b { "Give this run up?" } " What is not proven stays so. To stop for now and go on later, use “Stop for now”." }
            input type="hidden" name="word" value="abandon";
            (reason("abandon-reason", "Why, if you like", "the panel got wet", false))
            button type="submit" class="danger" { "Yes, give it up" }
            button type="submit" class="quiet" form=(STOPPING) { "Stop for now" }
        },
    )
}
