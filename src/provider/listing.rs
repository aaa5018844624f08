//! Everything that stands in a zone, as far as an address can be read from it. Pure.

use std::net::IpAddr;

use hickory_proto::rr::rdata::svcb::{SVCB, SvcParamValue};
use hickory_proto::rr::{Name, RData, Record};

/// One record of a zone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneRecord {
    /// Its owner: lower case, without the final dot, octets other than letters, digits, `-`, `_` and `*` escaped.
    pub name: String,
    /// Its type, as master files have it.
    pub rtype: String,
    /// What its data leads to.
    pub data: Data,
}

/// What the data of a record leads to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Data {
    /// An address: A and AAAA.
    Address(IpAddr),
    /// A name, in the form of the owner's: CNAME, NS, MX, SRV, and their like.
    Name(String),
    /// A name, and addresses beside it: SVCB and HTTPS (RFC 9460, section 7.3).
    Service {
        /// The target; that of the owner itself where the record says `.` (RFC 9460, section 2.5.2).
        target: String,
        /// The hints of both families.
        hints: Vec<IpAddr>,
    },
    /// Text, several strings of it joined: TXT (RFC 1035, section 3.3.14), and all that is not known better.
    Text(String),
}

impl ZoneRecord {
    /// A record of a zone transfer.
    pub(super) fn from_wire(record: &Record) -> Self {
        let name = text(&record.name);
        let data = match &record.data {
            RData::CNAME(target) => Data::Name(text(&target.0)),
            RData::NS(target) => Data::Name(text(&target.0)),
            RData::PTR(target) => Data::Name(text(&target.0)),
            RData::MX(mx) => Data::Name(text(&mx.exchange)),
            RData::SRV(srv) => Data::Name(text(&srv.target)),
            RData::SVCB(svcb) => service(&name, svcb),
            RData::HTTPS(https) => service(&name, &https.0),
            RData::TXT(txt) => Data::Text(joined(txt.txt_data.iter().map(AsRef::as_ref))),
            RData::Unknown { rdata, .. } => Data::Text(joined([rdata.anything.as_slice()])),
            other => match other.ip_addr() {
                Some(address) => Data::Address(address),
                None => Data::Text(other.to_string()),
            },
        };
        Self { name, rtype: record.record_type().to_string(), data }
    }
}

fn service(owner: &str, svcb: &SVCB) -> Data {
    let mut hints = Vec::new();
    for (_, value) in &svcb.svc_params {
        match value {
            SvcParamValue::Ipv4Hint(hint) => hints.extend(hint.0.iter().map(|a| IpAddr::V4(a.0))),
            SvcParamValue::Ipv6Hint(hint) => hints.extend(hint.0.iter().map(|a| IpAddr::V6(a.0))),
            _ => {}
        }
    }
    let target = if svcb.target_name.is_root() { owner.to_owned() } else { text(&svcb.target_name) };
    Data::Service { target, hints }
}

fn joined<'a>(strings: impl IntoIterator<Item = &'a [u8]>) -> String {
    strings.into_iter().map(String::from_utf8_lossy).collect()
}

/// In the form of the owner's: see [`ZoneRecord::name`].
fn text(name: &Name) -> String {
    let mut text = String::new();
    for label in name.iter() {
        if !text.is_empty() {
            text.push('.');
        }
        for octet in label {
            match octet.to_ascii_lowercase() {
                plain @ (b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'*') => text.push(char::from(plain)),
                other => text.push_str(&format!("\\{other:03}")),
            }
        }
    }
    text
}
