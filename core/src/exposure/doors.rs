//! Whom the doors let in: the firewall, as it was compared with the ranges, and the port mappings of the router. Pure.

use std::collections::BTreeMap;
use std::net::IpAddr;

use super::{Check, Finding, Grade};
use crate::address::set::AddressSet;
use crate::allowlist::compare::{Comparison, Verdict};
use crate::allowlist::firewall::mappings;
use crate::settings::Service;
use crate::watch::router::igd::xml::Mapping;

/// What is compared by `fingerpost allowlist compare`, about `about`, which is on `port`.
pub fn allowlist(about: &str, port: u16, compared: &Result<BTreeMap<u16, Comparison>, String>) -> Finding {
    let finding = |grade, seen: String, todo: &str| Finding::new(Check::Allowlist, about, grade, seen, todo);
    let comparison = match compared {
        Ok(compared) => compared.get(&port),
        Err(why) => return finding(Grade::Unknown, why.clone(), "let `fingerpost allowlist compare` have an answer"),
    };
    let Some(comparison) = comparison else {
        return finding(Grade::Unknown, format!("port {port} is not compared"), "add it to `allowlist.ports`");
    };
    let seen = format!("port {port}: {comparison}");
    match comparison.verdict() {
        Verdict::Same => finding(Grade::Good, seen, ""),
        Verdict::Differs => {
            let todo = if comparison.surplus.is_empty() {
                "bring the rules up to date: `fingerpost allowlist render`"
            } else {
                "close what is named; `fingerpost allowlist compare` has all of it"
            };
            finding(Grade::Amiss, seen, todo)
        }
        Verdict::Unknown => {
            finding(Grade::Unknown, seen, "`fingerpost allowlist compare` names what is not understood")
        }
    }
}

/// A service behind an edge, with the edge's ranges.
pub type Masked<'a> = (&'a Service, &'a AddressSet);

/// The port mappings of a router against the services that are behind an edge. When `filtered` the firewall of this machine,
/// which is compared by itself, is behind the router. `inside` are sources that nothing from outside has.
pub fn forwarding(
    services: &[Masked<'_>],
    filtered: bool,
    inside: &AddressSet,
    told: &Result<Vec<Mapping>, String>,
) -> Finding {
    let finding = |grade, seen: String, todo: &str| Finding::new(Check::Forwarding, "router", grade, seen, todo);
    let all = match told {
        Ok(all) => all,
        Err(why) => {
            let todo = "turn UPnP on there, or remove `exposure.router` and look at its page by hand";
            return finding(Grade::Unknown, why.clone(), todo);
        }
    };
    let (mut wide, mut unknown) = (Vec::new(), Vec::new());
    let (mut concerned, mut others) = (0_usize, Vec::new());
    for mapping in all.iter().filter(|mapping| mapping.enabled) {
        let for_whom: Vec<_> = services.iter().filter(|(service, _)| leads_to(mapping, service)).collect();
        if for_whom.is_empty() {
            others.push(named(mapping));
            continue;
        }
        concerned += 1;
        for (service, edge) in for_whom {
            let let_in = mappings::let_in(std::slice::from_ref(mapping), mapping.port);
            let comparison = Comparison::new(edge, &let_in, inside);
            let about = format!("{} is led to {}", named(mapping), service.name);
            // One mapping need not be for all of the edge.
            if !comparison.surplus.is_empty() {
                wide.push(format!("{about} for {}", who(mapping)));
            } else if let Some(doubt) = comparison.unknown.first() {
                unknown.push(format!("{about}, and {}", doubt.why));
            }
        }
    }
    let beside = if others.is_empty() { String::new() } else { format!("; besides: {}", others.join(", ")) };
    if !wide.is_empty() && !filtered {
        let todo = "remove the mapping at the router, or let it be for the edge's ranges only";
        return finding(Grade::Amiss, format!("{}{beside}", wide.join("; ")), todo);
    }
    if !unknown.is_empty() && !filtered {
        return finding(Grade::Unknown, format!("{}{beside}", unknown.join("; ")), "look at the router's page");
    }
    let seen = match (wide.is_empty(), concerned) {
        (false, _) => format!("{}; the firewall of this machine is behind it", wide.join("; ")),
        (true, 0) => "no mapping leads to a service".to_owned(),
        (true, _) => "mappings are for the edge only".to_owned(),
    };
    finding(Grade::Good, format!("{seen}{beside}"), "")
}

/// By its port from outside, or by where it leads.
fn leads_to(mapping: &Mapping, service: &Service) -> bool {
    let is_origin = mapping.client == service.origin.to_string();
    // Port 0 stands for all (WANIPConnection:1, section 2.2.19).
    mapping.is_tcp && (mapping.port == service.port || mapping.port == 0 || is_origin)
}

fn named(mapping: &Mapping) -> String {
    let (kind, port) = (if mapping.is_tcp { "TCP" } else { "UDP" }, mapping.port);
    let port = if port == 0 { "all other ports".to_owned() } else { format!("port {port}") };
    format!("{kind} {port} (mapping {:?} to {})", mapping.description, mapping.client)
}

fn who(mapping: &Mapping) -> String {
    match mapping.remote.parse::<IpAddr>() {
        Ok(address) if !address.is_unspecified() => address.to_string(),
        _ => "everybody".to_owned(),
    }
}

#[cfg(test)]
mod tests;
