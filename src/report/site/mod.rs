//! The published site: pages that open from a disk, need no script and no network, and link to one another and to
//! the study's files by relative paths only. The same publication gives the same bytes.

mod board;
mod board_page;
mod cards_page;
mod caution;
mod check_page;
mod data_page;
mod frame;
mod front;
mod how_page;
mod life_part;
mod lives_part;
mod paths;
mod run_page;
mod runs_page;
mod tile_page;
mod treatment_page;
mod words;

pub use board::Board;
pub use board::BoardRow;
pub use board::boards;

use crate::life::Story;
use crate::report::cards;
use crate::report::publication::ContrastRow;
use crate::report::publication::PngChoice;
use crate::report::publication::Publication;
use crate::report::publication::ResultRow;
use crate::report::publication::RunRecord;
use crate::report::svg;
use std::collections::BTreeMap;

/// Where the study's own files stand in the report.
pub const DATA: &str = "data";

/// The style of all pages: what the bench page shares, and what is the site's own.
const STYLE: &str = concat!(include_str!("../style/tokens.css"), "\n", include_str!("../style/site.css"));

/// A file of the site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct File {
    /// Its path in the report, `/` between folders.
    pub path: String,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// The whole site at once. For a long study, [`each`] hands the files out one by one.
#[must_use]
pub fn site(publication: &Publication) -> Vec<File> {
    let mut files = Vec::new();
    let kept: Result<(), std::convert::Infallible> = each(publication, &mut |file| {
        files.push(file);
        Ok(())
    });
    match kept {
        Ok(()) => files,
        Err(never) => match never {},
    }
}

/// Makes the site's files one by one. The study's own files ([`Publication::downloads`]) are not among them: who calls
/// this copies them.
///
/// # Errors
/// The first that `take` reports; nothing is made after it.
pub fn each<E>(publication: &Publication, take: &mut dyn FnMut(File) -> Result<(), E>) -> Result<(), E> {
    let site = Site::of(publication);
    let mut put = |path: &str, text: String| take(File { path: path.to_owned(), bytes: text.into_bytes() });
    put("style/site.css", format!("{STYLE}\n{}", svg::RULES))?;
    put("index.html", board_page::index(&site))?;
    for board in site.boards.iter().skip(1) {
        put(&site.board_path(board), board_page::page(&site, board))?;
    }
    put("how.html", how_page::page(&site))?;
    put("tile.html", tile_page::page(&site))?;
    put("runs.html", runs_page::page(&site))?;
    put("data.html", data_page::page(&site))?;
    put("check.html", check_page::page(&site))?;
    put("cards.html", cards_page::page(&site))?;
    for index in 0..publication.treatments.len() {
        put(&site.treatment_path(index), treatment_page::page(&site, index))?;
    }
    for index in 0..publication.runs.len() {
        put(&site.run_path(index), run_page::page(&site, index))?;
    }
    for index in 0..publication.treatments.len() {
        for card in cards_page::cards_of(&site, index) {
            let svg = card.svg();
            if publication.png == PngChoice::Drawn {
                let bytes = cards::png(&svg);
                take(File { path: site.card_path(index, &card, "png"), bytes })?;
            }
            take(File { path: site.card_path(index, &card, "svg"), bytes: svg.into_bytes() })?;
        }
    }
    Ok(())
}

/// The publication with what its pages look up.
pub(crate) struct Site<'p> {
    pub publication: &'p Publication,
    /// All boards, the first one being that of the front page.
    pub boards: Vec<Board<'p>>,
    treatment_slugs: Vec<String>,
    run_slugs: Vec<String>,
    runs: BTreeMap<&'p str, usize>,
    treatments: BTreeMap<&'p str, usize>,
    results: BTreeMap<&'p str, Vec<&'p ResultRow>>,
    by_run: BTreeMap<&'p str, Vec<&'p ResultRow>>,
    contrasts: BTreeMap<&'p str, Vec<&'p ContrastRow>>,
    stories: BTreeMap<&'p str, Vec<&'p Story>>,
}

