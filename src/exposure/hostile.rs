//! What must hold of certificates and of the records of a zone, whatever stands in them. No part of the program.

use std::net::IpAddr;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;

use super::certificate::{self, Roots};
use super::home::Home;
use super::leaks::{Leak, Open, leaks};
use crate::clock::Timestamp;
use crate::name::DnsName;
use crate::provider::listing::{Part, ZoneRecord};

/// A certificate as a server sends it, in DER; or in PEM, as a file has it.
pub fn certificate(data: &[u8]) -> bool {
    let Ok(name) = DnsName::parse("gauge.heronmill.example") else { return false };
    let now = Timestamp::parse("2026-11-24T08:14:31Z").unwrap_or_default();
    let pem: Vec<CertificateDer<'static>> = CertificateDer::pem_slice_iter(data).flatten().collect();
    let der = vec![CertificateDer::from(data.to_vec())];
    let mut read = false;
    for chain in [pem, der] {
        // Its own word is enough here: what is looked at is whether it can be read.
        let roots = Roots::new(chain.clone(), false);
        let Ok(seen) = certificate::read(&chain, &roots, now) else { continue };
        read = true;
        let finding = certificate::judge(&name, &seen, now);
        assert!(!finding.seen.is_empty() && finding.about == name.as_str());
    }
    read
}

/// The text of a record, SPF or not; also with one of the home's addresses behind it.
pub fn zone_text(data: &[u8]) -> bool {
    let ours = [IpAddr::from([203, 0, 113, 77]), IpAddr::from([0x2001, 0xdb8, 5, 0, 0, 0, 0, 0x77])];
    let home = Home::new(ours, 64);
    let read = |text: String| -> Vec<Leak> {
        let name = "heronmill.example".to_owned();
        let weir = ZoneRecord { name: format!("weir.{name}"), rtype: "A".into(), data: vec![Part::Address(ours[0])] };
        let open = Open { quiet: [weir.name.clone()].into(), ..Open::default() };
        let found =
            leaks(&[weir, ZoneRecord { name, rtype: "TXT".into(), data: vec![Part::Text(text)] }], &home, &open);
        assert!(found.iter().all(|leak| leak.rtype == "TXT" && home.whose(leak.address).is_some()));
        found
    };
    let text = String::from_utf8_lossy(data);
    for (term, address) in ["ip4", "ip6"].into_iter().zip(ours) {
        let found = read(format!("{text} {term}:{address} "));
        assert!(found.iter().any(|leak| leak.address == address), "{text:?} hides {address}");
    }
    !read(text.into_owned()).is_empty()
}
