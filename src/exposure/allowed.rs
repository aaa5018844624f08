//! Who may be asked. The one place that says so: an address comes out of here as a [`Permit`], and nothing in this room
//! opens a connection without one.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, SocketAddr};

use reqwest::Url;

use super::home::Home;
use crate::address::set::AddressSet;
use crate::confirm::Server;
use crate::settings::{Exposure, Front, Service};

/// Who may be asked: what the configuration names, and the home itself.
#[derive(Clone, Debug)]
pub(crate) struct Allowed<'a> {
    exposure: &'a Exposure,
    edges: &'a Edges,
    /// The home's own addresses, exactly: what else is behind its prefix may be a guest's.
    home: BTreeSet<IpAddr>,
}

/// The ranges of each `[[edge]]` that are in force, or why there are none.
pub(crate) type Edges = BTreeMap<String, Result<AddressSet, String>>;

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
    pub(crate) fn new(exposure: &'a Exposure, edges: &'a Edges, home: &Home) -> Self {
        Self { exposure, edges, home: home.now().collect() }
    }

    /// The ranges of the edge in front of `service`, or why they are not known; `None` when nothing is in front.
    pub(crate) fn edge(&self, service: &'a Service) -> Option<Result<&'a AddressSet, &'a str>> {
        Some(match service.front.as_ref()? {
            Front::Ranges(ranges) => Ok(ranges),
            Front::Edge(name) => match self.edges.get(name) {
                Some(known) => known.as_ref().map_err(String::as_str),
                None => Err("the edge is not configured"),
            },
        })
    }

    /// The resolvers that are configured.
    pub(crate) fn resolvers(&self) -> impl Iterator<Item = Permit> + '_ {
        self.exposure.resolvers.iter().copied().map(Permit)
    }

    /// Where a server of a zone is asked: `confirm` finds those of configured zones only.
    pub(crate) fn server(&self, server: &Server) -> Vec<Permit> {
        server.addresses.iter().copied().map(Permit).collect()
    }

    /// Where the origin of a configured service listens.
    pub(crate) fn origin(&self, service: &Service) -> Option<Permit> {
        self.exposure.services.contains(service).then_some(Permit(service.origin))
    }

    /// The helper that is configured.
    pub(crate) fn helper(&self) -> Option<&'a Url> {
        self.exposure.helper.as_ref()
    }

    /// `address`, which a public name leads to, at the service's own port: only if it is the edge's or the home's.
    pub(crate) fn public(&self, service: &'a Service, address: IpAddr) -> Option<Permit> {
        let is_edge = matches!(self.edge(service), Some(Ok(edge)) if edge.contains(address));
        let is_known = self.exposure.services.contains(service);
        (is_known && (is_edge || self.home.contains(&address.to_canonical())))
            .then(|| Permit((address, service.port).into()))
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::{Allowed, Edges, Permit};
    use crate::exposure::home::Home;
    use crate::name::DnsName;
    use crate::settings::{Exposure, Front, Service};

    fn service(name: &str, edge: &[&str]) -> Service {
        let ranges = || edge.iter().map(|range| range.parse::<ipnet::IpNet>().unwrap());
        Service {
            name: DnsName::parse(name).unwrap(),
            front: match edge {
                [] => None,
                ["weir"] => Some(Front::Edge("weir".to_owned())),
                _ => Some(Front::Ranges(ranges().collect())),
            },
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
            router: None,
            open: Vec::new(),
            services: vec![
                service("gauge.heronmill.example", &["198.51.100.64/28"]),
                service("door.heronmill.example", &[]),
                service("mill.heronmill.example", &["weir"]),
            ],
        }
    }

    #[test]
    fn only_what_is_the_edges_or_the_homes_is_asked() {
        let exposure = exposure();
        let home = Home::new(["203.0.113.77".parse().unwrap(), "2001:db8:5::77".parse().unwrap()], 64);
        let weir = |ranges| Edges::from([("weir".to_owned(), ranges)]);
        let edges = weir(Ok(["198.51.100.96/28".parse::<ipnet::IpNet>().unwrap()].into_iter().collect()));
        let allowed = Allowed::new(&exposure, &edges, &home);
        let [masked, direct, by_name] = [0, 1, 2].map(|at| &exposure.services[at]);
        for (service, address, is_allowed) in [
            (masked, "198.51.100.70", true),
            (masked, "203.0.113.77", true),
            (direct, "203.0.113.77", true),
            (direct, "2001:db8:5::77", true),
            // The edge of another service.
            (direct, "198.51.100.70", false),
            (by_name, "198.51.100.97", true),
            (by_name, "198.51.100.70", false),
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
        // While its ranges are not known, nothing is the edge's.
        let edges = weir(Err("not fetched".to_owned()));
        let blind = Allowed::new(&exposure, &edges, &home);
        assert_eq!(blind.public(by_name, "198.51.100.97".parse().unwrap()), None);
        assert_eq!(blind.edge(by_name), Some(Err("not fetched")));
        // What is not configured has no origin and no way in.
        let stray = service("tern.example", &["0.0.0.0/1"]);
        assert_eq!((allowed.origin(&stray), allowed.public(&stray, "203.0.113.77".parse().unwrap())), (None, None));
        assert_eq!(allowed.resolvers().count(), 2);
        assert_eq!(allowed.helper(), None);
    }
}
