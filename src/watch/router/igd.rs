//! UPnP Internet Gateway Device: `GetExternalIPAddress` and `GetGenericPortMappingEntry`, found by SSDP. Every step stays on the gateway's address.
//!
//! [`ssdp`] and [`xml`] are pure; `ask` is the exchange: a search by multicast, the device's description, and one SOAP
//! call that changes nothing. No proxy, no redirect, no kept connection, bounded bodies.

pub mod ssdp;
mod tree;
pub mod xml;

use std::net::{IpAddr, Ipv4Addr, SocketAddrV4};
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, HeaderValue};
use reqwest::{Client, Response, StatusCode, Url};
use tokio::net::UdpSocket;
use tokio::time::{Instant, timeout_at};

use super::{Failure, Mute, facing, one_line};
use crate::http;
use crate::watch::Silence;
use crate::watch::extract::excerpt;
use crate::watch::http::root_cause;
use xml::{Answer, Entry, Mapping, Service};

/// The longest description of a device that is read, in bytes.
pub const DESCRIPTION: usize = 64 * 1024;

/// The longest answer to the call that is read, in bytes.
pub const ANSWER: usize = 16 * 1024;

/// A device may take a second to answer (MX); then the search is repeated.
const REPEAT: Duration = Duration::from_millis(1200);

/// How many datagrams are looked at in one search, wherever they come from.
const DATAGRAMS: usize = 256;

/// How many descriptions of one gateway are tried.
const LOCATIONS: usize = 4;

const NO_SERVICE: &str = "its device has no WAN connection service";

/// The most port mappings that are read.
const MAPPINGS: u16 = 1024;

/// Asks `gateway`, which is looked for by a search sent to `group`.
pub(super) async fn ask(
    gateway: Ipv4Addr,
    interface: Option<&str>,
    group: SocketAddrV4,
    deadline: Instant,
) -> Result<IpAddr, Failure> {
    match search(gateway, interface, group, deadline, Errand::Address).await? {
        Told::Address(address) => Ok(address),
        Told::Mappings(_) => Err(silent()),
    }
}

/// The port mappings of `gateway`, found the same way.
pub(super) async fn mappings(
    gateway: Ipv4Addr,
    interface: Option<&str>,
    group: SocketAddrV4,
    deadline: Instant,
) -> Result<Vec<Mapping>, Failure> {
    match search(gateway, interface, group, deadline, Errand::Mappings).await? {
        Told::Mappings(mappings) => Ok(mappings),
        Told::Address(_) => Err(silent()),
    }
}

/// What a device is asked for.
#[derive(Clone, Copy)]
enum Errand {
    Address,
    Mappings,
}

/// What it answers, each to its own errand.
enum Told {
    Address(IpAddr),
    Mappings(Vec<Mapping>),
}

/// Looks for the gateway's device, and asks what is found until that has an answer.
async fn search(
    gateway: Ipv4Addr,
    interface: Option<&str>,
    group: SocketAddrV4,
    deadline: Instant,
    errand: Errand,
) -> Result<Told, Failure> {
    let unavailable = |error: std::io::Error| Failure::Unavailable(one_line(&error));
    // The address of ours that faces the gateway: the search leaves by its interface, and answers come to it.
    let local = facing(SocketAddrV4::new(gateway, group.port()), interface).map_err(unavailable)?;
    let socket = UdpSocket::bind((local, 0)).await.map_err(unavailable)?;
    socket.bind_device(interface.map(str::as_bytes)).map_err(unavailable)?;
    rustix::net::sockopt::set_ip_multicast_if(&socket, &local).map_err(|error| unavailable(error.into()))?;
    let client = client(local, interface).map_err(|error| Failure::Unavailable(root_cause(&error)))?;

    let mut tried: Vec<Url> = Vec::new();
    let mut failure = None;
    let mut repeat = Instant::now();
    let mut buffer = vec![0; 2048];
    for _ in 0..DATAGRAMS {
        if Instant::now() >= repeat {
            for target in ssdp::TARGETS {
                socket.send_to(ssdp::search(target, group).as_bytes(), group).await.map_err(unavailable)?;
            }
            repeat = Instant::now() + REPEAT;
        }
        let Ok(received) = timeout_at(deadline.min(repeat), socket.recv_from(&mut buffer)).await else {
            if repeat < deadline {
                continue;
            }
            break;
        };
        let (length, from) = received.map_err(unavailable)?;
        let location = match from.ip() == gateway {
            true => buffer.get(..length).and_then(|datagram| ssdp::location(datagram, gateway)),
            false => None,
        };
        let Some(location) = location.filter(|location| !tried.contains(location)) else { continue };
        tried.push(location.clone());
        match timeout_at(deadline, run(errand, &client, &location, gateway)).await {
            Ok(Err(Failure::Unavailable(why))) => failure = Some(Failure::Unavailable(why)),
            Ok(answer) => return answer,
            Err(_) => return Err(Failure::Unavailable(format!("{location} is too slow"))),
        }
        if tried.len() == LOCATIONS {
            break;
        }
    }
    Err(failure.unwrap_or_else(silent))
}

