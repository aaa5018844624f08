//! Device descriptions and SOAP answers. Pure.
//!
//! Elements are known by their local names: many devices get the namespaces wrong (common practice, no source).

use std::net::Ipv4Addr;

use url::Url;

use super::ssdp::on_gateway;
use super::tree::{Element, Tree, Unreadable};
use crate::text::excerpt;

/// What is called, and nothing else.
pub const ACTION: &str = "GetExternalIPAddress";

/// What is called to list the port mappings, one by one.
pub const MAPPING_ACTION: &str = "GetGenericPortMappingEntry";

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
pub enum SoapAnswer {
    /// Its external address.
    Address(Ipv4Addr),
    /// Nothing, or 0.0.0.0.
    NoAddress,
    /// Something else.
    NotAnAddress(String),
    /// A UPnP error code.
    Fault(u32),
}

/// One port mapping of the router (WANIPConnection:1, section 2.2, and sections 2.4.14 and 2.5.16 of its versions).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mapping {
    /// Who may come by it, as the router says it: empty for everybody.
    pub(crate) remote: String,
    /// The port from outside; 0 for all.
    pub port: u16,
    /// Whether it is for TCP.
    pub(crate) is_tcp: bool,
    /// Whether it is in force.
    pub(crate) enabled: bool,
    /// Where it leads.
    pub client: String,
    /// What its maker calls it.
    pub description: String,
}

/// One answer of a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// There is one.
    Mapping(Mapping),
    /// A UPnP error code: there may be no more.
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
    let base = tree.root().child("URLBase").and_then(|it| base(it.text(), location, gateway));
    let base = base.unwrap_or_else(|| location.clone());
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

/// What control URLs are relative to by the URLBase `text` (UPnP Device Architecture 1.0, section 2.1; deprecated since):
/// a URL on `gateway`, one without its scheme, or one relative to `location`. `None` for whatever else it is: then they
/// are relative to `location` itself (UPnP Device Architecture 1.1, section 2.3).
fn base(text: &str, location: &Url, gateway: Ipv4Addr) -> Option<Url> {
    let whole = || Url::parse(text).ok();
    let hostless = || Url::parse(&format!("http://{text}")).ok();
    let relative = || if text.contains("://") { None } else { location.join(text).ok() };
    let is_there = |url: &Url| on_gateway(url, gateway);
    let bases = [whole().filter(is_there), hostless().filter(is_there), relative().filter(is_there)];
    bases.into_iter().flatten().next()
}

/// The SOAP envelope of the call (UPnP Device Architecture 1.1, section 3.2.1).
pub fn call(kind: &str) -> String {
    envelope(kind, ACTION, "")
}

/// The SOAP envelope that asks for the port mapping at `index`, from 0 (`GetGenericPortMappingEntry`).
pub fn mapping_call(kind: &str, index: u16) -> String {
    envelope(kind, MAPPING_ACTION, &format!("<NewPortMappingIndex>{index}</NewPortMappingIndex>"))
}

fn envelope(kind: &str, action: &str, arguments: &str) -> String {
    format!(
        "<?xml version=\"1.0\"?>\r\n\
         <s:Envelope xmlns:s=\"http://schemas.xmlsoap.org/soap/envelope/\" \
         s:encodingStyle=\"http://schemas.xmlsoap.org/soap/encoding/\">\
         <s:Body><u:{action} xmlns:u=\"{kind}\">{arguments}</u:{action}></s:Body></s:Envelope>\r\n"
    )
}

