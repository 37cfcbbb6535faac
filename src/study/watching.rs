//! How products' lives are watched: washing, the scale of how water behaves, when a product counts as failed, what
//! is judged by hand and eye, and what things cost.

use crate::study::figures;
use crate::study::file;
use crate::study::file::File;
use crate::study::file::Text;
use crate::study::load::Source;
use crate::study::names;
use crate::text::Problem;
use crate::units::Amount;
use rust_decimal::Decimal;
use toml::Spanned;

/// Attributes that are judged where the study names none.
const ATTRIBUTES: [&str; 3] = ["handling", "feel", "look"];

/// The wettability classes of the spray method of IEC TS 62073, in words of our own; the order (1 repels most, 7 is
/// fully wetted) and what sets the classes apart are from memory.
const CLASSES: [&str; 7] = [
    "separate drops, round",
    "separate drops, flatter",
    "separate drops, out of round",
    "drops and wet traces, wet spots small",
    "some larger wet areas, less than nine tenths",
    "nearly all wet, dry spots left",
    "one film of water",
];

/// Name of the scale above.
const SCALE: &str = "wettability class, IEC TS 62073";

const MOST_ATTRIBUTES: usize = 20;
const MOST_CLASSES: usize = 20;
const MOST_AREA: f64 = 1_000_000.0;

/// How the products' lives are watched and judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Watching {
    /// How panels are washed.
    pub washing: Washing,
    /// When a product counts as failed.
    pub failing: Failing,
    /// The classes of how water behaves.
    pub scale: Scale,
    /// Names of what is judged by hand and eye, each once.
    pub attributes: Vec<String>,
    /// What prices are in; empty if not stated.
    pub currency: String,
    /// What to mind in this study, beside the program's own cautions; empty if nothing is noted.
    pub caution: String,
}

/// How panels are washed, and when they are looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Washing {
    /// Name of the recipe where none is given for a wash; empty if not stated.
    pub recipe: String,
    /// Amount of it that a panel gets.
    pub amount: Option<Amount>,
    /// Counts of washes after which water is looked at, rising; empty if the study leaves it open.
    pub look_after: Vec<u32>,
}

/// When a look finds a product failed: either rule is enough. At least one of them is there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Failing {
    /// The treated side's class has come this near to the control's, or beyond it.
    pub class_within: Option<u32>,
    /// At least this share of the treated area no longer sheds water, percent.
    pub failed_area_pct: Option<f64>,
    /// The control's own class has changed by at least this since its first look: a warning.
    pub control_change: u32,
}

/// The classes of how water behaves, from the most repellent to the fully wetted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scale {
    /// What the scale is called.
    pub name: String,
    /// What each class looks like; the first is class 1. At least two.
    pub classes: Vec<String>,
}

impl Scale {
    /// The number of the worst class; the best is 1.
    #[must_use]
    pub fn worst(&self) -> u32 {
        u32::try_from(self.classes.len()).unwrap_or(u32::MAX)
    }

    /// What a class looks like; `None` for one that the scale does not have.
    #[must_use]
    pub fn words(&self, class: u32) -> Option<&str> {
        self.classes.get(usize::try_from(class.checked_sub(1)?).ok()?).map(String::as_str)
    }
}

/// What a container of a product costs, and how far it goes.
#[derive(Clone, Debug, PartialEq)]
pub struct Price {
    /// Price of a container, in the study's currency, above zero.
    pub price: Decimal,
    /// What is in it.
    pub content: Option<Amount>,
    /// Area that it covers as it is put on here, m², above zero.
    pub covers_m2: Option<f64>,
}

pub(super) fn watching(source: Source<'_>, written: &File) -> Result<Watching, Problem> {
    Ok(Watching {
        washing: washing(source, &written.washing)?,
        failing: failing(source, &written.failing)?,
        scale: scale(source, &written.scale)?,
        attributes: attributes(source, written.judging.attributes.as_ref())?,
        currency: names::optional_cell(source, "currency", written.currency.as_ref())?,
        caution: names::optional_cell(source, "caution", written.caution.as_ref())?,
    })
}

fn washing(source: Source<'_>, written: &file::Washing) -> Result<Washing, Problem> {
    let mut look_after = Vec::new();
    for count in written.look_after.iter().flat_map(|list| list.get_ref()) {
        look_after.push(figures::count(source, "look_after", count)?);
    }
    look_after.sort_unstable();
    look_after.dedup();
    Ok(Washing {
        recipe: names::optional_cell(source, "recipe", written.recipe.as_ref())?,
        amount: written.amount.as_ref().map(|text| amount(source, "amount", text)).transpose()?,
        look_after,
    })
}

