//! What must hold of certificates, whatever stands in them. No part of the program.

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;

use super::certificate::{self, Roots};
use crate::clock::Timestamp;
use crate::name::DnsName;

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
