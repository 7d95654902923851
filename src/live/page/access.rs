//! Who may open the page. A browser that has been led to another site must not be able to
//! play with the session behind the player's back, and on a network only who was given the
//! token may.

use std::net::{IpAddr, SocketAddr};

/// What a request must show.
#[derive(Debug, Clone)]
pub struct Access {
    /// Address that the page is bound to.
    pub bound: SocketAddr,
    /// What an address from the network must carry; `None` on this machine alone.
    pub token: Option<String>,
    /// Whether pages on other machines only show.
    pub read_only: bool,
}

/// Why a request is refused, in words for who made it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// The name it asked for is none of this machine's.
    Host,
    /// It comes from another site's page.
    Origin,
    /// It carries no token, or another.
    Token,
}

impl Refusal {
    /// What to do instead.
    pub fn text(self) -> &'static str {
        match self {
            Refusal::Host => {
                "leadpipe: open this page by the address that the terminal shows, with numbers."
            }
            Refusal::Origin => "leadpipe: this page does not take part in other sites.",
            Refusal::Token => {
                "leadpipe: this address has no token, or an old one. Scan the code in the terminal again (key w), or open the whole address that it shows."
            }
        }
    }
}

impl Access {
    /// Judges a request by its header `Host`, its `Origin` if it has one and the token in
    /// its query. `needs_origin`: a WebSocket of a browser always has one.
    ///
    /// # Errors
    /// Why it is refused.
    pub fn check(
        &self,
        host: Option<&str>,
        origin: Option<&str>,
        token: Option<&str>,
        needs_origin: bool,
    ) -> Result<(), Refusal> {
        let host = host
            .filter(|host| self.is_ours(host))
            .ok_or(Refusal::Host)?;
        let same = |origin: &str| {
            origin
                .strip_prefix("http://")
                .is_some_and(|from| from.eq_ignore_ascii_case(host))
        };
        match origin {
            Some(origin) if !same(origin) => return Err(Refusal::Origin),
            None if needs_origin => return Err(Refusal::Origin),
            _ => {}
        }
        match &self.token {
            Some(wanted) if !token.is_some_and(|given| same_secret(wanted, given)) => {
                Err(Refusal::Token)
            }
            _ => Ok(()),
        }
    }

    /// Whether a page at this address may only look.
    pub fn only_looks(&self, peer: IpAddr) -> bool {
        self.read_only && !peer.to_canonical().is_loopback()
    }

    /// Whether a name with an optional port can be this machine's. A name that another site
    /// has had its own name server lead here is none (DNS rebinding): only numbers are, and
    /// `localhost`.
    fn is_ours(&self, host: &str) -> bool {
        let name = match host.rsplit_once(':') {
            Some((name, port)) if port.bytes().all(|b| b.is_ascii_digit()) => name,
            _ => host,
        };
        if name.eq_ignore_ascii_case("localhost") {
            return true;
        }
        let inner = name.strip_prefix('[').and_then(|n| n.strip_suffix(']'));
        let Ok(ip) = inner.unwrap_or(name).parse::<IpAddr>() else {
            return false;
        };
        ip.is_loopback() || !self.bound.ip().is_loopback()
    }
}

/// Compares without telling by the time it takes how much was right.
fn same_secret(one: &str, other: &str) -> bool {
    let differ = one
        .bytes()
        .zip(other.bytes())
        .fold(0, |d, (a, b)| d | (a ^ b));
    one.len() == other.len() && differ == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn local() -> Access {
        Access {
            bound: "127.0.0.1:8080".parse().unwrap(),
            token: None,
            read_only: false,
        }
    }

    fn network() -> Access {
        Access {
            bound: "0.0.0.0:8080".parse().unwrap(),
            token: Some("b7c1".into()),
            read_only: true,
        }
    }

    #[test]
    fn only_this_machines_names_are_answered() {
        let check = |access: Access, host| access.check(host, None, Some("b7c1"), false);
        for host in [
            "127.0.0.1:8080",
            "localhost:8080",
            "[::1]:8080",
            "LOCALHOST",
        ] {
            assert_eq!(check(local(), Some(host)), Ok(()), "{host}");
        }
        for host in [
            "evil.example:8080",
            "192.0.2.7:8080",
            "",
            "[::1",
            "127.0.0.1.example",
        ] {
            assert_eq!(check(local(), Some(host)), Err(Refusal::Host), "{host}");
        }
        assert_eq!(check(local(), None), Err(Refusal::Host));
        assert_eq!(check(network(), Some("192.0.2.7:8080")), Ok(()));
        assert_eq!(check(network(), Some("[2001:db8::1]:8080")), Ok(()));
        assert_eq!(check(network(), Some("evil.example")), Err(Refusal::Host));
    }

    #[test]
    fn a_page_of_another_site_is_refused() {
        let check = |origin| local().check(Some("localhost:8080"), origin, None, true);
        assert_eq!(check(Some("http://localhost:8080")), Ok(()));
        for origin in [
            Some("http://localhost:9090"),
            Some("http://127.0.0.1:8080"),
            Some("https://localhost:8080"),
            Some("http://evil.example"),
            Some("null"),
            None,
        ] {
            assert_eq!(check(origin), Err(Refusal::Origin), "{origin:?}");
        }
    }

    #[test]
    fn the_network_wants_the_token() {
        let check = |token| network().check(Some("192.0.2.7:8080"), None, token, false);
        assert_eq!(check(Some("b7c1")), Ok(()));
        for token in [None, Some(""), Some("b7c"), Some("b7c2"), Some("b7c11")] {
            assert_eq!(check(token), Err(Refusal::Token), "{token:?}");
        }
    }

    #[test]
    fn a_page_elsewhere_only_looks_if_asked_so() {
        let (here, there) = ("127.0.0.1".parse().unwrap(), "192.0.2.9".parse().unwrap());
        let here_mapped = "::ffff:127.0.0.1".parse().unwrap();
        assert!(network().only_looks(there) && !network().only_looks(here));
        assert!(!network().only_looks(here_mapped) && !local().only_looks(there));
    }
}
