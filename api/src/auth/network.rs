//! Where a request comes from, as far as limits are concerned.

use std::net::{IpAddr, Ipv6Addr};

use actix_web::http::header::HeaderMap;
use ipnet::IpNet;

/// Which header a trusted proxy appends the address of its client to. Only one is looked at: a proxy passes the
/// other on as the client sent it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProxyHeader {
    /// `X-Forwarded-For`, common practice.
    XForwardedFor,
    /// `Forwarded` (RFC 7239).
    Forwarded,
}

/// Proxies in front of the service.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proxies {
    /// Addresses from which the header is believed.
    pub trusted: Vec<IpNet>,
    /// The header that they append to.
    pub header: ProxyHeader,
}

impl Proxies {
    /// No proxy: whoever is connected is the client.
    pub fn none() -> Proxies {
        Proxies { trusted: Vec::new(), header: ProxyHeader::XForwardedFor }
    }

    /// The client's address: the peer's own, unless that is a trusted proxy; then the right-most address in its
    /// header that is none. What stands left of it the client may have written itself.
    pub fn client(&self, peer: IpAddr, headers: &HeaderMap) -> IpAddr {
        let mut client = peer.to_canonical();
        if !self.trusts(client) {
            return client;
        }
        for named in self.named(headers).iter().rev() {
            // What is no address ends the chain: nothing left of it can be believed.
            let Some(address) = address(named) else { break };
            client = address;
            if !self.trusts(client) {
                break;
            }
        }
        client
    }

    fn trusts(&self, address: IpAddr) -> bool {
        self.trusted.iter().any(|network| network.contains(&address))
    }

    /// The addresses in the header, from the client to the nearest proxy.
    fn named(&self, headers: &HeaderMap) -> Vec<String> {
        let name = match self.header {
            ProxyHeader::XForwardedFor => "x-forwarded-for",
            ProxyHeader::Forwarded => "forwarded",
        };
        let values = headers.get_all(name).filter_map(|value| value.to_str().ok());
        let elements = values.flat_map(|value| value.split(','));
        match self.header {
            ProxyHeader::XForwardedFor => elements.map(|element| element.trim().to_owned()).collect(),
            ProxyHeader::Forwarded => elements.map(forwarded_for).collect(),
        }
    }
}

/// The `for` of one element of `Forwarded`; empty when it has none.
fn forwarded_for(element: &str) -> String {
    let pairs = element.split(';').filter_map(|pair| pair.trim().split_once('='));
    let node = pairs.into_iter().find(|(name, _)| name.eq_ignore_ascii_case("for"));
    node.map(|(_, value)| value.trim_matches('"').to_owned()).unwrap_or_default()
}

/// An address with or without brackets and port.
fn address(text: &str) -> Option<IpAddr> {
    let bare = match text.strip_prefix('[') {
        Some(rest) => rest.split(']').next()?,
        None if text.matches(':').count() == 1 => text.split(':').next()?,
        None => text,
    };
    bare.parse::<IpAddr>().ok().map(|address| address.to_canonical())
}

/// A network as limits count it: one IPv4 address, or a /64 of IPv6, which is what one household or host is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Network(IpAddr);

impl Network {
    /// Its first address.
    pub fn address(self) -> IpAddr {
        self.0
    }

    /// The network of an address.
    pub fn of(address: IpAddr) -> Network {
        Network(match address.to_canonical() {
            IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX))),
            v4 => v4,
        })
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "tests")]
mod tests {
    use actix_web::http::header::{HeaderName, HeaderValue};

    use super::*;

    fn client(proxies: &Proxies, peer: &str, name: &'static str, values: &[&str]) -> String {
        let mut headers = HeaderMap::new();
        for value in values {
            headers.append(HeaderName::from_static(name), HeaderValue::from_str(value).unwrap());
        }
        proxies.client(peer.parse().unwrap(), &headers).to_string()
    }

    // Addresses are those set aside for documentation, RFC 5737 and RFC 3849.
    fn behind(header: ProxyHeader) -> Proxies {
        Proxies { trusted: vec!["192.0.2.0/24".parse().unwrap(), "2001:db8:1::/48".parse().unwrap()], header }
    }

    #[test]
    fn a_header_is_believed_only_from_a_trusted_proxy() {
        let name = "x-forwarded-for";
        assert_eq!(client(&Proxies::none(), "198.51.100.7", name, &["203.0.113.9"]), "198.51.100.7");
        let proxies = behind(ProxyHeader::XForwardedFor);
        assert_eq!(client(&proxies, "198.51.100.7", name, &["203.0.113.9"]), "198.51.100.7");
        assert_eq!(client(&proxies, "192.0.2.1", name, &["203.0.113.9"]), "203.0.113.9");
        assert_eq!(client(&proxies, "::ffff:192.0.2.1", name, &["203.0.113.9"]), "203.0.113.9");
        assert_eq!(client(&proxies, "192.0.2.1", "forwarded", &["for=203.0.113.9"]), "192.0.2.1");
        assert_eq!(client(&proxies, "192.0.2.1", name, &[]), "192.0.2.1");
    }

    #[test]
    fn the_right_most_address_that_is_no_proxy_counts() {
        let proxies = behind(ProxyHeader::XForwardedFor);
        let of = |values: &[&str]| client(&proxies, "192.0.2.1", "x-forwarded-for", values);
        assert_eq!(of(&["10.9.9.9, 203.0.113.9, 192.0.2.8"]), "203.0.113.9");
        assert_eq!(of(&["10.9.9.9", "203.0.113.9", "192.0.2.8"]), "203.0.113.9");
        assert_eq!(of(&["203.0.113.9, nonsense, 192.0.2.8"]), "192.0.2.8");
        assert_eq!(of(&["203.0.113.9:4711"]), "203.0.113.9");
        assert_eq!(of(&["2001:db8:2::7, [2001:db8:1::1]:443"]), "2001:db8:2::7");
    }

    #[test]
    fn the_standard_header_is_read_too() {
        let proxies = behind(ProxyHeader::Forwarded);
        let of = |values: &[&str]| client(&proxies, "192.0.2.1", "forwarded", values);
        // Examples of RFC 7239, section 4, with our proxies.
        assert_eq!(of(&["For=\"[2001:db8:cafe::17]:4711\""]), "2001:db8:cafe::17");
        assert_eq!(of(&["for=203.0.113.43;proto=http;by=192.0.2.43"]), "203.0.113.43");
        assert_eq!(of(&["for=203.0.113.43, for=198.51.100.17"]), "198.51.100.17");
        assert_eq!(of(&["for=203.0.113.43, for=_hidden"]), "192.0.2.1");
    }

    #[test]
    fn one_network_is_an_address_of_version_4_and_half_of_one_of_version_6() {
        let of = |text: &str| Network::of(text.parse().unwrap());
        assert_ne!(of("203.0.113.9"), of("203.0.113.8"));
        assert_eq!(of("203.0.113.9"), of("::ffff:203.0.113.9"));
        assert_eq!(of("2001:db8::1"), of("2001:db8::ffff:1:2:3"));
        assert_ne!(of("2001:db8::1"), of("2001:db8:0:1::1"));
    }
}
