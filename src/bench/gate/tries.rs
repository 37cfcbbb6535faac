//! How often a wrong code may be tried: from one address, and over all of them.

use std::net::IpAddr;
use std::net::Ipv6Addr;

/// How long whoever has used up their tries waits for one more, us.
pub const AGAIN_US: u64 = 60 * 1_000_000;

/// Wrong tries from one address before it has to wait.
pub const FROM_ONE: u64 = 5;

/// Wrong tries over all addresses before everybody has to wait.
pub const FROM_ALL: u64 = 100;

/// Addresses that are remembered. Whoever has more than that is held by the bound over all.
const REMEMBERED: usize = 256;

/// So many at once, then one a minute. Kept as the moment at which all of it is forgotten (the generic cell rate
/// algorithm of ITU-T I.371, its virtual scheduling form; from memory).
#[derive(Debug, Default, Clone, Copy)]
struct Account {
    forgotten_us: u64,
}

impl Account {
    fn wait_us(self, burst: u64, now_us: u64) -> Option<u64> {
        let free_at_us = self.forgotten_us.saturating_sub((burst - 1) * AGAIN_US);
        (now_us < free_at_us).then(|| free_at_us - now_us)
    }

    fn count(&mut self, now_us: u64) {
        self.forgotten_us = self.forgotten_us.max(now_us).saturating_add(AGAIN_US);
    }
}

/// Wrong tries so far.
#[derive(Debug, Default)]
pub struct Tries {
    all: Account,
    each: Vec<(IpAddr, Account)>,
}

impl Tries {
    /// How long `from` has to wait before a code is looked at; `None` if it is looked at now.
    pub(super) fn wait_us(&self, from: IpAddr, now_us: u64) -> Option<u64> {
        let from = neighbourhood(from);
        let own = self.each.iter().find(|(address, _)| *address == from);
        let own = own.and_then(|(_, account)| account.wait_us(FROM_ONE, now_us));
        own.max(self.all.wait_us(FROM_ALL, now_us))
    }

    /// `from` typed a wrong code.
    pub(super) fn wrong(&mut self, from: IpAddr, now_us: u64) {
        self.all.count(now_us);
        let from = neighbourhood(from);
        self.each.retain(|(_, account)| now_us < account.forgotten_us);
        if let Some((_, account)) = self.each.iter_mut().find(|(address, _)| *address == from) {
            account.count(now_us);
            return;
        }
        if self.each.len() >= REMEMBERED {
            let soonest = (0..self.each.len()).min_by_key(|place| self.each[*place].1.forgotten_us);
            soonest.map(|place| self.each.swap_remove(place));
        }
        let mut account = Account::default();
        account.count(now_us);
        self.each.push((from, account));
    }

    /// `from` typed a right code: earlier slips of theirs are forgotten.
    pub(super) fn right(&mut self, from: IpAddr) {
        let from = neighbourhood(from);
        self.each.retain(|(address, _)| *address != from);
    }
}

/// One guest's address: a host in IPv6 commonly has a whole /64 to choose from.
pub(super) fn neighbourhood(ip: IpAddr) -> IpAddr {
    match ip.to_canonical() {
        IpAddr::V6(v6) if !v6.is_loopback() => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() >> 64 << 64)),
        other => other,
    }
}
