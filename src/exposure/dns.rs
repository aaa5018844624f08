//! What resolvers tell of a public name.

use std::collections::BTreeSet;
use std::io;
use std::net::IpAddr;
use std::time::Duration;

use futures_util::future::join_all;
use hickory_proto::op::{Message, ResponseCode};
use hickory_proto::rr::RecordType as WireType;
use tokio::time::{Instant, timeout};

use super::allowed::Permit;
use super::masked::Told;
use crate::clock::Timestamp;
use crate::dns::message::{query, seal, wire_name};
use crate::dns::tcp::Link;
use crate::name::DnsName;
use crate::watch::http::root_cause;

/// What each of `resolvers` tells of the addresses of `name`, in both families.
pub(super) async fn ask_all(resolvers: impl Iterator<Item = Permit>, name: &DnsName, patience: Duration) -> Vec<Told> {
    join_all(resolvers.map(async |resolver| {
        let addresses = match timeout(patience, ask(resolver, name, Instant::now() + patience)).await {
            Ok(Ok(addresses)) => Ok(addresses),
            Ok(Err(error)) => Err(root_cause(&error)),
            Err(_) => Err("no answer in time".to_owned()),
        };
        let at = resolver.address();
        let source = if at.port() == 53 { at.ip().to_string() } else { at.to_string() };
        Told { source, addresses }
    }))
    .await
}

async fn ask(resolver: Permit, name: &DnsName, deadline: Instant) -> io::Result<BTreeSet<IpAddr>> {
    let mut link = Link::open(&resolver.address().to_string(), deadline).await?;
    let mut found = BTreeSet::new();
    for rtype in [WireType::A, WireType::AAAA] {
        let mut question = query(wire_name(name).map_err(io::Error::other)?, rtype);
        question.metadata.recursion_desired = true;
        let sent = seal(question, fastrand::u16(..), None, Timestamp::default()).map_err(io::Error::other)?;
        link.send(&sent.wire).await?;
        let raw = link.receive().await?;
        let answer = Message::from_vec(&raw).map_err(io::Error::other)?;
        if answer.metadata.id != sent.id || answer.queries.first() != sent.question.as_ref() {
            return Err(io::Error::other("what came is not an answer to the question"));
        }
        match answer.metadata.response_code {
            ResponseCode::NoError | ResponseCode::NXDomain => {}
            code => return Err(io::Error::other(code.to_string())),
        }
        found.extend(
            answer.answers.iter().filter(|record| record.record_type() == rtype).filter_map(|r| r.data.ip_addr()),
        );
    }
    Ok(found)
}
