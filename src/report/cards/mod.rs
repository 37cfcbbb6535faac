//! Cards: one picture of a treatment for a video or a post, as SVG and PNG. Big enough to be read on a phone, and
//! honest enough to stand alone: the figure never without its uncertainty, hollow where nothing is proven.

mod png;

pub use png::png;

use crate::report::plots::Mark;
use crate::report::plots::Scale;
use crate::report::plots::lettering;
use crate::report::svg::escaped;
use std::fmt::Write as _;

/// Outline of the picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// 1920 × 1080.
    Wide,
    /// 1080 × 1080.
    Square,
}

impl Shape {
    /// Width and height in pixels.
    #[must_use]
    pub const fn size(self) -> (u32, u32) {
        match self {
            Shape::Wide => (1920, 1080),
            Shape::Square => (1080, 1080),
        }
    }

    /// In a word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Shape::Wide => "wide",
            Shape::Square => "square",
        }
    }
}

/// What lies behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ground {
    /// Paper.
    Plain,
    /// Nothing: for laying over a film. Text has a rim then, so that it reads on any picture.
    Clear,
}

/// A card.
#[derive(Clone, Debug, PartialEq)]
pub struct Card<'p> {
    /// Name of the study.
    pub study: &'p str,
    /// The treatment's code.
    pub code: &'p str,
    /// Its name.
    pub name: &'p str,
    /// What the figure is of.
    pub what: String,
    /// Difference and uncertainty, such as `+7.53 ± 0.75`; absent without a result.
    pub figure: Option<String>,
    /// Treated minus control, GU.
    pub difference: Option<f64>,
    /// The interval, GU.
    pub interval: Option<(f64, f64)>,
    /// What can be said.
    pub mark: Mark,
    /// The same in words.
    pub verdict: &'p str,
    /// What stands behind it.
    pub proof: String,
    /// Size that matters, GU.
    pub matters: Option<f64>,
    /// Whether the meter was a simulated one.
    pub simulated: bool,
    /// Outline.
    pub shape: Shape,
    /// Ground.
    pub ground: Ground,
}

const PAPER: &str = "#fbfaf6";
const INK: &str = "#1d2b33";
const SOFT: &str = "#52616a";
const RULE: &str = "#75838a";
const STRIP: &str = "#e6e0cf";
const TREATED: &str = "#0a5a6c";
const SLOW: &str = "#845400";

/// How letters look.
#[derive(Clone, Copy)]
struct Letters {
    size: f64,
    bold: bool,
    fill: &'static str,
}

const fn letters(size: f64, bold: bool, fill: &'static str) -> Letters {
    Letters { size, bold, fill }
}

impl Letters {
    /// Room that a text takes in whatever face the reader's machine has: bold ones differ by a fifth.
    fn width(self, text: &str) -> f64 {
        lettering::width(text, self.measure())
    }

    /// The size at which a text is measured.
    fn measure(self) -> f64 {
        if self.bold { 1.2 * self.size } else { self.size }
    }
}

/// Where things stand on a card, in pixels from its upper edge, and how large they are.
struct Layout {
    emblem: f64,
    study: f64,
    code: (f64, f64),
    /// Baseline, size of a short name, and of a long one.
    name: (f64, f64, f64),
    value: (f64, f64),
    said: (f64, f64),
    interval: f64,
    labels: f64,
    foot: (f64, f64),
}

const WIDE: Layout = Layout {
    emblem: 74.0,
    study: 34.0,
    code: (206.0, 54.0),
    name: (304.0, 84.0, 50.0),
    value: (596.0, 200.0),
    said: (684.0, 48.0),
    interval: 828.0,
    labels: 34.0,
    foot: (972.0, 30.0),
};

const SQUARE: Layout = Layout {
    emblem: 60.0,
    study: 32.0,
    code: (178.0, 48.0),
    name: (258.0, 68.0, 44.0),
    value: (516.0, 170.0),
    said: (700.0, 40.0),
    interval: 838.0,
    labels: 30.0,
    foot: (968.0, 28.0),
};

/// A picture under way.
struct Picture {
    body: String,
    clear: bool,
}

impl Picture {
    fn text(&mut self, at: (f64, f64), size: f64, bold: bool, fill: &str, text: &str) {
        let weight = if bold { " font-weight=\"700\"" } else { "" };
        let rim = match self.clear {
            true => format!(
                " stroke=\"{PAPER}\" stroke-width=\"{:.1}\" stroke-linejoin=\"round\" paint-order=\"stroke\"",
                (size / 5.0).max(6.0)
            ),
            false => String::new(),
        };
        // Writing to a String cannot fail.
        let _ = writeln!(
            self.body,
            "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"{size:.0}\"{weight} fill=\"{fill}\"{rim}>{}</text>",
            at.0,
            at.1,
            escaped(&lettering::shown(text))
        );
    }

