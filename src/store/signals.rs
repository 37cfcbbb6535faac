//! What the system says of this process, in a file of its own.

use std::fs;

/// SIGHUP in a mask of signals: the lowest bit (POSIX gives it the number 1).
const HANGUP: u64 = 1;

/// Whether whoever started this process had it go on when its terminal closes, as `nohup` does. `false` where the
/// system does not tell (`/proc`, proc_pid_status(5)).
#[must_use]
pub fn is_hangup_ignored() -> bool {
    fs::read_to_string("/proc/self/status").is_ok_and(|status| ignores_hangup(&status))
}

fn ignores_hangup(status: &str) -> bool {
    let mask = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    let mask = mask.and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok());
    mask.is_some_and(|mask| mask & HANGUP != 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_bit_of_the_hangup_counts() {
        // As the system writes it; SIGPIPE (13) is ignored by every Rust program.
        assert!(!ignores_hangup("Name:\thalfpanel\nSigIgn:\t0000000000001000\nSigCgt:\t0000000000000001\n"));
        assert!(ignores_hangup("Name:\thalfpanel\nSigIgn:\t0000000000001001\n"));
        assert!(!ignores_hangup("") && !ignores_hangup("SigIgn:\tx\n"));
    }
}