/// The answer to the call.
///
/// # Errors
/// A clause that says what is wrong with it.
pub fn answer(body: &[u8]) -> Result<SoapAnswer, String> {
    let text = str::from_utf8(body).map_err(|_| NOT_UTF8.to_owned())?;
    let tree = Tree::parse(text).map_err(|error| unreadable("answer", &error))?;
    let response = match response(&tree, "GetExternalIPAddressResponse")? {
        Ok(response) => response,
        Err(code) => return Ok(SoapAnswer::Fault(code)),
    };
    let told = plain(response, "NewExternalIPAddress")?;
    Ok(match told.parse() {
        Ok(Ipv4Addr::UNSPECIFIED) => SoapAnswer::NoAddress,
        Ok(address) => SoapAnswer::Address(address),
        Err(_) if told.is_empty() => SoapAnswer::NoAddress,
        Err(_) => SoapAnswer::NotAnAddress(told.to_owned()),
    })
}

/// The answer to the call for one port mapping.
///
/// # Errors
/// A clause that says what is wrong with it.
pub fn mapping(body: &[u8]) -> Result<Entry, String> {
    let text = str::from_utf8(body).map_err(|_| NOT_UTF8.to_owned())?;
    let tree = Tree::parse(text).map_err(|error| unreadable("answer", &error))?;
    let response = match response(&tree, "GetGenericPortMappingEntryResponse")? {
        Ok(response) => response,
        Err(code) => return Ok(Entry::Fault(code)),
    };
    let field = |name| plain(response, name);
    let unclear = |name: &str, text: &str| format!("its {name} is {}", excerpt(text.as_bytes()));
    let (port, protocol, enabled) = (field("NewExternalPort")?, field("NewProtocol")?, field("NewEnabled")?);
    let is_tcp = protocol.eq_ignore_ascii_case("TCP");
    if !is_tcp && !protocol.eq_ignore_ascii_case("UDP") {
        return Err(unclear("NewProtocol", protocol));
    }
    // A boolean may be said in three ways (UPnP Device Architecture 1.1, section 2.5).
    let enabled = match enabled {
        "1" | "true" | "yes" => true,
        "0" | "false" | "no" => false,
        other => return Err(unclear("NewEnabled", other)),
    };
    let client = format!("{}:{}", field("NewInternalClient")?, field("NewInternalPort")?);
    Ok(Entry::Mapping(Mapping {
        remote: field("NewRemoteHost")?.to_owned(),
        port: port.parse().map_err(|_| unclear("NewExternalPort", port))?,
        is_tcp,
        enabled,
        client: excerpt(client.as_bytes()),
        description: excerpt(field("NewPortMappingDescription").unwrap_or_default().as_bytes()),
    }))
}

const NOT_UTF8: &str = "its answer is not UTF-8";

/// The element `name` of a SOAP answer, or the UPnP error code that it has instead.
fn response<'a>(tree: &'a Tree, name: &str) -> Result<Result<Element<'a>, u32>, String> {
    let envelope = Some(tree.root()).filter(|root| root.name() == "Envelope");
    let soap = envelope.and_then(|envelope| envelope.child("Body")).ok_or("its answer is not SOAP")?;
    if let Some(fault) = soap.child("Fault") {
        let code = ["detail", "UPnPError", "errorCode"].iter().try_fold(fault, |element, name| element.child(name));
        let code = code.and_then(|code| code.text().parse().ok()).ok_or("its answer is a fault without a code")?;
        return Ok(Err(code));
    }
    // A call's answer has one argument at the least, and is told missing by it.
    let none = match name {
        "GetExternalIPAddressResponse" => "its answer has no NewExternalIPAddress",
        _ => "its answer has no port mapping",
    };
    soap.child(name).map(Ok).ok_or_else(|| none.to_owned())
}

/// The text of the child `name`.
fn plain<'a>(element: Element<'a>, name: &str) -> Result<&'a str, String> {
    let child = element.child(name).ok_or_else(|| format!("its answer has no {name}"))?;
    if child.has_children() { Err(format!("its {name} is not plain text")) } else { Ok(child.text()) }
}

/// An excerpt: the error may quote the document.
fn unreadable(what: &str, error: &Unreadable) -> String {
    format!("its {what} cannot be read: {}", excerpt(error.to_string().as_bytes()))
}

#[cfg(test)]
mod tests;
