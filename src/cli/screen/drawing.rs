//! The panels, drawn to layout on a grid of characters; as a list where there is no room for that.

use super::line::{Line, Style, cut};
use crate::run::Spot;
use crate::run::setup::Panel;
use crate::view::survey::{Mark, Survey};

/// A grid of characters, each with its style.
struct Canvas {
    width: usize,
    cells: Vec<(char, Style)>,
}

impl Canvas {
    fn new(width: usize, height: usize) -> Canvas {
        Canvas { width, cells: vec![(' ', Style::Plain); width * height] }
    }

    fn put(&mut self, x: usize, y: usize, style: Style, text: &str) {
        for (i, c) in text.chars().enumerate().take(self.width.saturating_sub(x)) {
            if let Some(cell) = self.cells.get_mut(y * self.width + x + i) {
                *cell = (c, style);
            }
        }
    }

    fn lines(&self) -> Vec<Line> {
        let line = |row: &[(char, Style)]| {
            row.iter().fold(Line::new(), |line, (c, style)| line.and(*style, c.encode_utf8(&mut [0; 4])))
        };
        self.cells.chunks(self.width.max(1)).map(line).collect()
    }
}

/// A box on the canvas.
#[derive(Clone, Copy)]
struct Rect {
    x: usize,
    y: usize,
    w: usize,
    h: usize,
}

impl Rect {
    fn overlaps(self, other: Rect) -> bool {
        let apart = |a: usize, aw: usize, b: usize, bw: usize| a + aw <= b || b + bw <= a;
        !apart(self.x, self.w, other.x, other.w) && !apart(self.y, self.h, other.y, other.h)
    }
}

struct Border {
    corners: [char; 4],
    across: char,
    down: char,
}

const LIGHT: Border = Border { corners: ['┌', '┐', '└', '┘'], across: '─', down: '│' };
const HEAVY: Border = Border { corners: ['┏', '┓', '┗', '┛'], across: '━', down: '┃' };
const ROUND: Border = Border { corners: ['╭', '╮', '╰', '╯'], across: '─', down: '│' };

impl Border {
    fn draw(&self, canvas: &mut Canvas, at: Rect, style: Style) {
        let across: String = std::iter::repeat_n(self.across, at.w.saturating_sub(2)).collect();
        let [a, b, c, d] = self.corners;
        let bottom = at.y + at.h - 1;
        canvas.put(at.x, at.y, style, &format!("{a}{across}{b}"));
        canvas.put(at.x, bottom, style, &format!("{c}{across}{d}"));
        for y in at.y + 1..bottom {
            canvas.put(at.x, y, style, &self.down.to_string());
            canvas.put(at.x + at.w - 1, y, style, &self.down.to_string());
        }
    }
}

/// The panels drawn, within that many lines: side by side, or else the one that is being read, with
/// the others as lists. Absent where not even one can be drawn.
pub fn drawn(survey: &Survey<'_>, width: usize, lines: usize) -> Option<Vec<Line>> {
    let panels = survey.ledger.setup.panels.len();
    if panels == 1 {
        return panel(survey, 0, width.checked_sub(2)?, lines).map(|drawn| indented(&drawn));
    }
    beside(survey, width, lines).or_else(|| {
        let current = current_panel(survey);
        let others: Vec<usize> = (0..panels).filter(|&p| p != current).collect();
        let listed = others.iter().flat_map(|&p| listed_panel(survey, p, width)).collect::<Vec<_>>();
        let room = lines.checked_sub(listed.len())?;
        let mut all = indented(&panel(survey, current, width.checked_sub(2)?, room)?);
        all.extend(listed);
        Some(all)
    })
}

fn indented(lines: &[Line]) -> Vec<Line> {
    let indent = |line: &Line| {
        let mut whole = Line::of(Style::Plain, " ");
        whole.append(line.clone());
        whole
    };
    lines.iter().map(indent).collect()
}

fn beside(survey: &Survey<'_>, width: usize, lines: usize) -> Option<Vec<Line>> {
    let panels = survey.ledger.setup.panels.len();
    let each = width.checked_sub(1)? / panels.max(1);
    let each = each.checked_sub(1)?;
    let drawn: Vec<Vec<Line>> = (0..panels).map(|p| panel(survey, p, each, lines)).collect::<Option<_>>()?;
    let height = drawn.iter().map(Vec::len).max()?;
    let row = |y: usize| {
        let mut whole = Line::new();
        for panel in &drawn {
            whole.add(Style::Plain, " ");
            let width = panel.first().map_or(0, Line::width);
            whole.append(panel.get(y).cloned().unwrap_or_default().padded(Style::Plain, width));
        }
        whole
    };
    Some((0..height).map(row).collect())
}

