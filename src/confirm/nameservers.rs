//! Finding the servers of a zone: as the configuration lists them, or as the zone above delegates it.
//!
//! As resolvers do it: a recursive resolver tells the zone above and its servers; one of these is asked for the
//! delegation, which is what the world follows; names without an address there are resolved.

use std::collections::BTreeSet;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::path::Path;

use hickory_proto::op::{Message, ResponseCode};
use hickory_proto::rr::{Name, RecordType as WireType};
use tokio::net::lookup_host;
use tokio::time::timeout;

use super::delegation::{self, ADDRESSES, Undelegated};
use super::{Lost, PATIENCE, Server};
use crate::dns::message::{query, wire_name};
use crate::dns::udp::Asker;
use crate::files::{self, Errand};
use crate::name::DnsName;
use crate::settings::Confirm;

/// Where DNS is served (RFC 1035, section 4.2).
const PORT: u16 = 53;
/// Servers of the zone above that are tried, and addresses of each.
const PARENTS: usize = 4;
/// Which resolvers this machine uses.
const RESOLV_CONF: &str = "/etc/resolv.conf";

fn lost(why: String) -> Lost {
    Lost { why, passing: false }
}

fn passing(why: String) -> Lost {
    Lost { why, passing: true }
}

/// The servers of `zone`, never none; by `resolver`, or those of this machine.
pub(super) async fn servers(
    asker: &Asker,
    zone: &DnsName,
    confirm: &Confirm,
    resolver: Option<SocketAddr>,
) -> Result<Vec<Server>, Lost> {
    match confirm {
        Confirm::Off => Err(lost("it is not to be asked".to_owned())),
        Confirm::Servers(listed) => {
            let mut servers = Vec::new();
            for server in listed {
                servers.push(Server { name: server.clone(), addresses: system(server).await });
            }
            Ok(servers)
        }
        Confirm::Delegation => {
            let resolvers = match resolver {
                Some(resolver) => vec![resolver],
                None => system_resolvers(),
            };
            let zone = wire_name(zone).map_err(|error| lost(error.to_string()))?;
            Search { asker, resolvers }.delegated(&zone).await
        }
    }
}

/// The addresses of `server` (`host:port`), by the system; none when it has none now.
async fn system(server: &str) -> Vec<SocketAddr> {
    match timeout(PATIENCE, lookup_host(server)).await {
        Ok(Ok(found)) => found.take(ADDRESSES).collect(),
        _ => Vec::new(),
    }
}

fn system_resolvers() -> Vec<SocketAddr> {
    // A missing file means this machine, resolv.conf(5).
    let text = files::read(Path::new(RESOLV_CONF), Errand::Read, 1 << 20).unwrap_or_default();
    let text = String::from_utf8_lossy(&text);
    delegation::resolvers(&text).into_iter().map(|address| (address, PORT).into()).collect()
}

struct Search<'a> {
    asker: &'a Asker,
    resolvers: Vec<SocketAddr>,
}

impl Search<'_> {
    async fn delegated(&self, zone: &Name) -> Result<Vec<Server>, Lost> {
        let above = zone.base_name();
        let told = self.resolve(&above, WireType::SOA).await?;
        let parent = delegation::enclosing(&above, &told)
            .ok_or_else(|| lost(format!("{} does not tell which zone is above {}", self.label(), text(zone))))?;
        let names = delegation::nameservers(&parent, &self.resolve(&parent, WireType::NS).await?);
        let mut why = format!("{} names no server of {}, the zone above", self.label(), text(&parent));
        for name in names.iter().take(PARENTS) {
            for address in self.addresses(name).await.into_iter().take(PARENTS) {
                let question = query(zone.clone(), WireType::NS);
                match self.asker.ask((address, PORT).into(), &question, PATIENCE).await {
                    Ok(answer) => match delegation::delegation(zone, &parent, &answer) {
                        Ok(found) => return Ok(self.with_addresses(found).await),
                        Err(Undelegated::NoSuchZone) => {
                            let (zone, parent) = (text(zone), text(&parent));
                            return Err(lost(format!("{parent}, the zone above, does not delegate {zone}")));
                        }
                        Err(Undelegated::NoAnswer) => {
                            why = format!("{} ({address}) does not tell who serves {}", text(name), text(zone));
                        }
                    },
                    Err(error) => why = format!("{} ({address}) does not answer: {error}", text(name)),
                }
            }
        }
        Err(passing(why))
    }

    async fn with_addresses(&self, found: delegation::Servers) -> Vec<Server> {
        let mut servers = Vec::new();
        for (name, mut addresses) in found {
            if addresses.is_empty() {
                addresses = self.addresses(&name).await;
            }
            // IPv4 first, which most homes have; the one that answers is first next time.
            let addresses = addresses.into_iter().take(ADDRESSES).map(|address| (address, PORT).into()).collect();
            servers.push(Server { name: text(&name), addresses });
        }
        servers
    }

    /// The addresses of `name` in both families, as far as they can be had.
    async fn addresses(&self, name: &Name) -> BTreeSet<IpAddr> {
        let mut found = BTreeSet::new();
        for rtype in [WireType::A, WireType::AAAA] {
            if let Ok(answer) = self.resolve(name, rtype).await {
                found.extend(delegation::addresses(&answer));
            }
        }
        found
    }

    /// The answer of the first resolver that has one.
    async fn resolve(&self, name: &Name, rtype: WireType) -> Result<Message, Lost> {
        let mut question = query(name.clone(), rtype);
        question.metadata.recursion_desired = true;
        let mut last = io::Error::other("no resolver is configured");
        for resolver in &self.resolvers {
            match self.asker.ask(*resolver, &question, PATIENCE).await {
                Ok(answer) => match answer.metadata.response_code {
                    // That there is no such name is told with the zone that would have it (RFC 2308, section 2.1).
                    ResponseCode::NoError | ResponseCode::NXDomain => return Ok(answer),
                    code => last = io::Error::other(format!("{code}")),
                },
                Err(error) => last = error,
            }
        }
        Err(passing(format!("{} does not resolve {rtype} of {}: {last}", self.label(), text(name))))
    }

    fn label(&self) -> String {
        let all: Vec<String> = self.resolvers.iter().map(|resolver| resolver.ip().to_string()).collect();
        format!("the resolver {}", all.join(" or "))
    }
}

fn text(name: &Name) -> String {
    delegation::text(name)
}
