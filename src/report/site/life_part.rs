//! What was done to a treatment and seen on it: its lives, how water behaved, and what was judged.

use super::Site;
use super::frame;
use super::lives_part;
use super::words;
use super::words::said;
use crate::board::lives::Stretch;
use crate::life::Kind;
use crate::life::Look;
use crate::life::Standing;
use crate::life::Step;
use crate::life::Story;
use crate::report::plots::washes::OverWashes;
use crate::report::plots::washes::Series;
use crate::report::plots::washes::StageSlot;
use maud::Markup;
use maud::html;
use std::collections::BTreeMap;
use std::collections::BTreeSet;

/// Lives, water and judgements of a treatment; nothing where nothing was kept of it.
pub(super) fn part(site: &Site<'_>, code: &str) -> Markup {
    let stories = site.stories_of(code);
    let watched: Vec<&Story> =
        stories.iter().copied().filter(|story| story.steps.iter().any(|step| step.row.is_some())).collect();
    if watched.is_empty() {
        return html! {};
    }
    html! {
        (lives(site, code, &watched))
        (water(site, &watched))
        (judgements(&watched))
    }
}

/// What was done on one day, on which panels, and from which row on.
struct Done<'p> {
    row: u32,
    at_us: i64,
    step: &'p Step,
    says: String,
    panels: Vec<&'p str>,
}

/// Lines of the story: what was done on one day on several panels stands in one. The looks stand in a table of their own.
pub(super) fn lines(site: &Site<'_>, code: &str) -> Vec<(i64, Markup)> {
    let mut days: BTreeMap<(String, &str, &str), Done<'_>> = BTreeMap::new();
    for story in site.stories_of(code) {
        for step in &story.steps {
            let (Some(at), Some(row)) = (step.at, step.row) else { continue };
            // Of the looks, the one that found it failed first.
            let has_failed = step.works == Some(false) && story.lifetime.until == Some(step.washes);
            if step.look.is_some() && !has_failed {
                continue;
            }
            let key = (at.format("%Y-%m-%d").to_string(), step.says.as_str(), step.note.as_str());
            let first =
                Done { row, at_us: at.timestamp_micros(), step, says: step.says.clone(), panels: Vec::new() };
            let done = days.entry(key).or_insert(first);
            if !done.panels.contains(&story.panel.as_str()) {
                done.panels.push(&story.panel);
            }
        }
    }
    let mut done: Vec<Done<'_>> = days.into_values().collect();
    done.sort_by_key(|of| (of.at_us, of.row));
    told_once(done).into_iter().map(|of| (of.at_us, line(&of))).collect()
}

