//! The panels, drawn to their layout in millimetres.

use super::marks;
use super::marks::at;
use crate::units::Geometry;
use crate::view::PanelView;
use crate::view::RunView;
use crate::view::ZoneView;
use crate::view::survey::Mark;
use maud::Markup;
use maud::html;

/// Width of a character by the size of its type, near enough.
const CHARACTER: f64 = 0.6;

/// All panels of a run, with what the marks mean.
pub fn panels(view: &RunView) -> Markup {
    html! {
        div class="panels" data-count=(view.panels.len()) {
            @for (index, panel) in view.panels.iter().enumerate() {
                (drawn(view, panel, index))
            }
        }
        (legend())
    }
}

fn legend() -> Markup {
    let marks = [Mark::Next, Mark::ToRead, Mark::Pending, Mark::Proven, Mark::NotHeld, Mark::LeftOut];
    html! {
        ul class="legend" aria-label="What the marks mean" {
            @for mark in marks {
                li { (marks::small(mark)) " " (mark.text()) }
            }
            li {
                svg class="small-mark" viewBox="-12 -12 24 24" aria-hidden="true" focusable="false" {
                    (marks::again(0.0, 0.0, 9.0))
                }
                " read again"
            }
        }
    }
}

fn drawn(view: &RunView, panel: &PanelView, index: usize) -> Markup {
    // A thousandth of the panel, so that lines and letters are of one size on small and large ones.
    let unit = panel.width_mm.max(panel.height_mm) / 1000.0;
    let edge = 14.0 * unit;
    let frame = [-edge, -edge, panel.width_mm + 2.0 * edge, panel.height_mm + 2.0 * edge].map(at).join(" ");
    let zones = panel.zones.iter().filter(|zone| zone.mark != Mark::Next);
    let next = panel.zones.iter().filter(|zone| zone.mark == Mark::Next);
    let hatch = format!("hatch-{index}");
    let size = format!("{} × {} mm", at(panel.width_mm), at(panel.height_mm));
    html! {
        figure class=(if panel.is_current { "panel current" } else { "panel" }) {
            figcaption { b { (panel.id) } " " span class="soft" { (size) } }
            svg viewBox=(frame) role="group" aria-label=(format!("Panel {}", panel.id)) data-panel=(panel.id)
                class=(if panel.height_mm > panel.width_mm { "tall" } else { "wide" }) {
                defs {
                    pattern id=(hatch) width=(at(16.0 * unit)) height=(at(16.0 * unit)) patternUnits="userSpaceOnUse"
                        patternTransform="rotate(45)" {
                        rect class="hatch" width=(at(4.0 * unit)) height=(at(16.0 * unit)) {}
                    }
                }
                rect class="board" x="0" y="0" width=(at(panel.width_mm)) height=(at(panel.height_mm))
                    rx=(at(8.0 * unit)) stroke-width=(at(4.0 * unit)) {}
                // The next one last, so that its frame lies on top.
                @for zone in zones.chain(next) {
                    (zone_drawn(zone, view.main_geometry, unit, &hatch))
                }
            }
        }
    }
}

/// A zone in words, for who does not see it.
fn told(zone: &ZoneView) -> String {
    let side = zone.code.as_deref().unwrap_or("control");
    let values: Vec<String> = zone.last_gu.iter().map(|(g, value)| format!("{value} GU at {g}")).collect();
    let values = if values.is_empty() { String::new() } else { format!(", {}", values.join(", ")) };
    let state =
        if zone.is_read_again && zone.mark != Mark::Next { "to be read again" } else { zone.mark.text() };
    let count = match zone.taken {
        taken if zone.wanted > 1 => format!(", {taken} of {} readings", zone.wanted),
        _ => String::new(),
    };
    let why = zone.left_out_because.as_ref().map_or_else(String::new, |why| format!(": {why}"));
    format!("{}, {side}: {state}{why}{count}{values}", zone.label)
}

fn zone_drawn(zone: &ZoneView, main: Geometry, unit: f64, hatch: &str) -> Markup {
    let told = told(zone);
    let side = if zone.treatment.is_some() { "treated" } else { "control" };
    let again = if zone.is_read_again { " again" } else { "" };
    let (x, y, w, h) = (at(zone.x_mm), at(zone.y_mm), at(zone.width_mm), at(zone.height_mm));
    let is_next = zone.mark == Mark::Next;
    html! {
        g class=(format!("zone {side} {}{again}", marks::class(zone.mark))) role="img" aria-label=(told)
            data-zone=(zone.label) data-mark=(marks::class(zone.mark)) {
            title { (told) }
            @if is_next {
                (halo(zone, unit))
            }
            rect class="ground" x=(x) y=(y) width=(w) height=(h)
                stroke-width=(at(if is_next { 9.0 * unit } else { 3.0 * unit })) {}
            @if zone.treatment.is_some() && !is_next {
                rect x=(x) y=(y) width=(w) height=(h) fill=(format!("url(#{hatch})")) {}
            }
            (inside(zone, main, unit))
            @if zone.left_out_because.is_some() {
                path class="struck" stroke-width=(at(5.0 * unit)) d=(format!(
                    "M{x} {}L{} {y}", at(zone.y_mm + zone.height_mm), at(zone.x_mm + zone.width_mm)
                )) {}
            }
        }
    }
}

