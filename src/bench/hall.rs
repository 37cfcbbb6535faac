//! All stations of the daemon under one roof, each by its short name.

use super::frames::Frames;
use super::metrics::Metrics;
use crate::life::staged;
use crate::session::clock::Clock;
use crate::session::folder::Folder;
use crate::session::observing;
use crate::session::station::Station;
use crate::study::Study;
use crate::view::StudyFacts;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::PoisonError;
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;

/// How many may read through recordings at once.
const MOST_READING: usize = 2;

/// A station as it goes on the web.
pub struct Stand {
    /// Its name in paths: lower-case letters, digits and hyphens.
    pub slug: String,
    /// The station.
    pub station: Station,
    /// Its page, as it is sent to all who watch.
    pub frames: Frames,
    /// What its study says.
    pub facts: Facts,
}

/// What a study says, as it was read last. Clones are the same.
#[derive(Clone)]
pub struct Facts(Arc<Mutex<Arc<StudyFacts>>>);

impl Facts {
    fn of(folder: &Folder, study: &Study) -> Facts {
        Facts(Arc::new(Mutex::new(Arc::new(facts(folder, study)))))
    }

    /// As they were read last.
    #[must_use]
    pub fn now(&self) -> Arc<StudyFacts> {
        Arc::clone(&self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Reads the study anew. One that cannot be read now leaves what was read before: a start says what is wrong with
    /// it.
    pub async fn refresh(&self, folder: &Folder) {
        let folder = folder.clone();
        let read = tokio::task::spawn_blocking(move || {
            folder.load().ok().map(|loaded| facts(&folder, &loaded.study))
        });
        let Ok(Some(read)) = read.await else { return };
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if **kept != read {
            *kept = Arc::new(read);
        }
    }
}

/// With the stages and times that were noted, where there are some.
fn facts(folder: &Folder, study: &Study) -> StudyFacts {
    let noted = observing::read(folder, study).map(|noted| staged(study, &noted, Clock::real().wall()));
    let study = noted.as_ref().unwrap_or(study);
    StudyFacts { folder: folder.root().display().to_string(), ..StudyFacts::of(study) }
}

/// What every handler can get at. Clones are the same hall.
#[derive(Clone)]
pub struct Hall(Arc<Inner>);

struct Inner {
    stands: Vec<Stand>,
    metrics: Metrics,
    closing: CancellationToken,
    /// Who may read through recordings now.
    reading: Semaphore,
}

impl Hall {
    /// A hall of stations with their short names. Event streams end when `closing` is cancelled. Needs a tokio runtime.
    #[must_use]
    pub fn new(
        stations: Vec<(String, Station, Study)>,
        metrics: Metrics,
        closing: CancellationToken,
    ) -> Hall {
        let stand = |(slug, station, study): (String, Station, Study)| {
            let facts = Facts::of(station.folder(), &study);
            let frames = Frames::spawn(&station, facts.clone());
            Stand { slug, station, frames, facts }
        };
        let reading = Semaphore::new(MOST_READING);
        Hall(Arc::new(Inner { stands: stations.into_iter().map(stand).collect(), metrics, closing, reading }))
    }

    /// All stands, in the order of the command line.
    #[must_use]
    pub fn stands(&self) -> &[Stand] {
        &self.0.stands
    }

    /// The stand of that short name.
    #[must_use]
    pub fn stand(&self, slug: &str) -> Option<&Stand> {
        self.0.stands.iter().find(|stand| stand.slug == slug)
    }

    /// What is counted.
    #[must_use]
    pub fn metrics(&self) -> &Metrics {
        &self.0.metrics
    }

    /// Work that reads through recordings, away from the thread that serves pages; more than a few wait for each other,
    /// so that no number of pages takes the machine from the meters.
    ///
    /// # Errors
    /// If the work broke off.
    pub async fn read<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, tokio::task::JoinError> {
        // The semaphore is never closed.
        let _permit = self.0.reading.acquire().await.ok();
        tokio::task::spawn_blocking(work).await
    }

    /// Cancelled once the daemon closes.
    #[must_use]
    pub fn closing(&self) -> CancellationToken {
        self.0.closing.clone()
    }
}

/// Short names for folders, each of its own: lower-case letters and digits of the folder's name, hyphens between.
#[must_use]
pub fn slugs<'p>(folders: impl IntoIterator<Item = &'p Path>) -> Vec<String> {
    let mut taken = BTreeSet::new();
    folders
        .into_iter()
        .map(|folder| {
            let plain = slug(&folder.file_name().unwrap_or_default().to_string_lossy());
            let numbered = (2..).map(|n| format!("{plain}-{n}"));
            let free = std::iter::once(plain.clone()).chain(numbered).find(|name| !taken.contains(name));
            let free = free.unwrap_or(plain);
            taken.insert(free.clone());
            free
        })
        .collect()
}

fn slug(name: &str) -> String {
    let hyphened: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
    let parts: Vec<&str> = hyphened.split('-').filter(|part| !part.is_empty()).collect();
    if parts.is_empty() { "study".to_owned() } else { parts.join("-") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_of_one_name_get_short_names_of_their_own() {
        let folders = ["/a/Harbour 2", "/b/harbour-2", "/c/Böot", "/d/…", "/", "/e/harbour-2"];
        let names = slugs(folders.iter().map(Path::new));
        assert_eq!(names, ["harbour-2", "harbour-2-2", "b-ot", "study", "study-2", "harbour-2-3"]);
    }
}