/// Judgements of one moment stand in one line, and a recipe is told where it is another than before.
fn told_once(all: Vec<Done<'_>>) -> Vec<Done<'_>> {
    let mut told: Vec<Done<'_>> = Vec::new();
    let mut recipe = String::new();
    for mut of in all {
        let kind = of.step.kind;
        if kind == Kind::Washed.name()
            && let Some((count, with)) = of.says.split_once(" with ")
        {
            let (count, with) = (count.to_owned(), with.to_owned());
            if with == recipe {
                of.says = count;
            } else {
                recipe = with;
            }
        }
        let is_judged = kind == Kind::Judged.name();
        match told.last_mut() {
            Some(last)
                if is_judged
                    && last.step.kind == kind
                    && (last.at_us, &last.panels) == (of.at_us, &of.panels)
                    && (&last.step.by, &last.step.note) == (&of.step.by, &of.step.note)
                    && last.step.photo == of.step.photo =>
            {
                last.says = format!("{}; {}", last.says, of.says);
            }
            _ => told.push(of),
        }
    }
    told
}

fn line(Done { step, says, panels, .. }: &Done<'_>) -> Markup {
    let when = step.at.map(|at| words::time(at.timestamp_micros(), at.offset().local_minus_utc()));
    html! {
        @if let Some(when) = when { (when) " " }
        (said(&capital(says))) ", on " (said(&panels.join(", ")))
        @if !step.by.is_empty() { ", by " (said(&step.by)) }
        "."
        @if !step.note.is_empty() { " " q { (said(&step.note)) } }
        @if !step.out_of_order.is_empty() { " " strong { "Out of order: " } (said(&step.out_of_order)) "." }
        @if let Some(photo) = &step.photo { " " (frame::link(1, &format!("{}/{}", super::DATA, photo.path), &html! { "Picture" })) "." }
    }
}

/// The life of its middle panel, in words; absent where nobody has looked.
pub(super) fn middle(site: &Site<'_>, code: &str) -> Option<String> {
    let rows = site.publication.ranked.boards.iter().flat_map(|board| &board.rows);
    let row = rows.filter(|row| row.treatment == code).find(|row| row.lives.middle.is_some())?;
    let life = lives_part::stretch(row.lives.middle?);
    Some(match row.lives.counted {
        1 => format!("{life}, on one panel"),
        counted => format!("{life}, on the middle one of {counted} panels"),
    })
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

fn standing(story: &Story) -> &'static str {
    match story.standing {
        Standing::Alive => "alive",
        Standing::Failed => "failed",
        Standing::Withdrawn => "withdrawn",
        Standing::Ended => "ended: stripped or put on again",
    }
}

fn lives(site: &Site<'_>, code: &str, stories: &[&Story]) -> Markup {
    let ranked = site.publication.ranked.boards.iter().flat_map(|board| &board.rows);
    let ranked =
        ranked.filter(|row| row.treatment == code && !row.lives.patches.is_empty()).collect::<Vec<_>>();
    let warnings: BTreeSet<String> = stories
        .iter()
        .flat_map(|story| story.warnings.iter().map(|text| format!("{}: {text}", story.panel)))
        .collect();
    html! {
        section aria-labelledby="lives" {
            h2 id="lives" { "How long it lasted" }
            p { (lives_part::rule(site)) }
            (frame::scrolled("lives-table", "Lives of this treatment", &html! {
                table {
                    caption { "One row for each life on a panel" }
                    thead { tr { th scope="col" { "Panel" } th scope="col" { "Life" } th scope="col" { "How it stands" } th scope="col" { "Failed between" } th scope="col" class="n" { "Washed so far" } th scope="col" { "Solvent wipe" } th scope="col" class="n" { "Cost of a m²" } } }
                    tbody {
                        @for story in stories {
                            tr {
                                th scope="row" { (said(&story.panel)) }
                                td { (story.life) @if story.over { ", over an earlier product: not counted" } }
                                td { (standing(story)) @if let Some(at) = story.suspected_at { "; its last look, at wash " (at) ", found it failed, and awaits a second one" } }
                                td {
                                    @if story.steps.iter().any(|step| step.works.is_some()) {
                                        (lives_part::stretch(Stretch { after: story.lifetime.after, until: story.lifetime.until }))
                                    } @else { "nobody has looked yet" }
                                }
                                td class="n" { (story.washes) }
                                td { (wiped(story)) }
                                td class="n" {
                                    (story.cost.map_or_else(|| words::NOTHING.to_owned(), |cost| format!("{:.2} {}", cost.per_m2, site.publication.watching.currency)))
                                }
                            }
                        }
                    }
                }
            }))
            @for row in &ranked {
                @if let Some(fit) = &row.lives.fit {
                    p {
                        "Half of the panels fail by wash " (format!("{:.0}", fit.median.value))
                        @if let (Some(low), Some(high)) = (fit.median.low, fit.median.high) { " (95 % interval " (format!("{low:.0}")) " to " (format!("{high:.0}")) ")" }
                        ", by a Weibull fit of shape " (format!("{:.1}", fit.shape.value)) "."
                    }
                }
                @if !row.lives.curve.is_empty() { (curve(&row.lives.curve)) }
                @if !row.lives.says.is_empty() { p class="fine" { "Intervals only: " (said(&row.lives.says)) "." } }
            }
            @if !warnings.is_empty() { ul { @for text in &warnings { li { (said(text)) } } } }
        }
    }
}

fn curve(steps: &[crate::board::lives::Step]) -> Markup {
    frame::scrolled(
        "curve-table",
        "Share of panels that live on",
        &html! {
            table {
                caption { "Share of panels that live on (Turnbull’s curve)" }
                thead { tr { th scope="col" { "Between washes" } th scope="col" class="n" { "Fail there, %" } th scope="col" class="n" { "Live on, %" } } }
                tbody {
                    @for step in steps {
                        tr {
                            th scope="row" { (format!("{:.0}", step.after)) @match step.until { Some(until) => { " and " (format!("{until:.0}")) }, None => " and beyond" } }
                            td class="n" { (format!("{:.0}", step.ends_pct)) }
                            td class="n" { (format!("{:.0}", step.lives_on_pct)) }
                        }
                    }
                }
            }
        },
    )
}

fn wiped(story: &Story) -> String {
    let Some(wiped) = &story.wiped else { return words::NOTHING.to_owned() };
    let passes = wiped
        .passes
        .map_or_else(|| "wiped".to_owned(), |passes| words::counted(passes as usize, "pass", "passes"));
    match wiped.beading_ended {
        Some(pass) => format!("{passes}, beading ended at {pass}"),
        None => format!("{passes}, no end of beading noted"),
    }
}

/// Looks in the order of washes: panel, step.
fn looks<'p>(stories: &[&'p Story]) -> Vec<(&'p Story, &'p Step)> {
    let mut looks: Vec<(&Story, &Step)> = Vec::new();
    for story in stories {
        looks.extend(story.steps.iter().filter(|step| step.look.is_some()).map(|step| (*story, step)));
    }
    looks.sort_by(|a, b| (a.1.washes, &a.0.panel, a.0.life).cmp(&(b.1.washes, &b.0.panel, b.0.life)));
    looks
}

