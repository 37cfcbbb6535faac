//! Where the daemon listens, and the names by which it may be called.
//!
//! A page of another site can have its own name point at this machine (DNS rebinding); its requests then carry
//! that name in `Host`. So only addresses of this machine, `localhost` and names that were given count.

use std::net::IpAddr;
use std::net::Ipv4Addr;
use std::net::Ipv6Addr;
use std::net::SocketAddr;
use std::net::UdpSocket;

use thiserror::Error;

/// From where the daemon can be reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// From this machine only; nobody has to pair.
    Loopback,
    /// By others too; everybody has to pair, on this machine as well, since a proxy on it looks like it.
    Lan,
}

/// Others could reach the address, and nobody said that they may.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "{0} can be reached from other machines; add --lan if that is meant (whoever comes then needs a pairing code), or listen on 127.0.0.1"
)]
pub struct NotAlone(pub SocketAddr);

impl Reach {
    /// What listening at `address` means. `lan` asks for pairing even on a loopback address, as behind a proxy.
    ///
    /// # Errors
    /// [`NotAlone`] for an address beyond loopback without `lan`.
    pub fn of(address: SocketAddr, lan: bool) -> Result<Reach, NotAlone> {
        match (lan, address.ip().to_canonical().is_loopback()) {
            (true, _) => Ok(Reach::Lan),
            (false, true) => Ok(Reach::Loopback),
            (false, false) => Err(NotAlone(address)),
        }
    }
}

/// Whether `host` (from a `Host` header, without its port) means this daemon. `local` is the address that the
/// client's connection reached.
pub fn is_ours(host: &str, names: &[String], local: Option<IpAddr>) -> bool {
    let host = host.to_ascii_lowercase();
    if host == "localhost" || names.contains(&host) {
        return true;
    }
    let bare = host.strip_prefix('[').and_then(|h| h.strip_suffix(']')).unwrap_or(&host);
    bare.parse::<IpAddr>().is_ok_and(|ip| {
        let ip = ip.to_canonical();
        ip.is_loopback() || local.is_some_and(|local| local.to_canonical() == ip)
    })
}

/// The address to type into a browser.
pub fn url(listening: SocketAddr, reach: Reach, names: &[String]) -> String {
    let port = listening.port();
    let ip = listening.ip();
    match (reach, names.first()) {
        (Reach::Lan, Some(name)) => format!("http://{name}:{port}/"),
        (Reach::Lan, None) if ip.is_unspecified() => {
            let ip = outward(ip).unwrap_or(ip);
            format!("http://{}/", SocketAddr::new(ip, port))
        }
        _ => format!("http://{listening}/"),
    }
}

/// This machine's address on its network. Connecting a datagram socket sends nothing; it only has the system
/// choose the way to an address (here those kept for examples, RFC 5737 and RFC 3849).
fn outward(unspecified: IpAddr) -> Option<IpAddr> {
    let v4 = (IpAddr::V4(Ipv4Addr::UNSPECIFIED), IpAddr::V4(Ipv4Addr::new(192, 0, 2, 1)));
    let example = Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1);
    let v6 = (IpAddr::V6(Ipv6Addr::UNSPECIFIED), IpAddr::V6(example));
    let ways = if unspecified.is_ipv4() { vec![v4] } else { vec![v4, v6] };
    ways.into_iter().find_map(|(from, to)| {
        let socket = UdpSocket::bind((from, 0)).ok()?;
        socket.connect((to, 9)).ok()?;
        let ip = socket.local_addr().ok()?.ip();
        (!ip.is_unspecified() && !ip.is_loopback()).then_some(ip)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> SocketAddr {
        text.parse().unwrap()
    }

    #[test]
    fn an_address_beyond_loopback_needs_to_be_meant() {
        for open in ["0.0.0.0:80", "192.168.1.5:80", "[::]:80", "[2001:db8::1]:80"] {
            let refused = Reach::of(at(open), false).unwrap_err().to_string();
            assert!(refused.contains(open) && refused.contains("--lan"), "{refused}");
            assert_eq!(Reach::of(at(open), true), Ok(Reach::Lan));
        }
        for here in ["127.0.0.1:80", "127.9.9.9:80", "[::1]:80", "[::ffff:127.0.0.1]:80"] {
            assert_eq!(Reach::of(at(here), false), Ok(Reach::Loopback), "{here}");
            assert_eq!(Reach::of(at(here), true), Ok(Reach::Lan), "behind a proxy");
        }
    }

    #[test]
    fn only_addresses_that_were_reached_and_names_that_were_given_are_ours() {
        let names = ["bench.local".to_owned()];
        let local = Some("192.168.1.5".parse().unwrap());
        for ours in ["localhost", "LocalHost", "127.0.0.1", "[::1]", "192.168.1.5", "Bench.local"] {
            assert!(is_ours(ours, &names, local), "{ours}");
        }
        for foreign in [
            "rebound.example",
            "localhost.rebound.example",
            "192.168.1.6",
            "192.168.1.5.rebound.example",
            "127.0.0.1.rebound.example",
            "xlocalhost",
            "localhost.",
            "bench.local.",
            "",
            "[::1",
            "0.0.0.0",
            "2130706433",
            "[2001:db8::1]",
        ] {
            assert!(!is_ours(foreign, &names, local), "{foreign}");
        }
        assert!(is_ours("192.168.1.5", &[], Some("::ffff:192.168.1.5".parse().unwrap())));
    }

    #[test]
    fn the_url_names_what_others_can_type() {
        let names = ["bench.local".to_owned()];
        assert_eq!(url(at("127.0.0.1:8417"), Reach::Loopback, &[]), "http://127.0.0.1:8417/");
        assert_eq!(url(at("0.0.0.0:8417"), Reach::Lan, &names), "http://bench.local:8417/");
        assert_eq!(url(at("192.168.1.5:80"), Reach::Lan, &[]), "http://192.168.1.5:80/");
        assert_eq!(url(at("[2001:db8::1]:80"), Reach::Lan, &[]), "http://[2001:db8::1]:80/");
    }
}
