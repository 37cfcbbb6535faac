//! A serial line at the level of its bits, for tests: what a receiver at another rate or with another
//! parity makes of a sender. A character is a start bit (0), the data bits from the lowest on, a parity bit
//! where there is one, and a stop bit (1); at rest the line is 1.

use crate::meter::Parity;

/// One end of the line.
#[derive(Clone, Copy, Debug)]
pub struct End {
    pub baud: u32,
    pub data_bits: u8,
    pub parity: Parity,
}

impl End {
    pub const fn new(baud: u32, data_bits: u8, parity: Parity) -> End {
        End { baud, data_bits, parity }
    }

    fn bits_of(self, byte: u8) -> Vec<bool> {
        let data: Vec<bool> = (0..self.data_bits).map(|bit| byte >> bit & 1 == 1).collect();
        let is_odd = data.iter().filter(|&&bit| bit).count() % 2 == 1;
        let parity = match self.parity {
            Parity::None => None,
            Parity::Even => Some(is_odd),
            Parity::Odd => Some(!is_odd),
        };
        [false].into_iter().chain(data).chain(parity).chain([true]).collect()
    }
}

/// The level of the line at a time, by the bits that are sent.
fn level(bits: &[bool], baud: u32, at_s: f64) -> bool {
    let at = (at_s * f64::from(baud)).floor();
    if at < 0.0 { true } else { bits.get(at as usize).copied().unwrap_or(true) }
}

/// What the receiver gives for bytes that were sent with `pause_bits` of rest between two of them. Characters
/// with a wrong stop or parity bit are lost where `drops`, as the driver does it, and else come as they are.
pub fn heard(bytes: &[u8], sender: End, receiver: End, pause_bits: usize, drops: bool) -> Vec<u8> {
    let mut bits = vec![true; 8];
    for &byte in bytes {
        bits.extend(sender.bits_of(byte));
        bits.extend(vec![true; pause_bits]);
    }
    let bit_s = 1.0 / f64::from(receiver.baud);
    let end_s = bits.len() as f64 / f64::from(sender.baud);
    let at = |at_s: f64| level(&bits, sender.baud, at_s);
    let mut found = Vec::new();
    let mut now_s = 0.0;
    while now_s < end_s {
        // A start bit begins with a fall, looked for sixteen times a bit, and has to stand in its middle.
        if at(now_s) || at(now_s + 0.5 * bit_s) {
            now_s += bit_s / 16.0;
            continue;
        }
        let sample = |number: f64| at(now_s + (number + 0.5) * bit_s);
        let data_bits = f64::from(receiver.data_bits);
        let byte =
            (0..receiver.data_bits).fold(0, |byte, bit| byte | u8::from(sample(f64::from(bit) + 1.0)) << bit);
        let has_parity = receiver.parity != Parity::None;
        let right_parity = !has_parity
            || receiver.bits_of(byte)[usize::from(receiver.data_bits) + 1] == sample(data_bits + 1.0);
        let stop = data_bits + 1.0 + f64::from(u8::from(has_parity));
        let right_stop = sample(stop);
        if !drops || (right_parity && right_stop) {
            found.push(byte);
        }
        now_s += (stop + 0.5) * bit_s;
        // After a wrong stop bit the receiver waits for the line to come to rest.
        while now_s < end_s && !at(now_s) {
            now_s += bit_s / 16.0;
        }
    }
    found
}