impl<'p> Site<'p> {
    fn of(publication: &'p Publication) -> Site<'p> {
        let runs = publication.runs.iter().enumerate().map(|(at, run)| (run.id.as_str(), at)).collect();
        let treatments = publication.treatments.iter().enumerate();
        let treatments = treatments.map(|(at, treatment)| (treatment.code.as_str(), at)).collect();
        let mut results: BTreeMap<&str, Vec<&ResultRow>> = BTreeMap::new();
        let mut by_run: BTreeMap<&str, Vec<&ResultRow>> = BTreeMap::new();
        for row in &publication.results {
            results.entry(&row.treatment).or_default().push(row);
            by_run.entry(&row.run).or_default().push(row);
        }
        let mut contrasts: BTreeMap<&str, Vec<&ContrastRow>> = BTreeMap::new();
        for row in &publication.contrasts {
            contrasts.entry(&row.treatment_a).or_default().push(row);
            contrasts.entry(&row.treatment_b).or_default().push(row);
        }
        let mut stories: BTreeMap<&str, Vec<&Story>> = BTreeMap::new();
        for story in &publication.stories {
            stories.entry(&story.treatment).or_default().push(story);
        }
        Site {
            publication,
            boards: boards(publication),
            treatment_slugs: paths::slugs(publication.treatments.iter().map(|t| t.code.as_str())),
            run_slugs: paths::slugs(publication.runs.iter().map(|run| run.id.as_str())),
            runs,
            treatments,
            results,
            by_run,
            contrasts,
            stories,
        }
    }

    /// Rows of `results.csv` of a treatment.
    fn results_of(&self, code: &str) -> &[&'p ResultRow] {
        self.results.get(code).map_or(&[], Vec::as_slice)
    }

    /// Rows of `results.csv` of a run.
    fn results_in(&self, run: &str) -> &[&'p ResultRow] {
        self.by_run.get(run).map_or(&[], Vec::as_slice)
    }

    /// Lives of a treatment.
    fn stories_of(&self, code: &str) -> &[&'p Story] {
        self.stories.get(code).map_or(&[], Vec::as_slice)
    }

    /// Rows of `contrasts.csv` that a treatment stands in.
    fn contrasts_of(&self, code: &str) -> &[&'p ContrastRow] {
        self.contrasts.get(code).map_or(&[], Vec::as_slice)
    }

    fn treatment_path(&self, index: usize) -> String {
        format!("treatments/{}.html", self.treatment_slugs[index])
    }

    fn run_path(&self, index: usize) -> String {
        format!("runs/{}.html", self.run_slugs[index])
    }

    /// The run of an id.
    fn run_of(&self, id: &str) -> Option<&'p RunRecord> {
        self.runs.get(id).map(|index| &self.publication.runs[*index])
    }

    /// Path of a run's page by its id; absent where its recording is not there.
    fn path_of_run(&self, id: &str) -> Option<String> {
        self.runs.get(id).map(|index| self.run_path(*index))
    }

    /// Path of a treatment's page by its code.
    fn path_of_treatment(&self, code: &str) -> Option<String> {
        self.treatments.get(code).map(|index| self.treatment_path(*index))
    }

    fn board_path(&self, board: &Board<'_>) -> String {
        let is_first = self
            .boards
            .first()
            .is_some_and(|first| first.stage == board.stage && first.geometry_deg == board.geometry_deg);
        match is_first {
            true => "index.html".to_owned(),
            false => format!("boards/{}-{}.html", paths::slug(&board.stage), board.geometry_deg),
        }
    }

    fn card_path(&self, index: usize, card: &cards::Card<'_>, extension: &str) -> String {
        format!("cards/{}-{}.{extension}", self.treatment_slugs[index], card.name())
    }
}
