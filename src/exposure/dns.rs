//! What resolvers, or the servers of its zone, tell of a public name.

use std::collections::BTreeSet;
use std::io;
use std::net::IpAddr;
use std::time::Duration;

use futures_util::future::join_all;
use hickory_proto::op::ResponseCode;
use hickory_proto::rr::{RData, RecordType as WireType};

use super::allowed::Permit;
use super::masked::NameAnswer;
use crate::dns::message::{query, wire_name};
use crate::dns::udp::Asker;
use crate::name::DnsName;
use crate::text::root_cause;

/// Who is asked: at the first of its addresses that answers.
pub(super) struct Source {
    pub(super) name: String,
    pub(super) at: Vec<Permit>,
    /// Whether it looks for the answer elsewhere; else it is a server of the name's zone.
    pub(super) is_resolver: bool,
}

/// What each of `sources` tells of the addresses of `name`, in both families. One question may take as long as `patience`.
pub(super) async fn ask_all(sources: Vec<Source>, name: &DnsName, patience: Duration) -> Vec<NameAnswer> {
    let asker = Asker::new();
    let ask = async |source: Source| {
        let mut addresses = Err("it has no address".to_owned());
        for at in &source.at {
            addresses = ask(&asker, *at, source.is_resolver, name, patience).await.map_err(|error| root_cause(&error));
            if addresses.is_ok() {
                break;
            }
        }
        NameAnswer { source: source.name, addresses }
    };
    join_all(sources.into_iter().map(ask)).await
}

async fn ask(
    asker: &Asker,
    at: Permit,
    is_resolver: bool,
    name: &DnsName,
    patience: Duration,
) -> io::Result<BTreeSet<IpAddr>> {
    let mut found = BTreeSet::new();
    for rtype in [WireType::A, WireType::AAAA] {
        let mut question = query(wire_name(name).map_err(io::Error::other)?, rtype);
        question.metadata.recursion_desired = is_resolver;
        let answer = asker.ask(at.address(), &question, patience).await?;
        match answer.metadata.response_code {
            ResponseCode::NoError | ResponseCode::NXDomain if is_resolver || answer.metadata.authoritative => {}
            ResponseCode::NoError | ResponseCode::NXDomain => {
                return Err(io::Error::other("it is no authority for the name (RFC 1035, 4.1.1)"));
            }
            code => return Err(io::Error::other(code.to_string())),
        }
        let ours = answer.answers.iter().filter(|record| record.record_type() == rtype);
        let before = found.len();
        found.extend(ours.filter_map(|record| record.data.ip_addr()));
        let alias = answer.answers.iter().find(|record| matches!(record.data, RData::CNAME(_)));
        if let Some(alias) = alias.filter(|_| !is_resolver && found.len() == before)
            && let RData::CNAME(target) = &alias.data
        {
            // An alias within the zone that has no address of one family looks the same, and only resolvers know better.
            let target = target.0.to_lowercase().to_ascii();
            return Err(io::Error::other(format!(
                "a CNAME leads on to {target}: list resolvers in `exposure.resolvers`, which follow it"
            )));
        }
    }
    Ok(found)
}