fn water(site: &Site<'_>, stories: &[&Story]) -> Markup {
    let looks = looks(stories);
    if looks.is_empty() {
        return html! {};
    }
    let scale = &site.publication.watching.scale;
    html! {
        section aria-labelledby="water" {
            h2 id="water" { "How water behaved, over its washes" }
            @for plot in plots(site, stories, &looks) { (frame::figure(plot.svg(), &html! { "One line a panel." })) }
            (frame::scrolled("looks-table", "Looks at how water behaves", &html! {
                table {
                    caption { "Looks in the order of washes; classes by " (said(&scale.name)) }
                    thead { tr { th scope="col" class="n" { "Washes" } th scope="col" { "Panel" } th scope="col" { "Treated side" } th scope="col" { "Control" } th scope="col" class="n" { "Area that no longer sheds, %" } th scope="col" { "Found" } th scope="col" { "By" } } }
                    tbody {
                        @for (story, step) in &looks {
                            @let look = step.look.unwrap_or_default();
                            tr {
                                th scope="row" class="n" { (step.washes) }
                                td { (said(&story.panel)) }
                                td { (class(site, look.treated_class)) }
                                td { (class(site, look.control_class)) }
                                td class="n" { (look.failed_area_pct.map_or_else(|| words::NOTHING.to_owned(), |pct| format!("{pct:.0}"))) }
                                td { @match step.works { Some(true) => "working", Some(false) => strong { "failed" }, None => (words::NOTHING) } }
                                td { (said(&step.by)) }
                            }
                        }
                    }
                }
            }))
        }
    }
}

fn class(site: &Site<'_>, class: Option<u32>) -> Markup {
    match class {
        Some(class) => {
            html! { (class) @if let Some(words) = site.publication.watching.scale.words(class) { ", " (said(words)) } }
        }
        None => html! { (words::NOTHING) },
    }
}

fn plots(site: &Site<'_>, stories: &[&Story], looks: &[(&Story, &Step)]) -> Vec<OverWashes> {
    let counts: BTreeSet<u32> = looks.iter().map(|(_, step)| step.washes).collect();
    let at: BTreeMap<u32, usize> =
        counts.iter().enumerate().map(|(index, washes)| (*washes, index)).collect();
    let stages: Vec<StageSlot> = counts
        .iter()
        .map(|washes| StageSlot { name: format!("washed-{washes}"), washes: Some(*washes) })
        .collect();
    let series = |is_treated: bool, of: &dyn Fn(Look) -> Option<f64>| -> Vec<Series> {
        let point = |step: &Step| Some((*at.get(&step.washes)?, of(step.look?)?));
        let one =
            |story: &&Story| Series { is_treated, points: story.steps.iter().filter_map(point).collect() };
        stories.iter().map(one).filter(|series| !series.points.is_empty()).collect()
    };
    let treated = series(true, &|look| look.treated_class.map(f64::from));
    let control = series(false, &|look| look.control_class.map(f64::from));
    let area = series(true, &|look| look.failed_area_pct);
    let scale = &site.publication.watching.scale;
    let mut plots = Vec::new();
    if !treated.is_empty() {
        plots.push(OverWashes {
            id: "water-class".to_owned(),
            title: "Class of water behaviour over the washes".to_owned(),
            description: format!("Classes of the treated side and of the control, panel by panel, from 1, which sheds water best, to {}. The table below has each look.", scale.worst()),
            axis: format!("class, 1 (sheds best) to {}", scale.worst()),
            stages: stages.clone(),
            series: control.into_iter().chain(treated).collect(),
            hold: Vec::new(),
            classes: Some(scale.worst()),
        });
    }
    if !area.is_empty() {
        plots.push(OverWashes {
            id: "water-area".to_owned(),
            title: "Area that no longer sheds water, over the washes".to_owned(),
            description: "Share of the treated area that no longer sheds water, panel by panel. The table below has each look.".to_owned(),
            axis: "treated area that no longer sheds water, %".to_owned(),
            stages,
            series: area,
            hold: vec![0.0, 100.0],
            classes: None,
        });
    }
    plots
}

fn judgements(stories: &[&Story]) -> Markup {
    let all: Vec<_> = stories
        .iter()
        .flat_map(|story| story.judgements.iter().map(move |judgement| (story, judgement)))
        .collect();
    html! {
        @if !all.is_empty() {
            section aria-labelledby="judgements" {
                h2 id="judgements" { "Judged by hand and eye" }
                (frame::scrolled("judgements-table", "Judgements of this treatment", &html! {
                    table {
                        caption { "Judgements in the order in which they were made" }
                        thead { tr { th scope="col" { "What" } th scope="col" { "Verdict" } th scope="col" { "Panel" } th scope="col" { "When" } th scope="col" { "By" } th scope="col" { "Note" } } }
                        tbody {
                            @for (story, judgement) in &all {
                                tr {
                                    th scope="row" { (said(&judgement.attribute)) }
                                    td { @if judgement.passes { "passes" } @else { strong { "fails" } } @if judgement.is_blind { ", judged blind" } }
                                    td { (said(&story.panel)) }
                                    td { @match judgement.at { Some(at) => (words::time(at.timestamp_micros(), at.offset().local_minus_utc())), None => (words::NOTHING) } }
                                    td { (said(&judgement.by)) }
                                    td class="long" { (said(&judgement.note)) }
                                }
                            }
                        }
                    }
                }))
            }
        }
    }
}
