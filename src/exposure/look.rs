//! Carries the questions out, and hands what comes back to the rules.

use std::collections::{BTreeMap, BTreeSet};
use std::net::IpAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use futures_util::future::join_all;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;

use super::allowed::{Allowed, Edges, Permit};
use super::certificate::{self, Roots, Seen};
use super::home::Home;
use super::leaks::{self, Open};
use super::masked::{self, NameAnswer};
use super::reach::{self, Entry};
use super::tls::{self, Shown, Unseen};
use super::{Check, Finding, Grade, dns, doors, http};
use crate::address::Family;
use crate::address::special::never_from_outside;
use crate::allowlist::compare::Comparison;
use crate::allowlist::{self, AllowlistError, Compared};
use crate::aside::aside;
use crate::audit::chain::Known;
use crate::audit::file::{self, AuditError};
use crate::clock::Timestamp;
use crate::confirm;
use crate::dns::udp::Asker;
use crate::files::{self, Errand};
use crate::name::DnsName;
use crate::provider::Provider;
use crate::provider::listing::{ROOM, ZoneRecord};
use crate::settings::{Config, Edge, Firewall, Gateway, INDEPENDENT, Place, Service};
use crate::text::chain_of;
use crate::watch::router::Router;

/// How long one question may take; a helper needs time to see that nothing answers.
const PATIENCE: Duration = Duration::from_secs(10);

/// How long a resolver or a name server may take.
const ANSWER: Duration = Duration::from_secs(3);

/// The home that is at `settled`, and its earlier addresses by the audit log in `dir`. Writes nothing.
///
/// # Errors
/// The log cannot be read. A line of it that does not hold is told by whoever writes there.
pub fn recall(dir: &Path, settled: impl IntoIterator<Item = IpAddr>, prefix_length: u8) -> Result<Home, AuditError> {
    let mut home = Home::new(settled, prefix_length);
    file::follow(dir, |entry| {
        if let Known::Yes(event) = &entry.event {
            home.remember(entry.time, event);
        }
    })?;
    Ok(home)
}

/// Everything that the outside can see of `home`, check by check: each service of `config`, then the `zones`.
pub async fn look(
    config: &Config,
    zones: &[(DnsName, Arc<dyn Provider>)],
    home: &Home,
    now: Timestamp,
) -> Vec<Finding> {
    let with_edges = config.clone();
    // Some hundred thousand ranges take their time.
    let edges = aside(move || edges(&with_edges)).await;
    let allowed = Allowed::new(&config.exposure, &edges, home);
    let services = &config.exposure.services;
    let is_masked = services.iter().any(|service| service.front.is_some());
    let zones = if is_masked { zones } else { &[] };
    let each = join_all(services.iter().map(|service| one(service, config, &allowed, home, now)));
    let (each, leaks, compared, forwarding) =
        tokio::join!(each, read(zones), compared(config), forwarding(config, &allowed));
    let mut found = Vec::new();
    for (service, mut findings) in services.iter().zip(each) {
        found.append(&mut findings);
        if service.front.is_some()
            && let Some(compared) = &compared
        {
            found.push(doors::allowlist(service.name.as_str(), service.port, compared));
        }
    }
    found.extend(forwarding);
    if is_masked {
        let (records, unread) = leaks;
        let about: BTreeSet<&str> = zones.iter().map(|(zone, _)| zone.as_str()).collect();
        let about = about.into_iter().collect::<Vec<_>>().join(", ");
        let (home, open) = (home.clone(), open(config));
        // A zone may be large.
        let judged = aside(move || {
            let told = leaks::leaks(&records, &home, &open);
            leaks::finding(&about, &told, records.len(), &home, &unread)
        });
        found.push(judged.await);
    }
    found
}

/// The ranges in force of every `[[edge]]`.
fn edges(config: &Config) -> Edges {
    let one = |edge: &Edge| {
        let ranges = match allowlist::kept(config, edge) {
            Ok(Some(kept)) => Ok(kept.set()),
            Ok(None) => Err(AllowlistError::Never(edge.name.clone())),
            Err(error) => Err(error),
        };
        (edge.name.clone(), ranges.map_err(|error| chain_of(&error)))
    };
    config.edges.iter().map(one).collect()
}

/// The firewall, compared port by port; `None` without an `[[edge]]`, whose ranges it could be compared with.
async fn compared(config: &Config) -> Option<Result<BTreeMap<u16, Comparison>, String>> {
    if config.edges.is_empty() {
        return None;
    }
    let by_port = |all: Vec<Compared>| all.into_iter().map(|one| (one.port, one.comparison)).collect();
    Some(allowlist::compare(config).await.map(by_port).map_err(|error| chain_of(&error)))
}

