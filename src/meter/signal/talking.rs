//! The simulated meter on a line that it does not only send on: requests and their answers, and a stream.

use super::{Emission, SimulatedMeter, bytes};

impl SimulatedMeter {
    /// Lifts the meter: a stream shows the air from here on.
    pub fn lift(&mut self) {
        self.placement = None;
    }

    /// The next whole request of what has come, taken out of it: one that the meter knows, or, unknown,
    /// everything up to a line end.
    pub fn take_request(&self, inbox: &mut Vec<u8>) -> Option<Vec<u8>> {
        let answers = self.scenario.answers()?;
        let known = std::iter::once(&answers.request).chain(&answers.error_query);
        let length = known
            .filter(|request| inbox.starts_with(request))
            .map(|request| request.len())
            .max()
            .or_else(|| inbox.iter().position(|b| matches!(b, b'\r' | b'\n')).map(|at| at + 1))?;
        Some(inbox.drain(..length).collect())
    }

    /// What the meter sends on a request, in order. It knows two: that for a reading, which is as a press
    /// of the button, and that for its error queue. Others it takes for errors and is silent.
    pub fn answer(&mut self, request: &[u8]) -> Vec<Emission> {
        let Some(answers) = self.scenario.answers().cloned() else { return Vec::new() };
        let echo = if answers.echo { bytes(request) } else { None };
        let pause = Emission::Pause { us: answers.delay_us };
        let answer = if *request == *answers.request {
            let first = self.lines + 1;
            let sent = self.press();
            self.errors.extend(answers.errors.range(first..=self.lines).flat_map(|(_, says)| says.clone()));
            sent
        } else if answers.error_query.is_some_and(|query| *query == *request) {
            let entry = self.errors.pop_front().unwrap_or_else(|| "0,\"No error\"".to_owned());
            vec![Emission::Bytes((entry + self.scenario.layout.end()).into_bytes())]
        } else {
            if !request.trim_ascii().is_empty() && !request.starts_with(b"*") {
                self.errors.push_back("-113,\"Undefined header\"".to_owned());
            }
            return echo.into_iter().collect();
        };
        echo.into_iter().chain([pause]).chain(answer).collect()
    }
}