/// The panel of the next zone, or of the zone that was read last.
fn current_panel(survey: &Survey<'_>) -> usize {
    let read_last = || {
        survey.ledger.readings.iter().rev().find_map(|r| match r.spot {
            Spot::Zone { zone, .. } => Some(usize::from(zone)),
            Spot::Tile { .. } => None,
        })
    };
    let zone = survey.next_zone().or_else(read_last);
    zone.map_or(0, |zone| survey.ledger.setup.zones[zone].panel)
}

/// One panel to scale, stretched only as far as its zones need it to be legible.
fn panel(survey: &Survey<'_>, index: usize, width: usize, lines: usize) -> Option<Vec<Line>> {
    let at = survey.ledger.setup.panels.get(index)?;
    let (inner_width, inner_lines) = (width.checked_sub(2)?, lines.checked_sub(2)?);
    if !(at.width_mm > 0.0 && at.height_mm > 0.0 && (at.width_mm / at.height_mm).is_finite()) {
        return None;
    }
    // A character is about twice as high as it is wide.
    let columns_per_line = 2.0 * at.width_mm / at.height_mm;
    let modest = (9.0 * columns_per_line).round() as usize;
    for w in [modest.min(inner_width), inner_width] {
        let natural = ((w as f64 / columns_per_line).round() as usize).min(inner_lines);
        for h in natural..=inner_lines {
            if let Some(rects) = rects(survey, index, at, w, h) {
                return Some(paint(survey, index, w, h, &rects));
            }
        }
    }
    None
}

/// Boxes of the panel's zones on a grid; absent if one would be too small or cover another.
fn rects(survey: &Survey<'_>, index: usize, at: &Panel, w: usize, h: usize) -> Option<Vec<(usize, Rect)>> {
    let setup = &survey.ledger.setup;
    let mut rects: Vec<(usize, Rect)> = Vec::new();
    let needs = inner_width_needed(survey) + 2;
    for (zone, place) in setup.zones.iter().enumerate().filter(|(_, z)| z.panel == index) {
        let column = |mm: f64| (mm / at.width_mm * w as f64).round() as usize;
        let line = |mm: f64| (mm / at.height_mm * h as f64).round() as usize;
        let (x, y) = (column(place.x_mm), line(place.y_mm));
        let (right, bottom) = (column(place.x_mm + place.width_mm), line(place.y_mm + place.height_mm));
        // Drawn a little larger than life where it would not be legible.
        let (w_zone, h_zone) = (right.checked_sub(x)?.max(needs), bottom.checked_sub(y)?.max(3));
        let rect = Rect { x, y, w: w_zone, h: h_zone };
        let is_inside = x.checked_add(w_zone)? <= w && y.checked_add(h_zone)? <= h;
        if !is_inside || rects.iter().any(|(_, r)| r.overlaps(rect)) {
            return None;
        }
        rects.push((zone, rect));
    }
    Some(rects)
}

/// Columns that the boxes of all zones need inside: a mark, a blank and a value; as much from the
/// start, so that the first reading moves nothing.
fn inner_width_needed(survey: &Survey<'_>) -> usize {
    let main = survey.main_geometry();
    let tile = survey.ledger.setup.tile_value(main).map(|tile| tile.assigned_gu.to_string());
    let values = survey.zones.iter().filter_map(|zone| zone.last.get(main));
    let value = values.chain(&tile).map(|value| value.chars().count()).max().unwrap_or(0).max(4);
    let names = survey.ledger.setup.zones.iter().map(|zone| zone.name.chars().count());
    names.max().unwrap_or(0).max(value + 2)
}

/// What stands in a zone's box: mark and last value at the geometry that matters most, then the others
/// where they fit.
fn content(survey: &Survey<'_>, zone: usize, width: usize) -> Vec<String> {
    let main = survey.main_geometry();
    let mut lines = vec![marked_value(survey, zone)];
    let others = survey.shown(zone).iter().filter(|(g, _)| *g != main);
    lines.extend(others.map(|(g, value)| format!("{g} {value}")).filter(|l| l.chars().count() <= width));
    lines
}

fn marked_value(survey: &Survey<'_>, zone: usize) -> String {
    let value = survey.shown(zone).get(survey.main_geometry()).map_or("", String::as_str);
    format!("{} {value}", survey.mark(zone).shape()).trim_end().to_owned()
}

