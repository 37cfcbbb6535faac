//! What to do now, and the last value: both to be read from two metres away.

use super::marks;
use crate::view::Proof;
use crate::view::RunView;
use crate::view::TodoKind;
use maud::Markup;
use maud::html;

/// What to do now.
pub fn now(view: &RunView) -> Markup {
    let todo = &view.todo;
    let lost = !view.link_up && !view.is_over;
    let class = if lost { "lost" } else { kind_class(todo.kind) };
    html! {
        div class=(format!("call {class}")) data-kind=(class) {
            (sign(class))
            div class="words" {
                @if lost {
                    p class="short word" { "No meter" }
                    p class="sentence" {
                        "Its line is down: look at plug and power. The run goes on by itself when it is back, and nothing recorded is lost."
                    }
                    p class="then" { "Then: " (todo.sentence) }
                } @else {
                    @if todo.kind == TodoKind::Zone || todo.kind == TodoKind::Tile {
                        p class="lead" {
                            "Put the meter on"
                            @if !todo.panel.is_empty() { " panel " b { (todo.panel) } }
                        }
                    }
                    p class=(short_class(&todo.short)) { (todo.short) }
                    @if !todo.detail.is_empty() { p class="detail" { (todo.detail) } }
                    p class="sentence" { (sentence(view)) }
                }
            }
        }
        @if !view.is_over { (progress(view)) }
    }
}

/// A run that was stopped before its end: it lies there until somebody takes it up.
pub fn stopped() -> Markup {
    html! {
        div class="call paused" data-kind="stopped" {
            (sign("paused"))
            div class="words" {
                p class="short word" { "Stopped" }
                p class="sentence" { "No reading is taken now. Take the run up again, or start a new one." }
            }
        }
    }
}

/// How large a word can be written: a zone's short name, a word, or something longer.
fn short_class(text: &str) -> &'static str {
    match text.chars().count() {
        0..=3 => "short",
        4..=8 => "short word",
        _ => "short long",
    }
}

/// One sentence; where the screen has a button for the word, it says so.
fn sentence(view: &RunView) -> String {
    let todo = &view.todo;
    match todo.kind {
        TodoKind::Zone if !todo.sentence.contains(':') => {
            let how = match (view.is_asked, view.is_streamed) {
                (true, _) => "and press Read",
                (_, true) => "and hold it still until the reading is told",
                _ => "and press its own button",
            };
            let panel =
                if todo.panel.is_empty() { String::new() } else { format!(" of panel {}", todo.panel) };
            format!("Put the meter down on {}{panel} {how}.", todo.short)
        }
        TodoKind::Zone => todo.sentence.clone(),
        TodoKind::Tile => {
            let ask = if view.is_asked { " Then press Read." } else { "" };
            format!("{}{ask}", advice(&todo.sentence))
        }
        TodoKind::Adjust => {
            "Set the meter by its manual, then press “Meter adjusted” (d): its as-left check follows."
                .to_owned()
        }
        TodoKind::Paused => "Nothing is taken until you press Resume (p).".to_owned(),
        TodoKind::Done => "Every zone is proven, or left out with a reason.".to_owned(),
        TodoKind::GivenUp => "What was not proven stays so. Nothing recorded is lost.".to_owned(),
    }
}

/// What to do before a reading of the tile: the rest of the sentence stands beside it in large letters.
fn advice(sentence: &str) -> String {
    let Some((_, advice)) = sentence.split_once(": ") else {
        return "Lift the meter, put it down again, and read.".to_owned();
    };
    let advice = advice.replace("say `adjust`", "press “Adjust meter” (m)");
    super::sentence(&advice)
}

const fn kind_class(kind: TodoKind) -> &'static str {
    match kind {
        TodoKind::Tile => "tile",
        TodoKind::Zone => "zone",
        TodoKind::Adjust => "adjust",
        TodoKind::Paused => "paused",
        TodoKind::Done => "done",
        TodoKind::GivenUp => "given-up",
    }
}

/// The shape beside the words: one for each kind of thing.
fn sign(class: &str) -> Markup {
    let d = match class {
        "zone" => "M22 14L84 50L22 86Z",
        "tile" => "M50 8L92 50L50 92L8 50Z",
        "adjust" => "M20 30H80M20 70H80M38 16V44M64 56V84",
        "paused" => "M34 16V84M66 16V84",
        "done" => "M14 54L40 80L88 22",
        "given-up" => "M16 50H84",
        // A plug pulled out of its socket.
        _ => "M8 50H30M30 30V70H44V30ZM44 40H54M44 60H54M70 30V70H84V30ZM84 50H94",
    };
    html! {
        svg class="sign" viewBox="0 0 100 100" aria-hidden="true" focusable="false" { path d=(d) stroke-width="10" {} }
    }
}

fn progress(view: &RunView) -> Markup {
    let (done, of) = (view.placements_done, view.placements_of);
    html! {
        p class="progress" {
            label for="done" { (done) " of " (of) " placements" }
            progress id="done" value=(done) max=(of.max(1)) { (done) " of " (of) }
        }
    }
}

/// The last value, large; once the run is over, what it came to.
pub fn value(view: &RunView) -> Markup {
    if view.is_over {
        return results(view);
    }
    let Some(last) = &view.last else {
        return html! { div class="value empty" { p class="spot" { "Last value" } p class="number" aria-hidden="true" { "–" } p class="soft" { "nothing read yet" } } };
    };
    let (main, others) = match last.values.split_first() {
        Some((main, others)) => (Some(main), others),
        None => (None, &last.values[..]),
    };
    html! {
        div class=(if others.is_empty() { "value" } else { "value several" }) data-placement=(last.placement) {
            p class="spot" { "Last: " b { (last.spot) } }
            @if let Some((geometry, gu)) = main {
                p class=(if gu.chars().count() > 5 { "number long" } else { "number" }) {
                    (gu)
                }
                p class="unit" { "GU at " (geometry) }
            }
            @if !others.is_empty() {
                p class="others" { @for (geometry, gu) in others { span { b { (gu) } " at " (geometry) } " " } }
            }
            p class="state" {
                @if last.on_tile { "on the tile" } @else { (marks::small(last.mark)) " " (last.mark.text()) }
            }
        }
    }
}

/// The results in words.
fn results(view: &RunView) -> Markup {
    let proven = view.differences.iter().filter(|of| of.proof == Proof::Proven).count();
    html! {
        ul class=(if view.differences.len() == 1 { "results" } else { "results several" }) data-proven=(proven) {
            @for of in &view.differences {
                li {
                    p class="spot" {
                        b { (of.name) } " minus control"
                        @if view.panels.len() > 1 { ", " (of.panel_id) }
                        ", at " (of.geometry)
                    }
                    @if !of.text.is_empty() { p class="number" { (of.text) span class="unit" { " GU" } } }
                    p class="verdict" { (of.verdict) }
                }
            }
        }
    }
}
