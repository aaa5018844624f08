//! Asking the servers of a zone what they serve: all at once, each name of each wave, until the first that is not there.

use std::collections::BTreeMap;
use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use hickory_proto::ProtoError;
use hickory_proto::op::{Message, ResponseCode};
use hickory_proto::rr::{Name, RecordType as WireType};
use tokio::task::JoinSet;
use tokio::time::timeout;

use super::propagation::{Errand, Heard, Question};
use super::{PATIENCE, Server};
use crate::audit::propagation::{Awaited, Why};
use crate::dns::answer;
use crate::dns::message::{query, wire_name, wire_type};
use crate::dns::udp::Asker;
use crate::name::DnsName;

/// The longest that one server is asked in one pass, however much there is to ask.
const PASS: Duration = Duration::from_secs(60);
/// Questions under way at once to one server.
const WINDOW: usize = 16;

/// What each of `servers` says to the questions that it has not answered well yet.
pub(super) async fn all(asker: &Arc<Asker>, zone: &DnsName, servers: Vec<Server>, errand: &Errand) -> Vec<Heard> {
    let mut asking = JoinSet::new();
    for (at, server) in servers.iter().cloned().enumerate() {
        let waves = errand.waves.iter().filter(|wave| !wave.serving.contains(&server.name)).cloned().collect();
        let (asker, zone) = (Arc::clone(asker), zone.clone());
        asking.spawn(async move { (at, timeout(PASS, one(&asker, &zone, server, waves)).await) });
    }
    let mut heard: Vec<Option<Heard>> = vec![None; servers.len()];
    while let Some(done) = asking.join_next().await {
        if let Ok((at, Ok(one))) = done {
            heard[at] = Some(one);
        }
    }
    let silent = |server: Server| {
        let waves = errand.waves.iter().filter(|wave| !wave.serving.contains(&server.name));
        let waves = waves.map(|wave| (wave.intent, Err(Why::NoAnswer))).collect();
        Heard { server, serial: None, waves }
    };
    heard.into_iter().zip(servers).map(|(heard, server)| heard.unwrap_or_else(|| silent(server))).collect()
}

async fn one(asker: &Arc<Asker>, zone: &DnsName, mut server: Server, waves: Vec<Question>) -> Heard {
    let same = |why: Why| waves.iter().map(|wave| (wave.intent, Err(why))).collect::<BTreeMap<_, _>>();
    if waves.is_empty() {
        return Heard { server, serial: None, waves: BTreeMap::new() };
    }
    let Ok(zone) = wire_name(zone) else { return Heard { server, serial: None, waves: same(Why::Error) } };
    let (at, first) = match reach(asker, &zone, &server).await {
        Ok(reached) => reached,
        Err(why) => return Heard { waves: same(why), server, serial: None },
    };
    server.addresses[..=at].rotate_right(1);
    let address = server.addresses[0];
    if let Err(why) = authority(&first) {
        return Heard { waves: same(why), server, serial: None };
    }
    let mut serial = answer::serial(&zone, &first);
    let mut told = BTreeMap::new();
    for wave in &waves {
        told.insert(wave.intent, serves(asker, address, &wave.records).await);
    }
    // Where it has moved on meanwhile, its serial has too.
    if told.values().any(Result::is_ok)
        && let Ok(again) = asker.ask(address, &query(zone.clone(), WireType::SOA), PATIENCE).await
    {
        serial = answer::serial(&zone, &again).or(serial);
    }
    Heard { server, serial, waves: told }
}

/// The first of the server's addresses that answers at all, and its answer for the zone's SOA.
async fn reach(asker: &Asker, zone: &Name, server: &Server) -> Result<(usize, Message), Why> {
    for (at, address) in server.addresses.iter().enumerate() {
        match asker.ask(*address, &query(zone.clone(), WireType::SOA), PATIENCE).await {
            Ok(answer) => return Ok((at, answer)),
            Err(error) => tracing::debug!("{} ({address}): {error}", server.name),
        }
    }
    Err(if server.addresses.is_empty() { Why::NoAddress } else { Why::NoAnswer })
}

/// Whether the server speaks for the zone.
pub(super) fn authority(answer: &Message) -> Result<(), Why> {
    match answer.metadata.response_code {
        ResponseCode::NoError | ResponseCode::NXDomain if answer.metadata.authoritative => Ok(()),
        ResponseCode::NoError | ResponseCode::NXDomain => Err(Why::NoAuthority),
        ResponseCode::Refused => Err(Why::Refused),
        ResponseCode::ServFail => Err(Why::ServerFailure),
        _ => Err(Why::Error),
    }
}

/// Whether `answer` shows that `awaited` is served.
fn judge(awaited: &Awaited, name: &Name, message: &Message) -> Result<(), Why> {
    authority(message)?;
    if awaited.is(answer::addresses(name, awaited.rtype, message).as_ref()) { Ok(()) } else { Err(Why::OldData) }
}

/// Whether the server at `address` serves all of `records`. Asks no further than the first that it does not.
async fn serves(asker: &Arc<Asker>, address: SocketAddr, records: &Arc<[Awaited]>) -> Result<(), Why> {
    let questions = records.iter().map(question).collect::<Result<Vec<_>, _>>().map_err(|_| Why::Error)?;
    let mut truncated = Vec::new();
    let mut asking = JoinSet::new();
    let mut todo = questions.iter().enumerate();
    loop {
        while asking.len() < WINDOW
            && let Some((at, (_, message))) = todo.next()
        {
            let (asker, message) = (Arc::clone(asker), message.clone());
            asking.spawn(async move { (at, asker.by_udp(address, &message, PATIENCE).await) });
        }
        let Some(done) = asking.join_next().await else { break };
        let (at, answered) = done.map_err(|_| Why::NoAnswer)?;
        match answered {
            Ok(message) if message.metadata.truncation => truncated.push(at),
            Ok(message) => judge(&records[at], &questions[at].0, &message)?,
            Err(error) => return Err(no_answer(address, &error)),
        }
    }
    if truncated.is_empty() {
        return Ok(());
    }
    let again: Vec<Message> = truncated.iter().map(|at| questions[*at].1.clone()).collect();
    let answers = asker.by_tcp(address, &again, PATIENCE).await.map_err(|error| no_answer(address, &error))?;
    truncated.iter().zip(&answers).try_for_each(|(at, message)| judge(&records[*at], &questions[*at].0, message))
}

fn no_answer(address: SocketAddr, error: &io::Error) -> Why {
    tracing::debug!("{address}: {error}");
    Why::NoAnswer
}

fn question(awaited: &Awaited) -> Result<(Name, Message), ProtoError> {
    let name = wire_name(&awaited.name)?;
    Ok((name.clone(), query(name, wire_type(awaited.rtype))))
}

#[cfg(test)]
mod tests;
