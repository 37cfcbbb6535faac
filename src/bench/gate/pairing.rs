//! Codes, tries and cookies, as a pure state machine: time, random numbers and addresses enter as arguments.
//!
//! A code is 8 of 32 characters (40 bits); whoever guesses gets 5 wrong tries from an address and then one a
//! minute, and everybody together 100 and then one a minute: at most 1,540 in the first day, one chance in 350
//! million that one of the two codes is hit. While an address has to wait, a right code is not looked at either, so that an answer tells
//! nothing about a code that is not let in.

use std::fmt;
use std::net::IpAddr;

use sha2::Digest as _;
use sha2::Sha256;

use super::tries::Tries;

/// What somebody who has paired may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Look and act.
    Operator,
    /// Look only.
    Viewer,
}

/// How long a pairing lasts: a working day.
pub const LASTS_US: u64 = 12 * 3600 * 1_000_000;

/// How many browsers may be paired in each role; the next one takes the place of the one whose pairing ends first.
pub const MOST: usize = 64;

/// The 32 characters of Crockford's base 32: no I, L, O and U.
const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// A pairing code: 8 characters, shown as two groups of four.
#[derive(Clone, PartialEq, Eq)]
pub struct Code(String);

impl Code {
    /// A code from 40 random bits.
    pub fn new(random: [u8; 5]) -> Code {
        let bits = random.iter().fold(0_u64, |bits, byte| bits << 8 | u64::from(*byte));
        let character = |place: u32| char::from(ALPHABET[(bits >> (5 * place) & 31) as usize]);
        Code((0..8).rev().map(character).collect())
    }

    /// What was typed, as it would have been printed: spaces and hyphens do not count, nor does case, and
    /// letters that look like digits are taken for them.
    pub fn typed(text: &str) -> Code {
        let plain = text.chars().filter(|c| !c.is_whitespace() && *c != '-').take(64);
        let read = |c: char| match c.to_ascii_uppercase() {
            'O' => '0',
            'I' | 'L' => '1',
            other => other,
        };
        Code(plain.map(read).collect())
    }

    /// The characters without the hyphen, as they stand in an address.
    pub fn plain(&self) -> &str {
        &self.0
    }

    fn digest(&self) -> Digest {
        Digest::of(self.0.as_bytes())
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0.split_at_checked(4) {
            Some((first, second)) => write!(f, "{first}-{second}"),
            None => f.write_str(&self.0),
        }
    }
}

/// A code is a secret: what prints a value for a log shows none.
impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Code(…)")
    }
}

/// What a paired browser's cookie holds: 256 random bits. Only a digest of it is kept.
#[derive(Clone, PartialEq, Eq)]
pub struct Token([u8; 32]);

impl Token {
    /// A token of these random bits.
    pub fn new(random: [u8; 32]) -> Token {
        Token(random)
    }

    /// As it stands in a cookie: 64 hexadecimal digits.
    pub fn hex(&self) -> String {
        self.0.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

/// A token is a secret, as a code is.
impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(…)")
    }
}

/// SHA-256 of a secret. Comparing digests takes the same time wherever they differ, and where they differ
/// would tell nothing of the secret anyway.
#[derive(Debug, Clone, Copy)]
struct Digest([u8; 32]);

impl Digest {
    fn of(secret: &[u8]) -> Digest {
        Digest(Sha256::digest(secret).into())
    }

    fn is(self, other: Digest) -> bool {
        self.0.iter().zip(other.0).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
    }
}

/// What a cookie opens the door with, kept without the secret itself.
#[derive(Debug, Clone)]
pub struct Pass(Digest);

impl Pass {
    /// Of the value of a cookie; `None` for one that no token ever was.
    pub fn of(cookie: &str) -> Option<Pass> {
        let mut bytes = [0; 32];
        if cookie.len() != 64 {
            return None;
        }
        for (place, pair) in cookie.as_bytes().chunks(2).enumerate() {
            // Digit by digit: reading a number would take a sign, too.
            let [high, low] = pair else { return None };
            let digit = |byte: u8| char::from(byte).to_digit(16);
            let value = digit(*high)? * 16 + digit(*low)?;
            bytes[place] = u8::try_from(value).ok()?;
        }
        Some(Pass(Digest::of(&bytes)))
    }
}

/// What became of a try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// The code was right; the token now opens the door.
    Paired(Role),
    /// The code was wrong.
    Wrong,
    /// Too many were wrong; the code was not looked at.
    Wait {
        /// Until the next try is looked at, us.
        wait_us: u64,
    },
}

#[derive(Debug)]
struct Guest {
    token: Digest,
    role: Role,
    until_us: u64,
}

/// Who has paired, and who has tried.
#[derive(Debug)]
pub struct Pairing {
    operator: Digest,
    viewer: Digest,
    guests: Vec<Guest>,
    tries: Tries,
}

impl Pairing {
    /// Nobody has paired yet; one of these codes lets them.
    pub fn new(operator: &Code, viewer: &Code) -> Pairing {
        let (operator, viewer) = (operator.digest(), viewer.digest());
        Pairing { operator, viewer, guests: Vec::new(), tries: Tries::default() }
    }

    /// Somebody at the address `from` typed a code at `now_us`. If it is right, `token` lets them in from now on.
    pub fn enter(&mut self, from: IpAddr, typed: &str, token: &Token, now_us: u64) -> Answer {
        if let Some(wait_us) = self.tries.wait_us(from, now_us) {
            return Answer::Wait { wait_us };
        }
        let typed = Code::typed(typed).digest();
        // Both are compared in any case, so that the time taken does not tell them apart.
        let role = match (typed.is(self.operator), typed.is(self.viewer)) {
            (true, _) => Role::Operator,
            (false, true) => Role::Viewer,
            (false, false) => {
                self.tries.wrong(from, now_us);
                return Answer::Wrong;
            }
        };
        self.tries.right(from);
        self.admit(role, token, now_us);
        Answer::Paired(role)
    }

    /// The role of whoever brings this cookie at `now_us`; `None` if nobody was given it, or it has run out.
    pub fn role(&self, cookie: &str, now_us: u64) -> Option<Role> {
        self.guest(&Pass::of(cookie)?, now_us).map(|guest| guest.role)
    }

    /// How long this pass opens the door from `now_us` on, us; `None` if it does not now.
    pub fn left_us(&self, pass: &Pass, now_us: u64) -> Option<u64> {
        self.guest(pass, now_us).map(|guest| guest.until_us - now_us)
    }

    /// This pass opens nothing any more.
    pub fn withdraw(&mut self, pass: &Pass) {
        self.guests.retain(|guest| !guest.token.is(pass.0));
    }

    fn guest(&self, pass: &Pass, now_us: u64) -> Option<&Guest> {
        // No early way out: how long it takes does not tell which of them it was.
        let here =
            self.guests.iter().filter(|guest| guest.token.is(pass.0)).fold(None, |_, guest| Some(guest));
        here.filter(|guest| now_us < guest.until_us)
    }

    fn admit(&mut self, role: Role, token: &Token, now_us: u64) {
        self.guests.retain(|guest| now_us < guest.until_us);
        while self.guests.iter().filter(|guest| guest.role == role).count() >= MOST {
            // They stand in the order in which they came, and all stay equally long.
            let Some(first) = self.guests.iter().position(|guest| guest.role == role) else { break };
            self.guests.remove(first);
        }
        self.guests.push(Guest {
            token: Digest::of(&token.0),
            role,
            until_us: now_us.saturating_add(LASTS_US),
        });
    }
}

#[cfg(test)]
#[path = "pairing_tests.rs"]
mod tests;