async fn run(errand: Errand, client: &Client, at: &Url, gateway: Ipv4Addr) -> Result<Told, Failure> {
    Ok(match errand {
        Errand::Address => Told::Address(ask_device(client, at, gateway).await?),
        Errand::Mappings => Told::Mappings(list_mappings(client, at, gateway).await?),
    })
}

fn silent() -> Failure {
    Failure::Unavailable("no answer".to_owned())
}

fn client(local: Ipv4Addr, interface: Option<&str>) -> reqwest::Result<Client> {
    let builder = http::client(false).local_address(IpAddr::V4(local));
    match interface {
        Some(interface) => builder.interface(interface).build(),
        None => builder.build(),
    }
}

/// Reads the description and asks its services in turn until one has an address: of two kinds of connection that a
/// device lists, one is usually not in use and has none.
async fn ask_device(client: &Client, location: &Url, gateway: Ipv4Addr) -> Result<IpAddr, Failure> {
    let services = services(client, location, gateway).await?;
    let mut failure = None;
    for service in &services {
        let answer = call(client, service, xml::ACTION, xml::call(service.kind)).await;
        match answer.and_then(|answer| xml::answer(&answer).map_err(Failure::Unavailable)) {
            Ok(Answer::Address(address)) => return Ok(address.into()),
            // A clear word from one service outweighs another's fault.
            Ok(Answer::NoAddress) => failure = Some(Failure::Told(Mute::NoAddress.into())),
            Ok(Answer::NotAnAddress(text)) => {
                failure = Some(Failure::Told(Silence::NotAnAddress(excerpt(text.as_bytes()))));
            }
            Ok(Answer::Fault(code)) => {
                failure.get_or_insert(Failure::Unavailable(format!("UPnP error {code}")));
            }
            Err(error) => {
                failure.get_or_insert(error);
            }
        }
    }
    Err(failure.unwrap_or_else(|| Failure::Unavailable(NO_SERVICE.to_owned())))
}

async fn services(client: &Client, location: &Url, gateway: Ipv4Addr) -> Result<Vec<Service>, Failure> {
    let response = client.get(location.clone()).send().await.map_err(|error| broken(&error))?;
    if response.status() != StatusCode::OK {
        return Err(Failure::Unavailable(format!("{location} answers with status {}", response.status().as_u16())));
    }
    let description = read(response, DESCRIPTION).await?;
    xml::services(&description, location, gateway).map_err(Failure::Unavailable)
}

/// The mappings of all services that tell them. One of two kinds of connection is usually not in use, and may not.
async fn list_mappings(client: &Client, location: &Url, gateway: Ipv4Addr) -> Result<Vec<Mapping>, Failure> {
    let (mut all, mut told, mut failure) = (Vec::new(), false, None);
    for service in &services(client, location, gateway).await? {
        match list(client, service).await {
            Ok(mappings) => {
                told = true;
                all.extend(mappings);
            }
            Err(error) => drop(failure.get_or_insert(error)),
        }
    }
    match failure {
        _ if told => Ok(all),
        Some(failure) => Err(failure),
        None => Err(Failure::Unavailable(NO_SERVICE.to_owned())),
    }
}

async fn list(client: &Client, service: &Service) -> Result<Vec<Mapping>, Failure> {
    let mut mappings = Vec::new();
    for index in 0..MAPPINGS {
        let body = xml::mapping_call(service.kind, index);
        let answer = call(client, service, xml::MAPPING_ACTION, body).await?;
        match xml::mapping(&answer).map_err(Failure::Unavailable)? {
            Entry::Mapping(mapping) => mappings.push(mapping),
            // SpecifiedArrayIndexInvalid, and NoSuchEntryInArray, which some say instead (common practice, no source).
            Entry::Fault(713 | 714) => return Ok(mappings),
            Entry::Fault(code) => return Err(Failure::Unavailable(format!("UPnP error {code}"))),
        }
    }
    Err(Failure::Unavailable(format!("it has {MAPPINGS} port mappings or more")))
}

async fn call(client: &Client, service: &Service, action: &str, body: String) -> Result<Vec<u8>, Failure> {
    let request = client
        .post(service.control.clone())
        .header(CONTENT_TYPE, HeaderValue::from_static("text/xml; charset=\"utf-8\""))
        .header("SOAPAction", format!("\"{}#{action}\"", service.kind))
        .body(body);
    let response = request.send().await.map_err(|error| broken(&error))?;
    let status = response.status();
    // UPnP errors come with status 500 (UPnP Device Architecture 1.1, section 3.2.2).
    if status != StatusCode::OK && status != StatusCode::INTERNAL_SERVER_ERROR {
        return Err(Failure::Unavailable(format!("{} answers with status {}", service.control, status.as_u16())));
    }
    read(response, ANSWER).await
}

async fn read(mut response: Response, limit: usize) -> Result<Vec<u8>, Failure> {
    let mut body = Vec::new();
    while let Some(chunk) = response.chunk().await.map_err(|error| broken(&error))? {
        body.extend_from_slice(&chunk);
        if body.len() > limit {
            return Err(Failure::Unavailable(format!("its answer is longer than {limit} bytes")));
        }
    }
    Ok(body)
}

fn broken(error: &reqwest::Error) -> Failure {
    Failure::Unavailable(root_cause(error))
}
