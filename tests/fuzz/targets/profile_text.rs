//! Any text as a profile: it loads or is refused with a place, and what loads reads any line.

#![no_main]

use halfpanel::meter::Profile;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| match Profile::load("fuzz.toml", text) {
    Ok(profile) => {
        for line in text.lines() {
            let _ = profile.reader().read(line.as_bytes());
        }
    }
    Err(problem) => assert!(problem.line > 0 && problem.column > 0 && !problem.what.is_empty()),
});