/// The router's port mappings, where it is configured that they are looked at.
async fn forwarding(config: &Config, allowed: &Allowed<'_>) -> Option<Finding> {
    let router = match config.exposure.router? {
        Gateway::Default => Router::new(None, None),
        Gateway::At(address) => Router::new(Some(address), None),
    };
    let told = router.mappings(PATIENCE).await;
    let services = &config.exposure.services;
    let masked: Vec<_> = services.iter().filter_map(|service| Some((service, allowed.edge(service)?.ok()?))).collect();
    // Where the ranges are not known, the check `masked` says so.
    let firewall = config.allowlist.as_ref().and_then(|allowlist| allowlist.firewall.as_ref());
    let filtered = matches!(firewall, Some(Firewall::Nft { service: Place::Here, .. }));
    Some(doors::forwarding(&masked, filtered, &never_from_outside(&config.watch.accept_special), &told))
}

/// The names that may show the home: those of the records are kept on purpose, unless the edge is in front of them.
fn open(config: &Config) -> Open {
    let services = &config.exposure.services;
    let (masked, direct): (Vec<&Service>, Vec<&Service>) = services.iter().partition(|service| service.front.is_some());
    let text = |name: &DnsName| name.as_str().to_owned();
    let is_masked = |name: &&DnsName| masked.iter().any(|service| service.name == **name);
    let kept = config.records.iter().map(|record| &record.name).filter(|name| !is_masked(name));
    Open {
        quiet: kept.chain(&config.exposure.open).map(text).collect(),
        public: direct.iter().map(|service| text(&service.name)).collect(),
    }
}

/// One zone after the other, so that no more than one is on its way; all of them together take no more than [`ROOM`].
async fn read(zones: &[(DnsName, Arc<dyn Provider>)]) -> (Vec<ZoneRecord>, Vec<String>) {
    let (mut records, mut unread, mut room) = (Vec::new(), BTreeMap::new(), ROOM);
    for (zone, provider) in zones {
        match provider.list().await {
            Ok(listing) => match room.checked_sub(listing.iter().map(ZoneRecord::weight).sum()) {
                Some(left) => {
                    room = left;
                    records.extend(listing);
                }
                None => drop(unread.insert(zone, format!("{zone} has too many records to be looked through here"))),
            },
            Err(fault) => drop(unread.insert(zone, format!("{zone} cannot be read whole: {fault}"))),
        }
    }
    (records, unread.into_values().collect())
}

async fn one<'a>(
    service: &'a Service,
    config: &Config,
    allowed: &Allowed<'a>,
    home: &Home,
    now: Timestamp,
) -> Vec<Finding> {
    let name = service.name.as_str();
    let file = service.ca.clone();
    let ca = aside(move || given(file.as_deref())).await;
    let (told, certificate, knocked) = tokio::join!(
        told(service, config, allowed),
        certificate(service, allowed, &ca, now),
        knock(service, allowed, home),
    );
    let mut found = Vec::new();
    match allowed.edge(service) {
        Some(edge) => {
            // A zone may have one server only.
            let needed =
                if config.exposure.resolvers.is_empty() { told.len().clamp(1, INDEPENDENT) } else { INDEPENDENT };
            match edge {
                Ok(edge) => {
                    found.push(masked::masked(name, edge, home, &told, needed));
                    found.push(masked::families(name, edge, &told));
                }
                Err(why) => found.push(Finding::new(Check::Masked, name, Grade::Unknown, why.to_owned(), "")),
            }
            found.push(certificate);
            found.push(reach::way_in(name, &enter(service, allowed, &told, &ca).await));
            found.push(reach::closed(name, service.port, &knocked));
        }
        None => {
            found.push(certificate);
            found.push(reach::open(name, service.port, &knocked));
        }
    }
    found
}

