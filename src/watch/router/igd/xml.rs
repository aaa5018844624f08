//! Device descriptions and SOAP answers. Pure.
//!
//! Elements are known by their local names: many devices get the namespaces wrong (common practice, no source).

use std::net::Ipv4Addr;

use reqwest::Url;

use super::ssdp::on_gateway;
use super::tree::{Element, Tree, Unreadable};
use crate::watch::extract::excerpt;

/// What is called, and nothing else.
pub const ACTION: &str = "GetExternalIPAddress";

/// The services that know the external address, the preferred ones first (UPnP IGD, WANIPConnection:2 section 2.5.18,
/// WANIPConnection:1 and WANPPPConnection:1 section 2.4).
const KINDS: [&str; 3] = [
    "urn:schemas-upnp-org:service:WANIPConnection:2",
    "urn:schemas-upnp-org:service:WANIPConnection:1",
    "urn:schemas-upnp-org:service:WANPPPConnection:1",
];

/// The most services of one device that are asked.
const SERVICES: usize = 4;

/// A service to ask.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Service {
    /// Its type, as the call names it.
    pub kind: &'static str,
    /// Where to call it; on the gateway.
    pub control: Url,
}

/// What a service answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Its external address.
    Address(Ipv4Addr),
    /// Nothing, or 0.0.0.0.
    NoAddress,
    /// Something else.
    NotAnAddress(String),
    /// A UPnP error code.
    Fault(u32),
}

/// The services to ask in the description that was read at `location`, in the order in which to ask them. Those whose
/// control URL leads away from `gateway` are left out.
///
/// # Errors
/// A clause that says what is wrong with the description.
pub fn services(description: &[u8], location: &Url, gateway: Ipv4Addr) -> Result<Vec<Service>, String> {
    let text = String::from_utf8_lossy(description);
    let tree = Tree::parse(&text).map_err(|error| unreadable("description", &error))?;
    // UPnP Device Architecture 1.0, section 2.1; deprecated since. It is an address like any other here: not trusted.
    let base = match tree.root().child("URLBase").map(Element::text) {
        Some(base) if !base.is_empty() => {
            Url::parse(base).map_err(|error| format!("its URLBase is no URL: {error}"))?
        }
        _ => location.clone(),
    };
    let (mut found, mut away) = (Vec::new(), false);
    for service in tree.all("service") {
        let kind = service.child("serviceType").map(Element::text);
        let Some((rank, kind)) = KINDS.iter().enumerate().find(|(_, known)| Some(**known) == kind) else { continue };
        let Some(control) = service.child("controlURL").and_then(|it| base.join(it.text()).ok()) else { continue };
        if on_gateway(&control, gateway) {
            found.push((rank, Service { kind, control }));
        } else {
            away = true;
        }
    }
    if found.is_empty() && away {
        return Err("its control URL is on another host".to_owned());
    }
    found.sort_by_key(|(rank, _)| *rank);
    Ok(found.into_iter().map(|(_, service)| service).take(SERVICES).collect())
}

/// The SOAP envelope of the call (UPnP Device Architecture 1.1, section 3.2.1).
pub fn call(kind: &str) -> String {
    format!(
        "<?xml version=\"1.0\"?>\r\n\
         <s:Envelope xmlns:s=\"http://schemas.xmlsoap.org/soap/envelope/\" \
         s:encodingStyle=\"http://schemas.xmlsoap.org/soap/encoding/\">\
         <s:Body><u:{ACTION} xmlns:u=\"{kind}\"></u:{ACTION}></s:Body></s:Envelope>\r\n"
    )
}

/// The answer to the call.
///
/// # Errors
/// A clause that says what is wrong with it.
pub fn answer(body: &[u8]) -> Result<Answer, String> {
    let text = str::from_utf8(body).map_err(|_| "its answer is not UTF-8".to_owned())?;
    let tree = Tree::parse(text).map_err(|error| unreadable("answer", &error))?;
    let envelope = Some(tree.root()).filter(|root| root.name() == "Envelope");
    let soap = envelope.and_then(|envelope| envelope.child("Body")).ok_or("its answer is not SOAP")?;
    if let Some(fault) = soap.child("Fault") {
        let code = ["detail", "UPnPError", "errorCode"].iter().try_fold(fault, |element, name| element.child(name));
        let code = code.and_then(|code| code.text().parse().ok()).ok_or("its answer is a fault without a code")?;
        return Ok(Answer::Fault(code));
    }
    let told = soap.child("GetExternalIPAddressResponse").and_then(|it| it.child("NewExternalIPAddress"));
    let told = told.ok_or("its answer has no NewExternalIPAddress")?;
    if told.has_children() {
        return Err("its NewExternalIPAddress is not plain text".to_owned());
    }
    let told = told.text();
    Ok(match told.parse() {
        Ok(Ipv4Addr::UNSPECIFIED) => Answer::NoAddress,
        Ok(address) => Answer::Address(address),
        Err(_) if told.is_empty() => Answer::NoAddress,
        Err(_) => Answer::NotAnAddress(told.to_owned()),
    })
}

/// An excerpt: the error may quote the document.
fn unreadable(what: &str, error: &Unreadable) -> String {
    format!("its {what} cannot be read: {}", excerpt(error.to_string().as_bytes()))
}

#[cfg(test)]
mod tests;
