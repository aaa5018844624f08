//! Who may be asked. The one place that says so: an address comes out of here as a [`Permit`], and nothing in this room
//! opens a connection without one.

use std::collections::BTreeSet;
use std::net::{IpAddr, SocketAddr};

use reqwest::Url;

use super::home::Home;
use crate::config::{Exposure, Service};
use crate::confirm::Server;

/// Who may be asked: what the configuration names, and the home itself.
#[derive(Clone, Debug)]
pub struct Allowed<'a> {
    exposure: &'a Exposure,
    /// The home's own addresses, exactly: what else is behind its prefix may be a guest's.
    home: BTreeSet<IpAddr>,
}

/// An address that may be asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Permit(SocketAddr);

impl Permit {
    /// The address.
    pub fn address(self) -> SocketAddr {
        self.0
    }
}

impl<'a> Allowed<'a> {
    /// By this configuration, for this home.
    pub fn new(exposure: &'a Exposure, home: &Home) -> Self {
        Self { exposure, home: home.now().collect() }
    }

    /// The resolvers that are configured.
    pub fn resolvers(&self) -> impl Iterator<Item = Permit> + '_ {
        self.exposure.resolvers.iter().copied().map(Permit)
    }

    /// Where a server of a zone is asked: `confirm` finds those of configured zones only.
    pub(crate) fn server(&self, server: &Server) -> Vec<Permit> {
        server.addresses().iter().copied().map(Permit).collect()
    }

    /// Where the origin of a configured service listens.
    pub fn origin(&self, service: &Service) -> Option<Permit> {
        self.exposure.services.contains(service).then_some(Permit(service.origin))
    }

    /// The helper that is configured.
    pub fn helper(&self) -> Option<&'a Url> {
        self.exposure.helper.as_ref()
    }

    /// `address`, which a public name leads to, at the service's own port: only if it is the edge's or the home's.
    pub fn public(&self, service: &Service, address: IpAddr) -> Option<Permit> {
        let is_edge = service.edge.as_ref().is_some_and(|edge| edge.contains(address));
        let is_known = self.exposure.services.contains(service);
        (is_known && (is_edge || self.home.contains(&address.to_canonical())))
            .then(|| Permit((address, service.port).into()))
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::{Allowed, Permit};
    use crate::config::{Exposure, Service};
    use crate::exposure::home::Home;
    use crate::name::DnsName;

    fn service(name: &str, edge: &[&str]) -> Service {
        let ranges = edge.iter().map(|range| range.parse::<ipnet::IpNet>().unwrap());
        Service {
            name: DnsName::parse(name).unwrap(),
            edge: (!edge.is_empty()).then(|| ranges.collect()),
            port: 443,
            origin: "192.168.1.10:8443".parse().unwrap(),
            ca: None,
        }
    }

    fn exposure() -> Exposure {
        Exposure {
            every: Duration::from_secs(3600),
            resolvers: vec!["192.0.2.53:53".parse().unwrap(), "198.51.100.53:53".parse().unwrap()],
            helper: None,
            open: Vec::new(),
            services: vec![
                service("gauge.heronmill.example", &["198.51.100.64/28"]),
                service("door.heronmill.example", &[]),
            ],
        }
    }

    #[test]
    fn only_what_is_the_edges_or_the_homes_is_asked() {
        let exposure = exposure();
        let home = Home::new(["203.0.113.77".parse().unwrap(), "2001:db8:5::77".parse().unwrap()], 64);
        let allowed = Allowed::new(&exposure, &home);
        let [masked, direct] = [&exposure.services[0], &exposure.services[1]];
        for (service, address, is_allowed) in [
            (masked, "198.51.100.70", true),
            (masked, "203.0.113.77", true),
            (direct, "203.0.113.77", true),
            (direct, "2001:db8:5::77", true),
            // The edge of another service.
            (direct, "198.51.100.70", false),
            // Past the end of the range, a stranger, a neighbour behind the same prefix, this machine, the metadata address of
            // many hosting networks (common practice, no source).
            (masked, "198.51.100.80", false),
            (masked, "203.0.113.78", false),
            (direct, "2001:db8:5::78", false),
            (masked, "127.0.0.1", false),
            (direct, "169.254.169.254", false),
            (masked, "192.168.1.10", false),
        ] {
            let permit = allowed.public(service, address.parse().unwrap());
            assert_eq!(permit.is_some(), is_allowed, "{} {address}", service.name);
            assert!(permit.is_none_or(|permit| permit.address().port() == 443));
        }
        assert_eq!(allowed.origin(masked), Some(Permit("192.168.1.10:8443".parse().unwrap())));
        // What is not configured has no origin and no way in.
        let stray = service("tern.example", &["0.0.0.0/1"]);
        assert_eq!((allowed.origin(&stray), allowed.public(&stray, "203.0.113.77".parse().unwrap())), (None, None));
        assert_eq!(allowed.resolvers().count(), 2);
        assert_eq!(allowed.helper(), None);
    }
}
