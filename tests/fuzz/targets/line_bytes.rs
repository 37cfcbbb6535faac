//! Any bytes as what a meter sends, by each shipped profile: no panic, no line longer than a line may
//! be, the same lines however the bytes are cut, and a message for each refusal.

#![no_main]

use halfpanel::meter::{Line, LineOutcome, MAX_LINE_BYTES, Profile, shipped};
use libfuzzer_sys::fuzz_target;
use std::sync::LazyLock;

static PROFILES: LazyLock<Vec<Profile>> = LazyLock::new(|| shipped::names().filter_map(shipped::find).collect());

fn lines(profile: &Profile, bytes: &[u8], chunk: usize) -> Vec<Vec<u8>> {
    let (mut lines, mut assembler) = (Vec::new(), profile.assembler());
    for chunk in bytes.chunks(chunk) {
        assembler.feed(chunk, |line| {
            let (Line::Whole(line) | Line::TooLong(line)) = line;
            assert!(line.len() <= MAX_LINE_BYTES);
            lines.push(line.to_vec());
        });
    }
    lines
}

fuzz_target!(|bytes: &[u8]| {
    for profile in PROFILES.iter() {
        let whole = lines(profile, bytes, bytes.len().max(1));
        assert_eq!(lines(profile, bytes, 3), whole);
        for line in whole {
            match profile.reader().read(&line) {
                LineOutcome::Values { gloss, .. } => assert!(!gloss.is_empty()),
                LineOutcome::Ignored => {}
                LineOutcome::Refused(refusal) => assert!(!refusal.to_string().is_empty()),
            }
        }
    }
});
