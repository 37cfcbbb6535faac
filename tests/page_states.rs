//! The bench page in each state that it can show, told as stories. What must be true of every one is held here; to be
//! looked at, each is written to `target/page-states/`, with style, script and mark beside it.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;
#[path = "page_states/states.rs"]
mod states;

use halfpanel::bench::page;
use states::State;
use states::states;
use std::fs;
use std::path::Path;

fn rendered() -> Vec<(State, String)> {
    let draw = |state: State| {
        let page = page::bench(&state.snapshot, &state.facts);
        (state, page)
    };
    states().into_iter().map(draw).collect()
}

/// Everything between two texts, each time.
fn between<'t>(text: &'t str, from: &str, to: &str) -> Vec<&'t str> {
    text.split(from).skip(1).map(|rest| rest.split(to).next().unwrap()).collect()
}

#[test]
fn every_state_is_written_to_be_looked_at() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("page-states");
    fs::create_dir_all(folder.join("assets")).unwrap();
    for (state, page) in rendered() {
        for asset in between(&page, "/assets/", "?v=1\"") {
            let (_, bytes) = page::asset(asset).unwrap();
            fs::write(folder.join("assets").join(asset), bytes).unwrap();
        }
        let page = page.replace("/assets/", "assets/").replace("?v=1", "");
        fs::write(folder.join(format!("{}-unheard.html", state.name)), &page).unwrap();
        // Without a daemon to follow.
        fs::write(folder.join(format!("{}.html", state.name)), page.replace(" data-live", "")).unwrap();
    }
}
