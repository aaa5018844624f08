//! Device descriptions and SOAP answers. Pure.
//!
//! A DTD is an error, so no entity can expand; the parser keeps no stack, and the number of nodes is bounded. Elements
//! are known by their local names: many devices get the namespaces wrong (common practice, no source).

use std::net::Ipv4Addr;

use reqwest::Url;
use roxmltree::{Document, Node, ParsingOptions};

use super::ssdp::on_gateway;

/// What is called, and nothing else.
pub const ACTION: &str = "GetExternalIPAddress";

/// The services that know the external address, the preferred ones first (UPnP IGD, WANIPConnection:2 section 2.5.18,
/// WANIPConnection:1 and WANPPPConnection:1 section 2.4).
const KINDS: [&str; 3] = [
    "urn:schemas-upnp-org:service:WANIPConnection:2",
    "urn:schemas-upnp-org:service:WANIPConnection:1",
    "urn:schemas-upnp-org:service:WANPPPConnection:1",
];

/// The most nodes of a document: what a description needs many times over.
const NODES: u32 = 8192;

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
    let document = parse(&text).map_err(|error| format!("its description cannot be read: {error}"))?;
    let root = document.root_element();
    // UPnP Device Architecture 1.0, section 2.1; deprecated since. It is an address like any other here: not trusted.
    let base = match child(root, "URLBase").map(text_of) {
        Some(base) if !base.is_empty() => {
            Url::parse(base).map_err(|error| format!("its URLBase is no URL: {error}"))?
        }
        _ => location.clone(),
    };
    let (mut found, mut away) = (Vec::new(), false);
    for service in root.descendants().filter(|node| node.tag_name().name() == "service") {
        let kind = child(service, "serviceType").map(text_of).unwrap_or_default();
        let Some(rank) = KINDS.iter().position(|known| *known == kind) else { continue };
        let Some(control) = child(service, "controlURL").and_then(|node| base.join(text_of(node)).ok()) else {
            continue;
        };
        if on_gateway(&control, gateway) {
            found.push((rank, Service { kind: KINDS[rank], control }));
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
    let document = parse(text).map_err(|error| format!("its answer cannot be read: {error}"))?;
    let soap = Some(document.root_element()).filter(|root| root.tag_name().name() == "Envelope");
    let soap = soap.and_then(|envelope| child(envelope, "Body")).ok_or("its answer is not SOAP")?;
    if let Some(fault) = child(soap, "Fault") {
        let code = child(fault, "detail").and_then(|it| child(it, "UPnPError")).and_then(|it| child(it, "errorCode"));
        let code = code.and_then(|code| text_of(code).parse().ok()).ok_or("its answer is a fault without a code")?;
        return Ok(Answer::Fault(code));
    }
    let told = child(soap, "GetExternalIPAddressResponse").and_then(|it| child(it, "NewExternalIPAddress"));
    let told = told.ok_or("its answer has no NewExternalIPAddress")?;
    if told.children().any(|node| !node.is_text()) {
        return Err("its NewExternalIPAddress is not plain text".to_owned());
    }
    let told = text_of(told);
    Ok(match told.parse() {
        Ok(Ipv4Addr::UNSPECIFIED) => Answer::NoAddress,
        Ok(address) => Answer::Address(address),
        Err(_) if told.is_empty() => Answer::NoAddress,
        Err(_) => Answer::NotAnAddress(told.to_owned()),
    })
}

fn parse(text: &str) -> Result<Document<'_>, roxmltree::Error> {
    Document::parse_with_options(text, ParsingOptions { allow_dtd: false, nodes_limit: NODES, ..Default::default() })
}

/// The child element of that local name, if there is exactly one.
fn child<'a, 'input>(of: Node<'a, 'input>, name: &str) -> Option<Node<'a, 'input>> {
    let mut all = of.children().filter(|node| node.is_element() && node.tag_name().name() == name);
    let only = all.next()?;
    all.next().is_none().then_some(only)
}

fn text_of<'a>(node: Node<'a, '_>) -> &'a str {
    node.text().unwrap_or_default().trim_ascii()
}

#[cfg(test)]
mod tests;
