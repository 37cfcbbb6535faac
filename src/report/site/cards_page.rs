//! The cards: pictures of each treatment, to look at and to take.

use super::Site;
use super::frame;
use super::frame::Part;
use super::words;
use super::words::said;
use crate::report::cards::Card;
use crate::report::cards::Ground;
use crate::report::cards::Shape;
use crate::report::plots::Mark;
use crate::report::publication::PngChoice;
use maud::Markup;
use maud::html;

/// The page of all cards.
pub(super) fn page(site: &Site<'_>) -> String {
    let treatments = &site.publication.treatments;
    let main = html! {
        h1 { "Cards" }
        p class="lead" {
            "One picture a treatment, for a video or a post: wide (1920 × 1080) and square (1080 × 1080), each on a plain ground and on none. "
            "They say no more than the pages do. A hollow mark is not proven, a solid one is."
        }
        @if site.publication.png == PngChoice::LeftOut {
            p { "PNG files were left out of this report; " code { "halfpanel report --png always" } " draws them." }
        }
        @for (index, treatment) in treatments.iter().enumerate() {
            section class="card-set" aria-label=(format!("Cards of {}", treatment.code)) {
                h2 { (frame::link(0, &site.treatment_path(index), &html! { (said(&treatment.code)) " " (said(&treatment.name)) })) }
                (of_treatment(site, index, 0))
            }
        }
    };
    frame::page(site, "Cards", Part::Cards, 0, &main)
}

/// Pictures of one treatment with their files, on a page that lies `depth` deep.
pub(super) fn of_treatment(site: &Site<'_>, index: usize, depth: usize) -> Markup {
    let up = frame::up(depth);
    html! {
        div class="cards" {
            @for card in cards_of(site, index).iter().filter(|card| card.ground == Ground::Plain) {
                @let (width, height) = card.shape.size();
                figure class=(card.shape.name()) {
                    img src=(format!("{up}{}", site.card_path(index, card, "svg"))) alt=(card.says()) width=(width) height=(height) loading="lazy";
                    figcaption { (files(site, index, card, depth)) }
                }
            }
        }
    }
}

fn files(site: &Site<'_>, index: usize, plain: &Card<'_>, depth: usize) -> Markup {
    let clear = Card { ground: Ground::Clear, ..plain.clone() };
    let extensions: &[&str] =
        if site.publication.png == PngChoice::Drawn { &["svg", "png"] } else { &["svg"] };
    html! {
        (plain.shape.name()) ": "
        @for (number, (card, ground)) in [(plain, "plain"), (&clear, "no ground")].into_iter().enumerate() {
            @if number > 0 { "; " }
            (ground) " "
            @for (at, extension) in extensions.iter().enumerate() {
                @if at > 0 { ", " }
                (frame::link(depth, &site.card_path(index, card, extension), &html! { (extension.to_uppercase()) }))
            }
        }
    }
}

/// The cards of a treatment: both shapes on both grounds.
pub(super) fn cards_of<'p>(site: &Site<'p>, index: usize) -> Vec<Card<'p>> {
    let mut cards = Vec::new();
    for shape in [Shape::Wide, Shape::Square] {
        for ground in [Ground::Plain, Ground::Clear] {
            cards.push(card(site, index, shape, ground));
        }
    }
    cards
}

fn card<'p>(site: &Site<'p>, index: usize, shape: Shape, ground: Ground) -> Card<'p> {
    let publication = site.publication;
    let treatment = &publication.treatments[index];
    let board = site.boards.first();
    let row = board.and_then(|board| board.rows.iter().find(|row| row.treatment == index));
    let mut card = Card {
        study: &publication.name,
        code: &treatment.code,
        name: &treatment.name,
        what: board.map_or_else(String::new, |board| {
            format!(
                "gloss against the bare control, {}, at {}°",
                words::stage(&board.stage),
                board.geometry_deg
            )
        }),
        figure: row.and_then(super::board_page::figure_text),
        difference: row.and_then(super::BoardRow::difference_gu),
        interval: None,
        mark: Mark::Hollow,
        verdict: "no result yet",
        proof: "Not proven: no figure without a tile check before and after.".to_owned(),
        matters: publication.matters_gu,
        simulated: publication.methods.iter().any(|method| method.simulated),
        shape,
        ground,
    };
    let Some(row) = row else { return card };
    let of = match (row.over.as_ref().filter(|_| row.is_of_panels()), row.only()) {
        (Some(over), _) => {
            card.interval = over.ci_low_gu.zip(over.ci_high_gu);
            card.mark = Mark::of(over.verdict);
            card.verdict = words::over_panels_verdict(over);
            words::counted(over.n_panels as usize, "panel", "panels")
        }
        (None, Some(only)) => {
            card.interval = only.ci_low_gu.zip(only.ci_high_gu);
            card.mark = Mark::of(only.verdict);
            card.verdict = words::panel_verdict(only);
            format!("panel {}", only.panel)
        }
        (None, None) => return card,
    };
    let ranked = publication.ranked.boards.iter().flat_map(|board| &board.rows);
    let lived = ranked.filter(|row| row.treatment == treatment.code).find_map(|row| row.lives.middle);
    let life = lived.map_or_else(String::new, |middle| match middle.until {
        Some(until) => format!("Failed by wash {until}, worked at {} (middle panel). ", middle.after),
        None => format!("Still working after {} washes (middle panel). ", middle.after),
    });
    if card.difference.is_some() {
        card.proof = format!("{life}On {of}; meter proven on its tile; whiskers: 95 % interval.");
    }
    card
}