fn paint(survey: &Survey<'_>, index: usize, w: usize, h: usize, rects: &[(usize, Rect)]) -> Vec<Line> {
    let mut canvas = Canvas::new(w + 2, h + 2);
    ROUND.draw(&mut canvas, Rect { x: 0, y: 0, w: w + 2, h: h + 2 }, Style::Quiet);
    let id = cut(&format!(" {} ", survey.ledger.setup.panels[index].id), w.saturating_sub(2));
    canvas.put(2, 0, Style::Strong, &id);
    for &(zone, rect) in rects {
        let at = Rect { x: rect.x + 1, y: rect.y + 1, ..rect };
        paint_zone(survey, zone, at, &mut canvas);
    }
    canvas.lines()
}

fn paint_zone(survey: &Survey<'_>, zone: usize, at: Rect, canvas: &mut Canvas) {
    let setup = &survey.ledger.setup;
    let place = &setup.zones[zone];
    let mark = survey.mark(zone);
    let (border, frame, text) = match mark {
        Mark::Next => (&HEAVY, Style::Next, Style::Next),
        _ => (&LIGHT, Style::Quiet, Style::of(mark)),
    };
    border.draw(canvas, at, frame);
    let inner = at.w - 2;
    let name = cut(&place.name, inner);
    let name_style = if mark == Mark::Next { Style::Next } else { Style::Strong };
    canvas.put(at.x + 1, at.y, name_style, &name);
    let side = place.treatment.and_then(|t| setup.treatments.get(t)).map_or("ctrl", |t| t.code.as_str());
    let side = cut(side, inner);
    if name.chars().count() + side.chars().count() < inner {
        canvas.put(at.x + at.w - 1 - side.chars().count(), at.y, frame, &side);
    }
    let content = content(survey, zone, inner);
    let shown = content.len().min(at.h - 2);
    let top = at.y + 1 + (at.h - 2 - shown) / 2;
    for y in at.y + 1..at.y + at.h - 1 {
        // The next zone is one solid block.
        canvas.put(at.x + 1, y, text, &" ".repeat(inner));
    }
    for (i, line) in content.iter().take(shown).enumerate() {
        canvas.put(at.x + 1, top + i, text, &format!("{line:^inner$}"));
    }
    let (taken, of) = (survey.zones[zone].taken, survey.wanted(zone));
    if of > 1 && taken > 0 && taken < of {
        let count = cut(&format!("{taken}/{of}"), inner);
        canvas.put(at.x + 1 + (inner - count.chars().count()) / 2, at.y + at.h - 1, frame, &count);
    }
}

/// The zones of all panels as a list.
pub fn listed(survey: &Survey<'_>, width: usize) -> Vec<Line> {
    (0..survey.ledger.setup.panels.len()).flat_map(|panel| listed_panel(survey, panel, width)).collect()
}

/// The zones of one panel in reading order, as many beside each other as fit.
fn listed_panel(survey: &Survey<'_>, index: usize, width: usize) -> Vec<Line> {
    let setup = &survey.ledger.setup;
    let order = setup.plan.iter().flat_map(|block| &block.0).copied();
    let zones: Vec<usize> = order.filter(|&zone| setup.zones[zone].panel == index).collect();
    let cell = |zone: usize| {
        let (mark, value) = (survey.mark(zone).shape(), marked_value(survey, zone));
        format!("{mark} {}{}", setup.zones[zone].name, &value[mark.len_utf8()..])
    };
    let widest = zones.iter().map(|&zone| cell(zone).chars().count()).max().unwrap_or(0).max(9);
    let mut lines: Vec<Line> = Vec::new();
    let title = if setup.panels.len() > 1 { cut(&setup.panels[index].id, 8) } else { String::new() };
    let start = if title.is_empty() { 1 } else { title.chars().count() + 2 };
    for zone in zones {
        let is_full = lines.last().is_none_or(|line| line.width() + widest + 2 > width);
        if is_full {
            let title = if lines.is_empty() { title.as_str() } else { "" };
            let indent = start.saturating_sub(1);
            lines.push(Line::of(Style::Strong, format!(" {title:indent$}")));
        }
        let style = Style::of(survey.mark(zone));
        if let Some(line) = lines.last_mut() {
            line.add(style, cut(&format!("{:widest$}", cell(zone)), width.saturating_sub(start + 1)));
            line.add(Style::Plain, "  ");
        }
    }
    lines.into_iter().map(|line| line.fitted(width)).collect()
}
