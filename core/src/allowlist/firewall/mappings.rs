//! The port mappings that a router tells over UPnP. Pure.

use std::net::{IpAddr, Ipv4Addr};

use super::{Doubt, LetIn, Way};
use crate::address::set::AddressSet;
use crate::watch::router::igd::xml::Mapping;

/// Whom `mappings` let in to the TCP port `port`. One without a remote host is for everybody; all of them are for IPv4
/// (WANIPConnection:1, section 2.2.18).
pub fn let_in(mappings: &[Mapping], port: u16) -> LetIn {
    let everybody = AddressSet::from((IpAddr::from([0; 4]), IpAddr::from([u8::MAX; 4])));
    let mut let_in = LetIn::default();
    for mapping in mappings {
        // Port 0 stands for all that no other mapping is about (section 2.2.19 there).
        if !mapping.enabled || !mapping.is_tcp || (mapping.port != port && mapping.port != 0) {
            continue;
        }
        let by = format!("the router's port mapping {:?} to {}", mapping.description, mapping.client);
        let one = match mapping.remote.as_str() {
            "" | "*" | "0.0.0.0" => LetIn { ways: vec![Way { set: everybody.clone(), by }], ..LetIn::default() },
            remote => match remote.parse::<Ipv4Addr>() {
                Ok(address) => LetIn { ways: vec![Way { set: IpAddr::from(address).into(), by }], ..LetIn::default() },
                // A name, perhaps: whom it means is not known here.
                Err(_) => {
                    let why = format!("its remote host is {}", crate::text::excerpt(remote.as_bytes()));
                    LetIn { doubts: vec![Doubt { set: everybody.clone(), by, why }], ..LetIn::default() }
                }
            },
        };
        let_in.join(one);
    }
    let_in
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mapping(remote: &str, port: u16, description: &str) -> Mapping {
        Mapping {
            remote: remote.into(),
            port,
            is_tcp: true,
            enabled: true,
            client: "192.168.77.10:8443".into(),
            description: description.into(),
        }
    }

    #[test]
    fn a_mapping_without_a_remote_host_is_for_everybody() {
        let count = |mappings: &[Mapping]| let_in(mappings, 443).ways.iter().map(|way| way.set.count()).sum::<u128>();
        for (mapping, want) in [
            (mapping("", 443, "gauge"), 1 << 32),
            (mapping("*", 443, "gauge"), 1 << 32),
            (mapping("", 0, "all"), 1 << 32),
            (mapping("192.0.2.7", 443, "gauge"), 1),
            (mapping("", 80, "gauge"), 0),
            (Mapping { is_tcp: false, ..mapping("", 443, "gauge") }, 0),
            (Mapping { enabled: false, ..mapping("", 443, "gauge") }, 0),
        ] {
            assert_eq!(count(std::slice::from_ref(&mapping)), want, "{mapping:?}");
        }
        let both = let_in(&[mapping("192.0.2.7", 443, "a"), mapping("friend.example", 443, "b")], 443);
        assert_eq!(both.ways[0].by, "the router's port mapping \"a\" to 192.168.77.10:8443");
        assert_eq!(both.doubts[0].why, "its remote host is friend.example");
    }
}
