//! The only place that reads a clock. Everything else is told the time.

use std::time::Duration;

use chrono::DateTime;
use chrono::FixedOffset;
use thiserror::Error;

/// A factor that no clock can run at.
#[derive(Debug, Clone, PartialEq, Error)]
#[error("a simulated clock cannot run {factor} times as fast; give a finite factor above 0, such as 60")]
pub struct BadFactor {
    /// What was asked for.
    pub factor: f64,
}

/// Elapsed and wall time of a sitting. Clones share one origin, so their times can be compared.
#[derive(Debug, Clone)]
pub struct Clock {
    source: Source,
    origin_us: u64,
    /// `None` for the real clock; otherwise how many times faster, and the wall time at the origin.
    simulated: Option<(f64, DateTime<FixedOffset>)>,
}

#[derive(Debug, Clone, Copy)]
enum Source {
    Boottime,
    Monotonic,
}

impl Clock {
    /// The machine's clock. Elapsed time goes on while the machine sleeps (`CLOCK_BOOTTIME`) where the
    /// system has such a clock, and is `CLOCK_MONOTONIC` elsewhere.
    pub fn real() -> Clock {
        let source = if boottime_us().is_some() { Source::Boottime } else { Source::Monotonic };
        Clock { source, origin_us: source.now_us(), simulated: None }
    }

    /// A clock for simulated ports, on which elapsed and wall time both run `factor` times as fast as
    /// the machine's, from this moment on.
    ///
    /// # Errors
    /// [`BadFactor`] unless the factor is finite and above zero.
    pub fn scaled(factor: f64) -> Result<Clock, BadFactor> {
        Clock::scaled_from(factor, machine_wall())
    }

    /// As [`Clock::scaled`], with the wall clock showing `wall` at this moment: simulated runs can lie on
    /// any day, and go on where they stopped.
    ///
    /// # Errors
    /// [`BadFactor`] unless the factor is finite and above zero.
    pub fn scaled_from(factor: f64, wall: DateTime<FixedOffset>) -> Result<Clock, BadFactor> {
        if !factor.is_finite() || factor <= 0.0 {
            return Err(BadFactor { factor });
        }
        let real = Clock::real();
        Ok(Clock { simulated: Some((factor, wall)), ..real })
    }

    /// Microseconds since this clock was made. Never goes backwards.
    pub fn elapsed_us(&self) -> u64 {
        let real_us = self.source.now_us().saturating_sub(self.origin_us);
        match self.simulated {
            None => real_us,
            Some((factor, _)) => (real_us as f64 * factor) as u64,
        }
    }

    /// The time on the wall, with the offset from UTC that this machine is set to. It may step when
    /// somebody sets the clock; a simulated one never does.
    pub fn wall(&self) -> DateTime<FixedOffset> {
        match self.simulated {
            None => machine_wall(),
            Some((_, start)) => {
                let elapsed = i64::try_from(self.elapsed_us()).unwrap_or(i64::MAX);
                start.checked_add_signed(chrono::TimeDelta::microseconds(elapsed)).unwrap_or(start)
            }
        }
    }

    /// What the elapsed time is read from: `"boottime"`, `"monotonic"` or `"simulated"`, as the head of a
    /// recording states it.
    pub fn kind(&self) -> &'static str {
        match (&self.simulated, self.source) {
            (Some(_), _) => "simulated",
            (None, Source::Boottime) => "boottime",
            (None, Source::Monotonic) => "monotonic",
        }
    }

    /// How many times as fast as the machine's this clock runs; 1 for the real one.
    pub fn factor(&self) -> f64 {
        self.simulated.map_or(1.0, |(factor, _)| factor)
    }

    /// How long to wait on the machine for `us_of_clock` microseconds to pass on this clock. Rounded up,
    /// so that a deadline has passed once the wait is over.
    pub fn real_duration(&self, us_of_clock: u64) -> Duration {
        match self.simulated {
            None => Duration::from_micros(us_of_clock),
            // A float beyond the range of u64 becomes its largest value: for ever, as asked.
            Some((factor, _)) => Duration::from_micros((us_of_clock as f64 / factor).ceil() as u64),
        }
    }
}

impl Source {
    fn now_us(self) -> u64 {
        match self {
            // Once there, the clock does not go away; should it ever, time stands still but never jumps.
            Source::Boottime => boottime_us().unwrap_or(0),
            Source::Monotonic => {
                micros(rustix::time::clock_gettime(rustix::time::ClockId::Monotonic)).unwrap_or(0)
            }
        }
    }
}

#[cfg(any(target_os = "linux", target_os = "android"))]
fn boottime_us() -> Option<u64> {
    micros(rustix::time::clock_gettime_dynamic(rustix::time::DynamicClockId::Boottime).ok()?)
}

#[cfg(not(any(target_os = "linux", target_os = "android")))]
fn boottime_us() -> Option<u64> {
    None
}

fn micros(t: rustix::time::Timespec) -> Option<u64> {
    let whole = u64::try_from(t.tv_sec).ok()?.checked_mul(1_000_000)?;
    whole.checked_add(u64::try_from(t.tv_nsec).ok()? / 1000)
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the wall clock")]
fn machine_wall() -> DateTime<FixedOffset> {
    chrono::Local::now().fixed_offset()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_real_clock_never_goes_backwards_and_shares_its_origin_with_its_clones() {
        let clock = Clock::real();
        let clone = clock.clone();
        let mut last = 0;
        for _ in 0..1000 {
            let a = clock.elapsed_us();
            let b = clone.elapsed_us();
            assert!(last <= a && a <= b);
            last = b;
        }
        assert!(last < 60_000_000, "elapsed time counts from the making of the clock, not from boot");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn on_linux_the_real_clock_goes_on_through_sleep() {
        assert_eq!(Clock::real().kind(), "boottime");
    }

    #[test]
    fn a_simulated_clock_carries_elapsed_and_wall_time_along_together() {
        // The machine's clock stands between two readings of a real one made around it.
        let outer = Clock::real();
        let fast = Clock::scaled(1000.0).unwrap();
        let inner = Clock::real();
        let wall_start = fast.wall();
        std::iter::repeat_with(|| inner.elapsed_us()).find(|us| *us >= 2_000);
        let elapsed = fast.elapsed_us();
        let most = outer.elapsed_us() * 1000;
        assert!((2_000_000..=most).contains(&elapsed), "{elapsed} is not between 2 s and {most} us");
        let wall = (fast.wall() - wall_start).num_microseconds().unwrap();
        assert!(wall >= 1_900_000, "the wall moved {wall} us only");
        assert_eq!(fast.kind(), "simulated");
    }

    #[test]
    fn waiting_is_shortened_by_the_factor_and_rounded_up() {
        let fast = Clock::scaled(60.0).unwrap();
        assert_eq!(fast.real_duration(60_000_000), Duration::from_secs(1));
        assert_eq!(fast.real_duration(1), Duration::from_micros(1));
        assert_eq!(Clock::real().real_duration(1_500), Duration::from_micros(1_500));
    }

    #[test]
    fn a_factor_that_would_stop_or_reverse_time_is_refused() {
        for factor in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(Clock::scaled(factor).is_err(), "{factor}");
        }
    }
}