/// Corners about the next zone, which stand out even where its colour is not seen.
fn halo(zone: &ZoneView, unit: f64) -> Markup {
    let gap = 11.0 * unit;
    let (l, t) = (zone.x_mm - gap, zone.y_mm - gap);
    let (r, b) = (zone.x_mm + zone.width_mm + gap, zone.y_mm + zone.height_mm + gap);
    let arm = 0.22 * zone.width_mm.min(zone.height_mm);
    let corner = |x: f64, y: f64, dx: f64, dy: f64| {
        format!("M{} {}V{}H{}", at(x), at(y + dy * arm), at(y), at(x + dx * arm))
    };
    let d =
        [corner(l, t, 1.0, 1.0), corner(r, t, -1.0, 1.0), corner(l, b, 1.0, -1.0), corner(r, b, -1.0, -1.0)];
    html! { path class="halo" d=(d.concat()) stroke-width=(at(8.0 * unit)) {} }
}

/// From above to below: name, mark with value, values at other angles, side; the last two only where there is room.
fn inside(zone: &ZoneView, main: Geometry, unit: f64) -> Markup {
    let (w, h) = (zone.width_mm, zone.height_mm);
    let others: Vec<String> =
        zone.last_gu.iter().filter(|(g, _)| *g != main).map(|(g, v)| format!("{g} {v}")).collect();
    let others = if h > 120.0 * unit { others } else { Vec::new() };
    let middle = zone.x_mm + w / 2.0;
    let (name, name_size) =
        fitted(&zone.name, 0.9 * w, if others.is_empty() { 0.3 * h } else { 0.24 * h }, unit);
    let name_y = zone.y_mm + 0.07 * h + 0.78 * name_size;
    let row = zone.y_mm + if others.is_empty() { 0.66 * h } else { 0.45 * h };
    let side = side_words(zone);
    let (side, side_size) = fitted(&side, 0.92 * w, (0.14 * h).min(32.0 * unit), unit);
    let longest = others.iter().map(|text| text.chars().count()).max().unwrap_or(1) as f64;
    let more_size = (0.13 * h).min(34.0 * unit).min(0.9 * w / (CHARACTER * longest));
    html! {
        text class="name" x=(at(middle)) y=(at(name_y)) font-size=(at(name_size)) text-anchor="middle" { (name) }
        @if h > 90.0 * unit {
            text class="side" x=(at(middle)) y=(at(zone.y_mm + 0.94 * h)) font-size=(at(side_size)) text-anchor="middle" { (side) }
        }
        (marked_value(zone, main, unit, row))
        @for (line, text) in others.iter().enumerate() {
            text class="others" x=(at(middle)) y=(at(row + (0.2 + 0.145 * line as f64) * h)) font-size=(at(more_size))
                text-anchor="middle" { (text) }
        }
    }
}

/// Which side the zone is on, and how far it is read where it is read several times.
fn side_words(zone: &ZoneView) -> String {
    let side = zone.code.as_deref().unwrap_or("control");
    match zone.taken {
        taken if taken > 0 && taken < zone.wanted => format!("{taken} of {}", zone.wanted),
        _ => side.to_owned(),
    }
}

/// The mark with the value beside it, both about the middle of the zone.
fn marked_value(zone: &ZoneView, main: Geometry, unit: f64, row: f64) -> Markup {
    let (w, h) = (zone.width_mm, zone.height_mm);
    let radius = (0.1 * h).min(0.1 * w).min(26.0 * unit);
    let shown = zone.last_gu.get(main).map_or("", String::as_str);
    let (shown, size) = fitted(shown, 0.92 * w - 3.2 * radius, 0.26 * h, unit);
    let text_width = CHARACTER * size * shown.chars().count() as f64;
    let middle = zone.x_mm + w / 2.0;
    let left = middle - (2.6 * radius + text_width) / 2.0;
    let (x, r) = match (shown.is_empty(), zone.mark) {
        (true, Mark::Next) => (middle, 1.4 * radius),
        (true, _) => (middle, radius),
        (false, _) => (left + radius, radius),
    };
    html! {
        @if zone.is_read_again && zone.mark != Mark::Next {
            (marks::again(x, row, r))
        } @else {
            (marks::mark(zone.mark, x, row, r))
        }
        @if !shown.is_empty() {
            text class="value" x=(at(left + 2.6 * radius)) y=(at(row + 0.36 * size)) font-size=(at(size)) { (shown) }
        }
    }
}

/// A text and the size of its type, so that it keeps to a width; shortened where it would be too small to read.
fn fitted(text: &str, width: f64, most: f64, unit: f64) -> (String, f64) {
    let least = 26.0 * unit;
    let count = text.chars().count().max(1) as f64;
    let size = most.min(width / (CHARACTER * count)).min(96.0 * unit);
    if size >= least.min(most) {
        return (text.to_owned(), size);
    }
    let size = least.min(most);
    let room = (width / (CHARACTER * size)).floor().max(2.0) as usize;
    // Names differ at their ends more often than at their beginnings.
    let all: Vec<char> = text.chars().collect();
    let tail = (room - 1).div_ceil(2).min(4);
    let head: String = all.iter().take(room - 1 - tail).collect();
    let tail: String = all[all.len() - tail.min(all.len())..].iter().collect();
    (format!("{head}…{tail}"), size)
}
