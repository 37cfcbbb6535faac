//! What becomes of a treatment from stage to stage: figures of its treated side and of the control, over the washes.

use super::Drawing;
use super::Room;
use super::Scale;
use crate::report::plots::lettering;

/// A stage on the axis.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StageSlot {
    /// As it is called, such as `cured`.
    pub name: String,
    /// Washes by then; absent before the first wash, where stages stand one behind the other.
    pub washes: Option<u32>,
}

/// One side.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Treated or control: it decides line and mark.
    pub is_treated: bool,
    /// Index of the stage and figure, rising by stage.
    pub points: Vec<(usize, f64)>,
}

/// The plot.
#[derive(Clone, Debug, PartialEq)]
pub struct OverWashes {
    /// Unique on the page.
    pub id: String,
    /// Title.
    pub title: String,
    /// Description.
    pub description: String,
    /// What the figures are, with the unit.
    pub axis: String,
    /// Stages in order.
    pub stages: Vec<StageSlot>,
    /// The sides.
    pub series: Vec<Series>,
    /// Figures that the axis has to hold beside those of the sides.
    pub hold: Vec<f64>,
    /// Present where the figures are classes: the worst one; class 1, the best, stands on top.
    pub classes: Option<u32>,
}

const TOP: f64 = 40.0;
const BOTTOM: f64 = 230.0;
const HEIGHT: f64 = 292.0;
const LEFT: f64 = 46.0;

impl OverWashes {
    /// Both drawings, one for each room.
    #[must_use]
    pub fn svg(&self) -> String {
        Room::ALL.into_iter().map(|room| self.draw(room)).collect()
    }

    fn draw(&self, room: Room) -> String {
        let mut drawing = Drawing::new();
        let right = room.width().min(640.0) - if room == Room::Wide { 90.0 } else { 12.0 };
        let values = self.series.iter().flat_map(|side| side.points.iter().map(|(_, value)| *value));
        let scale = match self.classes {
            Some(worst) => Scale::whole(1, worst, TOP, BOTTOM),
            None => Scale::around(values.chain(self.hold.iter().copied()), BOTTOM, TOP, 5),
        };
        drawing.text("soft", (0.0, 14.0), "start", &self.axis);
        for tick in scale.ticks() {
            let y = scale.at(tick);
            drawing.line("hair", (LEFT, y), (right, y));
            drawing.text("soft tick", (LEFT - 6.0, y + 4.0), "end", &scale.text(tick, false));
        }
        let x = self.places(right);
        self.stage_names(&mut drawing, &x, right);
        for side in &self.series {
            self.side(&mut drawing, side, &x, &scale, room);
        }
        let is_named = room == Room::Wide && self.series.iter().all(|side| self.is_alone(side));
        if !is_named {
            self.legend(&mut drawing);
        }
        drawing.finish(&self.id, room, HEIGHT, &self.title, &self.description)
    }

    /// Where each stage stands: the named ones side by side, the washes by their number behind them.
    fn places(&self, right: f64) -> Vec<f64> {
        let named = self.stages.iter().filter(|stage| stage.washes.is_none()).count();
        let most = self.stages.iter().filter_map(|stage| stage.washes).max().unwrap_or(0);
        let room = right - LEFT - 36.0;
        let slot = match (named, most) {
            (0, _) => 0.0,
            (n, 0) => (room / n as f64).min(120.0),
            (n, _) => (0.45 * room / n as f64).min(64.0),
        };
        let from = LEFT + 18.0 + slot * named as f64;
        let mut before = 0.0;
        let place = |stage: &StageSlot| match stage.washes {
            Some(washes) => from + (right - 18.0 - from) * f64::from(washes) / f64::from(most.max(1)),
            None => {
                before += 1.0;
                LEFT + 18.0 + slot * (before - 1.0)
            }
        };
        self.stages.iter().map(place).collect()
    }

    fn stage_names(&self, drawing: &mut Drawing, x: &[f64], right: f64) {
        drawing.line("limit-base", (LEFT, BOTTOM), (right, BOTTOM));
        let mut free = f64::NEG_INFINITY;
        for (stage, x) in self.stages.iter().zip(x) {
            drawing.path("limit-base", &format!("M{x:.1} {BOTTOM:.1}v5"));
            let text = stage.washes.map_or_else(|| stage.name.clone(), |washes| washes.to_string());
            let half = 0.5 * lettering::width(&text, 13.0);
            // A name that would run into the one before goes without; the table has it.
            if x - half > free {
                drawing.text("tick", (*x, BOTTOM + 20.0), "middle", &text);
                free = x + half + 4.0;
            }
        }
        if self.stages.iter().any(|stage| stage.washes.is_some()) {
            drawing.text("soft", (right, BOTTOM + 38.0), "end", "number of washes");
        }
    }

    fn side(&self, drawing: &mut Drawing, side: &Series, x: &[f64], scale: &Scale, room: Room) {
        let at = |(stage, value): &(usize, f64)| (x[*stage], scale.at(*value));
        let points: Vec<(f64, f64)> = side.points.iter().map(at).collect();
        let (line, mark) = if side.is_treated {
            ("thread treated", "reading treated")
        } else {
            ("thread bare", "reading control-side")
        };
        drawing.thread(line, &points);
        for (x, y) in &points {
            let d = match side.is_treated {
                true => format!("M{:.1} {y:.1}a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0z", x - 4.5),
                false => format!("M{:.1} {:.1}h8v8h-8z", x - 4.0, y - 4.0),
            };
            drawing.path(mark, &d);
        }
        // Of several panels a side the legend has to do.
        if room == Room::Wide
            && self.is_alone(side)
            && let Some((x, y)) = points.last()
        {
            drawing.text(
                "",
                (x + 12.0, y + 4.0),
                "start",
                if side.is_treated { "treated" } else { "control" },
            );
        }
    }

    /// Whether no other line is of this side.
    fn is_alone(&self, side: &Series) -> bool {
        self.series.iter().filter(|other| other.is_treated == side.is_treated).count() == 1
    }

    fn legend(&self, drawing: &mut Drawing) {
        let y = BOTTOM + 54.0;
        drawing.path("reading treated", &format!("M{LEFT:.1} {y:.1}a4.5 4.5 0 1 0 9 0a4.5 4.5 0 1 0 -9 0z"));
        drawing.text("tick", (LEFT + 15.0, y + 4.5), "start", "treated");
        if self.series.iter().any(|side| !side.is_treated) {
            drawing.path("reading control-side", &format!("M{:.1} {:.1}h8v8h-8z", LEFT + 86.0, y - 4.0));
            drawing.text("tick", (LEFT + 100.0, y + 4.5), "start", "control");
        }
    }
}