/// What those who are asked for it tell of the service's name, where an edge is in front: the resolvers, or the servers of
/// its zone.
async fn told(service: &Service, config: &Config, allowed: &Allowed<'_>) -> Vec<NameAnswer> {
    if service.front.is_none() {
        return Vec::new();
    }
    let resolver = |permit: Permit| {
        let at = permit.address();
        let name = if at.port() == 53 { at.ip().to_string() } else { at.to_string() };
        dns::Source { name, at: vec![permit], is_resolver: true }
    };
    let mut sources: Vec<dns::Source> = allowed.resolvers().map(resolver).collect();
    let zones = config.providers.values().filter(|provider| service.name.is_in(&provider.zone));
    // Where one is below the other, the longer one has the name.
    let provider = zones.max_by_key(|provider| provider.zone.as_str().len());
    if let Some(provider) = provider.filter(|_| sources.is_empty()) {
        let found =
            confirm::servers_of(&Asker::new(), &provider.zone, &provider.confirm, config.confirm.resolver).await;
        match found {
            Ok(servers) => sources.extend(servers.iter().map(|server| dns::Source {
                name: server.name.clone(),
                at: allowed.server(server),
                is_resolver: false,
            })),
            Err(why) => {
                return vec![NameAnswer { source: format!("the servers of {}", provider.zone), addresses: Err(why) }];
            }
        }
    }
    dns::ask_all(sources, &service.name, ANSWER).await
}

/// The longest file of certificates that is read, in bytes: all that a system trusts is a twentieth of it.
const LONGEST_CA: u64 = 4 << 20;

/// The certificates in the file of a given CA.
type Given = Option<Result<Vec<CertificateDer<'static>>, String>>;

fn given(file: Option<&Path>) -> Given {
    let file = file?;
    let read = || {
        let text = files::read(file, Errand::Read, LONGEST_CA).map_err(|error| error.to_string())?;
        let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&text).collect();
        match found {
            Ok(found) if found.is_empty() => Err("it holds no certificate in PEM".to_owned()),
            found => found.map_err(|error| error.to_string()),
        }
    };
    Some(read().map_err(|why| format!("{} cannot be used: {why}", file.display())))
}

async fn certificate(service: &Service, allowed: &Allowed<'_>, ca: &Given, now: Timestamp) -> Finding {
    let finding =
        |grade, seen: String, todo: &str| Finding::new(Check::Certificate, service.name.as_str(), grade, seen, todo);
    let roots = match ca {
        Some(Ok(given)) => Roots::new(given.clone(), false),
        Some(Err(why)) => return finding(Grade::Unknown, why.clone(), "name a readable file in PEM in `ca`"),
        None => Roots::new(aside(rustls_native_certs::load_native_certs).await.certs, true),
    };
    let Some(origin) = allowed.origin(service) else {
        return finding(Grade::Unknown, "the service is not configured".into(), "");
    };
    let at = origin.address();
    match tls::look(origin, &service.name, PATIENCE).await {
        Ok(Shown { chain, unproven }) => match certificate::read(&chain, &roots, now) {
            Ok(seen) => certificate::judge(&service.name, &Seen { unproven, ..seen }, now),
            Err(why) => finding(Grade::Amiss, why, "have it made anew"),
        },
        Err(Unseen::NotReached(why)) => {
            finding(Grade::Unknown, format!("{at}: {why}"), "see that the origin runs, and that `origin` says where")
        }
        Err(Unseen::NoHandshake(why)) => {
            finding(Grade::Amiss, format!("{at}: no TLS handshake: {why}"), "let the origin speak TLS for this name")
        }
    }
}

async fn enter<'a>(service: &'a Service, allowed: &Allowed<'a>, told: &[NameAnswer], ca: &Given) -> Entry {
    let shown: BTreeSet<_> = told.iter().filter_map(|told| told.addresses.as_ref().ok()).flatten().copied().collect();
    if shown.is_empty() {
        return Entry::NotAsked("no public address of the name is known: see the check `masked`".into());
    }
    let at: Vec<Permit> = shown.into_iter().filter_map(|address| allowed.public(service, address)).collect();
    let given = match ca {
        Some(Ok(given)) => given.as_slice(),
        Some(Err(_)) | None => &[],
    };
    http::enter(service, &at, given, PATIENCE).await
}

/// A helper can reach back only to the machine that asks: in IPv6 that need not be the origin.
async fn knock(service: &Service, allowed: &Allowed<'_>, home: &Home) -> reach::HelperReport {
    let nobody = |why: &str| reach::HelperReport { each: Vec::new(), left_out: why.to_owned() };
    let Some(helper) = allowed.helper() else { return nobody("no helper is configured") };
    let families: BTreeSet<Family> = home.now().map(Family::of).collect();
    if families.is_empty() {
        return nobody("the home's own address is not known");
    }
    let is_here = service.origin.ip().is_loopback();
    let mut told = reach::HelperReport::default();
    for family in families {
        if family == Family::Ipv6 && !is_here {
            told.left_out = "IPv6: not asked, since the helper can reach back only to this machine".into();
            continue;
        }
        told.each.push((family, http::knock(helper, family, service.port, home, PATIENCE).await));
    }
    told
}
