//! How many connections there may be at a time: over all clients, and from one address.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::MutexGuard;
use std::sync::PoisonError;

use super::limits::Limits;
use super::tries::neighbourhood;

/// The seats of one daemon. Clones share them.
#[derive(Debug, Clone)]
pub struct Seats {
    most: usize,
    most_guests: usize,
    most_each: usize,
    taken: Arc<Mutex<HashMap<IpAddr, usize>>>,
}

/// A seat, given back when dropped.
#[derive(Debug)]
pub struct Seat {
    seats: Seats,
    guest: IpAddr,
}

impl Seats {
    /// As many seats as `limits` says, all free.
    pub fn new(limits: &Limits) -> Seats {
        Seats {
            most: limits.connections,
            most_guests: limits.connections.saturating_sub(limits.connections_kept),
            most_each: limits.connections_per_guest,
            taken: Arc::default(),
        }
    }

    /// A seat for a connection from `from`; `None` if all are taken, all that guests may have, or all that one address
    /// may have. This machine itself is held by the first only.
    pub fn take(&self, from: IpAddr) -> Option<Seat> {
        let guest = neighbourhood(from);
        let mut taken = self.taken();
        let all = taken.values().sum::<usize>();
        let own = taken.get(&guest).copied().unwrap_or(0);
        let here = taken.iter().filter(|(from, _)| from.is_loopback()).map(|(_, own)| own).sum::<usize>();
        let is_too_many = own >= self.most_each || all - here >= self.most_guests;
        if all >= self.most || (!guest.is_loopback() && is_too_many) {
            return None;
        }
        taken.insert(guest, own + 1);
        Some(Seat { seats: self.clone(), guest })
    }

    fn taken(&self) -> MutexGuard<'_, HashMap<IpAddr, usize>> {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut taken = self.seats.taken();
        if let Some(own) = taken.get_mut(&self.guest) {
            *own -= 1;
            if *own == 0 {
                taken.remove(&self.guest);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seats_are_bounded_over_all_and_for_each_and_come_back() {
        let seats = Seats::new(&Limits {
            connections: 5,
            connections_kept: 0,
            connections_per_guest: 2,
            ..Limits::default()
        });
        let ip = |n: u8| IpAddr::from([192, 168, 1, n]);
        let first = [seats.take(ip(1)), seats.take(ip(1))];
        assert!(first.iter().all(Option::is_some));
        assert!(seats.take(ip(1)).is_none(), "no third for one address");
        let here = IpAddr::from([127, 0, 0, 1]);
        let others = [seats.take(here), seats.take(here), seats.take(here)];
        assert!(others.iter().all(Option::is_some), "this machine is not held to two");
        assert!(seats.take(ip(2)).is_none(), "no sixth for anybody");
        drop(first);
        assert!(seats.take(ip(2)).is_some());
        drop(others);
        assert!(seats.taken().is_empty());
    }

    #[test]
    fn a_crowd_leaves_seats_for_this_machine() {
        let seats = Seats::new(&Limits { connections: 5, connections_kept: 2, ..Limits::default() });
        let crowd: Vec<_> = (1..=9).map(|n| seats.take(IpAddr::from([192, 168, 1, n]))).collect();
        assert_eq!(crowd.iter().flatten().count(), 3);
        let here = [seats.take(IpAddr::from([127, 0, 0, 1])), seats.take("::1".parse().unwrap())];
        assert!(here.iter().all(Option::is_some));
        assert!(seats.take(IpAddr::from([127, 0, 0, 1])).is_none(), "five are five");
        drop(crowd);
        assert!(seats.take(IpAddr::from([192, 168, 1, 1])).is_some());
    }

    #[test]
    fn loopback_in_ipv6_stays_loopback() {
        let seats = Seats::new(&Limits { connections: 3, connections_per_guest: 1, ..Limits::default() });
        let here = "::1".parse().unwrap();
        let two = [seats.take(here), seats.take(here)];
        assert!(two.iter().all(Option::is_some));
    }
}