fn failing(source: Source<'_>, written: &file::Failing) -> Result<Failing, Problem> {
    let stated = written.class_within.is_some() || written.failed_area_pct.is_some();
    if let Some(pct) = &written.failed_area_pct
        && !(0.0 < *pct.get_ref() && *pct.get_ref() <= 100.0)
    {
        let what = format!("`failed_area_pct` is {}", pct.get_ref());
        return Err(source.problem(pct.span(), what, "give more than 0 and at most 100 percent"));
    }
    let own = |stated_value: Option<u32>| if stated { stated_value } else { Some(1) };
    Ok(Failing {
        class_within: own(written.class_within.as_ref().map(|within| *within.get_ref())),
        failed_area_pct: match &written.failed_area_pct {
            Some(pct) => Some(*pct.get_ref()),
            None => (!stated).then_some(50.0),
        },
        control_change: match &written.control_change {
            Some(classes) => figures::count(source, "control_change", classes)?,
            None => 2,
        },
    })
}

fn scale(source: Source<'_>, written: &file::Scale) -> Result<Scale, Problem> {
    let Some(list) = &written.classes else {
        let name =
            written.name.as_ref().map_or(Ok(SCALE.to_owned()), |name| names::cell(source, "name", name))?;
        return Ok(Scale { name, classes: CLASSES.map(str::to_owned).to_vec() });
    };
    if !(2..=MOST_CLASSES).contains(&list.get_ref().len()) {
        let what = format!("the scale has {} classes", list.get_ref().len());
        let hint = format!("list 2 to {MOST_CLASSES}, from the most repellent to the fully wetted");
        return Err(source.problem(list.span(), what, hint));
    }
    let classes = list.get_ref().iter().map(|words| names::cell(source, "classes", words));
    Ok(Scale {
        name: match &written.name {
            Some(name) => names::cell(source, "name", name)?,
            None => "classes of the study".to_owned(),
        },
        classes: classes.collect::<Result<_, _>>()?,
    })
}

fn attributes(source: Source<'_>, written: Option<&Spanned<Vec<Text>>>) -> Result<Vec<String>, Problem> {
    let Some(list) = written else { return Ok(ATTRIBUTES.map(str::to_owned).to_vec()) };
    if list.get_ref().len() > MOST_ATTRIBUTES {
        let hint = format!("keep at most {MOST_ATTRIBUTES}");
        return Err(source.problem(list.span(), "too many attributes to judge", hint));
    }
    let mut found: Vec<String> = Vec::new();
    for text in list.get_ref() {
        let name = names::short(source, "attribute", text)?;
        if found.iter().any(|known| names::is_same(known, &name)) {
            let what = format!("attribute `{name}` is listed twice");
            return Err(source.problem(text.span(), what, "keep one of them"));
        }
        found.push(name);
    }
    Ok(found)
}

/// Price of a treatment, with what it is worth.
pub(super) fn price(source: Source<'_>, written: &file::Treatment) -> Result<Option<Price>, Problem> {
    let content = written.content.as_ref().map(|text| amount(source, "content", text)).transpose()?;
    let covers_m2 = written.covers_m2.as_ref().map(|m2| area(source, "covers_m2", m2)).transpose()?;
    let Some(price) = &written.price else { return Ok(None) };
    Ok(Some(Price { price: figures::price(source, price)?, content, covers_m2 }))
}

fn amount(source: Source<'_>, key: &str, text: &Text) -> Result<Amount, Problem> {
    Amount::parse(text.get_ref()).ok_or_else(|| {
        let what = format!("`{key}` is not an amount");
        source.problem(text.span(), what, "write a number and g, kg, mg, ml, cl, dl or l, such as \"500 ml\"")
    })
}

/// An area above 0, up to 1,000,000 of its unit.
pub(super) fn area(source: Source<'_>, key: &str, area: &Spanned<f64>) -> Result<f64, Problem> {
    let value = *area.get_ref();
    if value > 0.0 && value <= MOST_AREA {
        return Ok(value);
    }
    let what = format!("`{key}` is {value}");
    Err(source.problem(area.span(), what, "give more than 0 and at most 1000000"))
}
