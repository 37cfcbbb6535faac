//! The marks: a shape for each way in which a zone, a reading or a check can stand. Colour only helps.

use crate::tile::CheckVerdict;
use crate::view::survey::Mark;
use maud::Markup;
use maud::html;

/// A length or place in a drawing, with as many digits as a screen can show.
pub fn at(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

/// How a zone stands, as a class.
pub const fn class(mark: Mark) -> &'static str {
    match mark {
        Mark::ToRead => "to-read",
        Mark::Pending => "pending",
        Mark::Proven => "proven",
        Mark::NotHeld => "not-held",
        Mark::LeftOut => "left-out",
        Mark::Next => "next",
    }
}

/// A mark about a point, `r` from its middle to its edge.
pub fn mark(mark: Mark, x: f64, y: f64, r: f64) -> Markup {
    let class = format!("mark {}", class(mark));
    match mark {
        Mark::ToRead => html! { circle class=(class) cx=(at(x)) cy=(at(y)) r=(at(0.35 * r)) {} },
        Mark::Pending => html! {
            circle class=(class) cx=(at(x)) cy=(at(y)) r=(at(0.78 * r)) stroke-width=(at(0.4 * r)) {}
        },
        Mark::Proven => html! { circle class=(class) cx=(at(x)) cy=(at(y)) r=(at(r)) {} },
        Mark::NotHeld => {
            let (a, b) = (at(x - 0.75 * r), at(x + 0.75 * r));
            let (c, d) = (at(y - 0.75 * r), at(y + 0.75 * r));
            html! { path class=(class) d=(format!("M{a} {c}L{b} {d}M{a} {d}L{b} {c}")) stroke-width=(at(0.5 * r)) {} }
        }
        Mark::LeftOut => html! {
            path class=(class) d=(format!("M{} {}H{}", at(x - r), at(y), at(x + r))) stroke-width=(at(0.45 * r)) {}
        },
        Mark::Next => html! {
            path class=(class) d=(format!(
                "M{} {}L{} {}L{} {}Z",
                at(x - 0.8 * r), at(y - r), at(x + r), at(y), at(x - 0.8 * r), at(y + r)
            )) {}
        },
    }
}

/// To be read again: three quarters of a ring with an arrow's head.
pub fn again(x: f64, y: f64, r: f64) -> Markup {
    let q = 0.78 * r;
    let ring = format!("M{} {}A{q:.2} {q:.2} 0 1 1 {} {}", at(x - q), at(y), at(x), at(y + q));
    let head = format!(
        "M{} {}L{} {}L{} {}Z",
        at(x - 0.62 * r),
        at(y + q),
        at(x + 0.12 * r),
        at(y + 0.3 * r),
        at(x + 0.12 * r),
        at(y + 1.26 * r)
    );
    html! {
        path class="mark again" d=(ring) stroke-width=(at(0.38 * r)) {}
        path class="mark again-head" d=(head) {}
    }
}

/// A check on the tile: a diamond; hollow before it is finished, crossed where it did not pass. Zero and middle are
/// squares, since they prove no bracket.
pub fn check(verdict: Option<CheckVerdict>, of_scale: bool, x: f64, y: f64, r: f64) -> Markup {
    let passed = verdict == Some(CheckVerdict::Passed);
    let class = match verdict {
        None => "check open",
        Some(CheckVerdict::Passed) => "check passed",
        Some(CheckVerdict::Failed) => "check failed",
        Some(CheckVerdict::Invalid) => "check invalid",
    };
    let reach = if of_scale { 0.72 * r } else { r };
    let outline = if of_scale {
        format!(
            "M{} {}h{}v{}h{}Z",
            at(x - reach),
            at(y - reach),
            at(2.0 * reach),
            at(2.0 * reach),
            at(-2.0 * reach)
        )
    } else {
        format!(
            "M{} {}L{} {}L{} {}L{} {}Z",
            at(x),
            at(y - r),
            at(x + r),
            at(y),
            at(x),
            at(y + r),
            at(x - r),
            at(y)
        )
    };
    html! {
        path class=(class) d=(outline) stroke-width=(at(0.24 * r)) {}
        @if verdict.is_some() && !passed {
            (cross(x, y, 0.42 * r))
        }
    }
}

fn cross(x: f64, y: f64, r: f64) -> Markup {
    let (a, b, c, d) = (at(x - r), at(x + r), at(y - r), at(y + r));
    html! { path class="cross" d=(format!("M{a} {c}L{b} {d}M{a} {d}L{b} {c}")) stroke-width=(at(0.55 * r)) {} }
}

/// A mark by itself, for a line of text.
pub fn small(of: Mark) -> Markup {
    html! {
        svg class="small-mark" viewBox="-12 -12 24 24" aria-hidden="true" focusable="false" { (mark(of, 0.0, 0.0, 9.0)) }
    }
}

/// A check's mark by itself, for a line of text.
pub fn small_check(verdict: Option<CheckVerdict>, of_scale: bool) -> Markup {
    html! {
        svg class="small-mark" viewBox="-12 -12 24 24" aria-hidden="true" focusable="false" {
            (check(verdict, of_scale, 0.0, 0.0, 10.0))
        }
    }
}