    fn shape(&mut self, d: &str, fill: &str, stroke: &str, width: f64) {
        if self.clear && stroke != "none" {
            let _ = writeln!(
                self.body,
                "<path d=\"{d}\" fill=\"none\" stroke=\"{PAPER}\" stroke-width=\"{:.1}\" stroke-linejoin=\"round\" stroke-linecap=\"round\"/>",
                width + 10.0
            );
        }
        let _ = writeln!(
            self.body,
            "<path d=\"{d}\" fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"{width:.1}\" stroke-linejoin=\"round\"/>"
        );
    }

    /// Text in lines of `room`, at most so many. Gives where a next line would stand.
    fn lines(&mut self, from: (f64, f64), letters: Letters, room: f64, most: usize, text: &str) -> f64 {
        let mut y = from.1;
        for line in lettering::lines(text, letters.measure(), room, most) {
            self.text((from.0, y), letters.size, letters.bold, letters.fill, &line);
            y += 1.25 * letters.size;
        }
        y
    }
}

impl Card<'_> {
    /// Name of its file, without extension, behind the treatment's: `wide`, `wide-clear`, …
    #[must_use]
    pub fn name(&self) -> String {
        match self.ground {
            Ground::Plain => self.shape.name().to_owned(),
            Ground::Clear => format!("{}-clear", self.shape.name()),
        }
    }

    /// What it says, in a sentence: for those who do not see it.
    #[must_use]
    pub fn says(&self) -> String {
        let figure =
            self.figure.as_ref().map_or_else(|| "no result".to_owned(), |figure| format!("{figure} GU"));
        let simulated = if self.simulated { " Simulated meter." } else { "" };
        lettering::shown(&format!(
            "{} {}, {}: {figure}, {}. {}{simulated}",
            self.code, self.name, self.what, self.verdict, self.proof
        ))
    }

    /// The picture.
    #[must_use]
    pub fn svg(&self) -> String {
        let (width, height) = self.shape.size();
        let w = f64::from(width);
        let mut picture = Picture { body: String::new(), clear: self.ground == Ground::Clear };
        if self.ground == Ground::Plain {
            let _ = writeln!(picture.body, "<rect width=\"{width}\" height=\"{height}\" fill=\"{PAPER}\"/>");
        }
        let margin = 84.0;
        let room = w - 2.0 * margin;
        let layout = match self.shape {
            Shape::Wide => &WIDE,
            Shape::Square => &SQUARE,
        };
        self.head(&mut picture, margin, room, layout);
        self.figure(&mut picture, margin, room, layout);
        self.interval(&mut picture, (margin, w - margin), layout);
        self.foot(&mut picture, margin, room, layout);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" height=\"{height}\" role=\"img\" \
             aria-labelledby=\"t d\" font-family=\"Noto Sans, system-ui, Segoe UI, Roboto, sans-serif\">\n<title id=\"t\">{}</title>\n\
             <desc id=\"d\">{}</desc>\n{}</svg>\n",
            escaped(&lettering::shown(&format!("{} {}", self.code, self.name))),
            escaped(&self.says()),
            picture.body
        )
    }

    /// Study, code and name. The emblem is half of a panel with something on it.
    fn head(&self, picture: &mut Picture, margin: f64, room: f64, layout: &Layout) {
        let top = layout.emblem;
        picture.shape(&format!("M{margin:.0} {top:.0}h44v44h-44z"), PAPER, INK, 4.0);
        picture.shape(&format!("M{0:.0} {1:.0}h40l-40 40z", margin + 2.0, top + 2.0), TREATED, "none", 0.0);
        let study = lettering::lines(self.study, layout.study, room - 74.0, 1);
        let study = study.first().map_or("", String::as_str);
        picture.text((margin + 64.0, top + 22.0 + 0.35 * layout.study), layout.study, false, SOFT, study);
        let (y, size) = layout.code;
        picture.lines((margin, y), letters(size, true, TREATED), room, 1, self.code);
        let (y, short, long) = layout.name;
        let fits = lettering::lines(self.name, letters(short, true, INK).measure(), room, 3).len() <= 2;
        let (size, most) = if fits { (short, 2) } else { (long, 3) };
        picture.lines((margin, y), letters(size, true, INK), room, most, self.name);
    }

    /// The figure, large, with its mark and what can be said. Where a card is narrow, the uncertainty stands below.
    fn figure(&self, picture: &mut Picture, margin: f64, room: f64, layout: &Layout) {
        let (base, size) = layout.value;
        let colour = self.colour();
        let r = 0.27 * size;
        let d = self.mark.outline((margin + r, base - 0.36 * size), r);
        match self.mark {
            Mark::Hollow => picture.shape(&d, "none", colour, 12.0),
            _ => picture.shape(&d, colour, colour, 2.0),
        }
        let x = margin + 2.0 * r + 34.0;
        let room_of_value = room - 2.0 * r - 34.0;
        let fitting = |text: &str, size: f64| (room_of_value / letters(1.0, true, INK).width(text)).min(size);
        let figure =
            self.figure.as_ref().map_or_else(|| "no result".to_owned(), |figure| format!("{figure} GU"));
        let split = figure.split_once(' ').filter(|_| self.shape == Shape::Square && self.figure.is_some());
        match split {
            Some((value, rest)) => {
                picture.text((x, base), fitting(value, size), true, INK, value);
                let below = fitting(rest, 0.5 * size);
                picture.text((x, base + 0.64 * size), below, true, INK, rest);
            }
            None => picture.text((x, base), fitting(&figure, size), true, INK, &figure),
        }
        let said = format!("{}: {}", self.verdict, self.what);
        let (y, size) = layout.said;
        picture.lines((margin, y), letters(size, false, INK), room, 2, &said);
    }

    const fn colour(&self) -> &'static str {
        match self.mark {
            Mark::Up => TREATED,
            Mark::Down => SLOW,
            Mark::Level | Mark::Hollow => INK,
        }
    }

    /// The interval around the control line.
    fn interval(&self, picture: &mut Picture, (left, right): (f64, f64), layout: &Layout) {
        let (y, label) = (layout.interval, layout.labels);
        let ends = self.interval.map_or([f64::NAN; 2], |(low, high)| [low, high]);
        let matters = self.matters.unwrap_or(1.0);
        let held = [0.0, matters, -matters, self.difference.unwrap_or(f64::NAN)];
        let scale = Scale::around(held.into_iter().chain(ends), left, right, 8);
        if let Some(matters) = self.matters {
            let (from, to) = (scale.at(-matters), scale.at(matters));
            picture.shape(&format!("M{from:.1} {:.1}H{to:.1}v76H{from:.1}z", y - 38.0), STRIP, "none", 0.0);
        }
        picture.shape(&format!("M{left:.1} {y:.1}H{right:.1}"), "none", RULE, 3.0);
        let zero = scale.at(0.0);
        picture.shape(&format!("M{zero:.1} {:.1}v92", y - 46.0), "none", INK, 5.0);
        let below = y + 54.0 + 0.8 * label;
        let half = 0.5 * lettering::width("control", label);
        let control = (zero - half).clamp(left, right - 2.0 * half);
        picture.text((control, below), label, false, INK, "control");
        for (tick, is_low) in [(scale.ticks().first().copied(), true), (scale.ticks().last().copied(), false)]
        {
            let Some(tick) = tick.filter(|tick| tick.abs() > 1e-9) else { continue };
            let text = format!("{} GU", scale.text(tick, true));
            let wide = lettering::width(&text, label);
            let x = if is_low { left } else { right - wide };
            // The end of the scale goes without its figure where the control line stands.
            let is_free = x + wide + 12.0 < control || control + 2.0 * half + 12.0 < x;
            if is_free {
                picture.text((x, below), label, false, SOFT, &text);
            }
        }
        let colour = self.colour();
        if let Some((low, high)) = self.interval {
            let (low, high) = (scale.at(low), scale.at(high));
            picture.shape(
                &format!("M{low:.1} {y:.1}H{high:.1}M{low:.1} {0:.1}v44M{high:.1} {0:.1}v44", y - 22.0),
                "none",
                colour,
                8.0,
            );
        }
        let at = (scale.at(self.difference.unwrap_or(0.0)), y);
        match self.mark {
            Mark::Hollow => picture.shape(&self.mark.outline(at, 22.0), PAPER, colour, 7.0),
            mark => picture.shape(&mark.outline(at, 24.0), colour, PAPER, 4.0),
        }
    }

    fn foot(&self, picture: &mut Picture, margin: f64, room: f64, layout: &Layout) {
        let simulated = if self.simulated { "Simulated meter. " } else { "" };
        let strip = match self.matters {
            Some(matters) => format!(" Strip: under {matters} GU does not matter."),
            None => String::new(),
        };
        let text = format!("{simulated}{}{strip}", self.proof);
        let (y, size) = layout.foot;
        picture.lines((margin, y), letters(size, false, SOFT), room, 3, &text);
    }
}
