//! UPnP Internet Gateway Device: `GetExternalIPAddress` and `GetGenericPortMappingEntry`, found by SSDP. Every step stays on the gateway's address.
//!
//! [`ssdp`] and [`xml`] are pure; `ask` is the exchange: a search by multicast, the device's description, and one SOAP
//! call that changes nothing. No proxy, no redirect, no kept connection, bounded bodies.

pub use fingerpost_core::watch::router::igd::{DESCRIPTION, ssdp, xml};

use std::net::{IpAddr, Ipv4Addr, SocketAddrV4};
use std::time::Duration;

use futures_util::StreamExt;
use futures_util::future::join_all;
use futures_util::stream::FuturesUnordered;
use reqwest::header::{CONTENT_TYPE, HeaderValue};
use reqwest::{Client, Response, StatusCode, Url};
use tokio::net::UdpSocket;
use tokio::time::{Instant, timeout_at};

use super::{Failure, Heard, Mute, facing};
use crate::http;
use crate::text::{excerpt, root_cause};
use crate::watch::Silence;
use xml::{Entry, Mapping, Service, SoapAnswer};

/// The longest answer to the call that is read, in bytes.
pub(crate) const ANSWER: usize = 16 * 1024;

/// A device may take a second to answer (MX); then the search is repeated.
const REPEAT: Duration = Duration::from_millis(1200);

/// How many datagrams are looked at in one search, wherever they come from.
const DATAGRAMS: usize = 256;

/// How many descriptions of one gateway are tried.
const LOCATIONS: usize = 4;

const NO_SERVICE: &str = "its device has no WAN connection service";

/// The most port mappings that are read.
const MAPPINGS: u16 = 1024;

/// Asks `gateway`, which is looked for by a search sent to `group`: each of its devices, until one tells an address for
/// which `is_enough` holds, or all have had the time to answer the search. The words of them all, which is one at least.
pub(super) async fn ask(
    gateway: Ipv4Addr,
    interface: Option<&str>,
    group: SocketAddrV4,
    deadline: Instant,
    is_enough: impl Fn(&Heard) -> bool,
) -> Vec<Heard> {
    let run = |client, at| ask_device(client, at, gateway, deadline);
    let is_enough = |heard: &Vec<Heard>| heard.iter().any(&is_enough);
    match search(gateway, interface, group, deadline, run, is_enough).await {
        Ok(heard) => heard.into_iter().flatten().collect(),
        Err(failure) => vec![Err(failure)],
    }
}

/// The port mappings of `gateway`, found the same way: those of the first device that tells them.
pub(super) async fn mappings(
    gateway: Ipv4Addr,
    interface: Option<&str>,
    group: SocketAddrV4,
    deadline: Instant,
) -> Result<Vec<Mapping>, Failure> {
    let run = |client, at: Url| async move {
        let listed = timeout_at(deadline, list_mappings(&client, &at, gateway)).await;
        listed.unwrap_or_else(|_| Err(too_slow(&at)))
    };
    let heard = search(gateway, interface, group, deadline, run, Result::is_ok).await?;
    let failure = |heard: Vec<Result<_, Failure>>| heard.into_iter().next().unwrap_or_else(|| Err(silent()));
    let (told, not): (Vec<_>, Vec<_>) = heard.into_iter().partition(Result::is_ok);
    told.into_iter().next().unwrap_or_else(|| failure(not))
}

/// Looks for the gateway's devices and lets `run` ask each of them, beside one another, until what one says is enough.
/// Where something has been said, no more is waited for than the time that a device may take to answer a search.
async fn search<T, F: Future<Output = T>>(
    gateway: Ipv4Addr,
    interface: Option<&str>,
    group: SocketAddrV4,
    deadline: Instant,
    run: impl Fn(Client, Url) -> F,
    is_enough: impl Fn(&T) -> bool,
) -> Result<Vec<T>, Failure> {
    let unavailable = |error: std::io::Error| Failure::Unavailable(root_cause(&error));
    // The address of ours that faces the gateway: the search leaves by its interface, and answers come to it.
    let local = facing(SocketAddrV4::new(gateway, group.port()), interface).map_err(unavailable)?;
    let socket = UdpSocket::bind((local, 0)).await.map_err(unavailable)?;
    socket.bind_device(interface.map(str::as_bytes)).map_err(unavailable)?;
    rustix::net::sockopt::set_ip_multicast_if(&socket, &local).map_err(|error| unavailable(error.into()))?;
    let client = client(local, interface).map_err(|error| Failure::Unavailable(root_cause(&error)))?;

    let mut tried: Vec<Url> = Vec::new();
    let mut asking = FuturesUnordered::new();
    // In the order in which the devices were found, not in that in which they answered.
    let mut heard: Vec<(usize, T)> = Vec::new();
    let searched = Instant::now();
    let mut repeat = searched;
    let mut buffer = vec![0; 2048];
    for _ in 0..DATAGRAMS {
        if Instant::now() >= repeat {
            if asking.is_empty() && !heard.is_empty() {
                break;
            }
            for target in ssdp::TARGETS {
                socket.send_to(ssdp::search(target, group).as_bytes(), group).await.map_err(unavailable)?;
            }
            repeat = Instant::now() + REPEAT;
        }
        let found = tokio::select! {
            biased;
            Some((at, told)) = asking.next() => {
                let enough = is_enough(&told);
                heard.push((at, told));
                if enough || (asking.is_empty() && tried.len() == LOCATIONS) {
                    break;
                }
                continue;
            }
            received = timeout_at(deadline.min(repeat), socket.recv_from(&mut buffer)) => match received {
                Ok(received) => received.map_err(unavailable)?,
                Err(_) if repeat < deadline => continue,
                Err(_) => break,
            },
        };
        let (length, from) = found;
        let location = match from.ip() == gateway {
            true => buffer.get(..length).and_then(|datagram| ssdp::location(datagram, gateway)),
            false => None,
        };
        let Some(location) = location.filter(|location| !tried.contains(location)) else { continue };
        if tried.len() < LOCATIONS {
            tried.push(location.clone());
            let at = tried.len();
            let told = run(client.clone(), location);
            asking.push(async move { (at, told.await) });
        }
    }
    // Those that are still asked end by themselves at the deadline.
    while !heard.iter().any(|(_, told)| is_enough(told)) {
        let Some(told) = asking.next().await else { break };
        heard.push(told);
    }
    heard.sort_by_key(|(at, _)| *at);
    if heard.is_empty() { Err(silent()) } else { Ok(heard.into_iter().map(|(_, told)| told).collect()) }
}

fn silent() -> Failure {
    Failure::Unavailable("no answer".to_owned())
}

fn too_slow(at: &Url) -> Failure {
    Failure::Unavailable(format!("{at} is too slow"))
}

fn client(local: Ipv4Addr, interface: Option<&str>) -> reqwest::Result<Client> {
    // A header line that is none says nothing, and spoils nothing.
    let builder = http::client(false)
        .local_address(IpAddr::V4(local))
        .http1_ignore_invalid_headers_in_responses(true)
        .http1_allow_spaces_after_header_name_in_responses(true);
    match interface {
        Some(interface) => builder.interface(interface).build(),
        None => builder.build(),
    }
}

/// Reads the description and asks all of its services: of two kinds of connection that a device lists, one is often not
/// in use and has none, or that of a modem's own network. Their words, in the order of the services.
///
/// The description has two thirds of the time, and what is left is each service's: none can use up another's.
async fn ask_device(client: Client, location: Url, gateway: Ipv4Addr, deadline: Instant) -> Vec<Heard> {
    let now = Instant::now();
    let share = now + deadline.saturating_duration_since(now) * 2 / 3;
    let services = match timeout_at(share, services(&client, &location, gateway)).await {
        Ok(Ok(services)) if services.is_empty() => Err(Failure::Unavailable(NO_SERVICE.to_owned())),
        Ok(services) => services,
        Err(_) => Err(too_slow(&location)),
    };
    let services = match services {
        Ok(services) => services,
        Err(failure) => return vec![Err(failure)],
    };
    let now = Instant::now();
    let share = now + deadline.saturating_duration_since(now) * 2 / 3;
    join_all(services.into_iter().map(|service| ask_service(client.clone(), service, share))).await
}

async fn ask_service(client: Client, service: Service, share: Instant) -> Heard {
    let asked = timeout_at(share, call(&client, &service, xml::ACTION, xml::call(service.kind))).await;
    let answer = asked.unwrap_or_else(|_| Err(too_slow(&service.control)))?;
    match xml::answer(&answer).map_err(Failure::Unavailable)? {
        SoapAnswer::Address(address) => Ok(address),
        SoapAnswer::NoAddress => Err(Failure::Spoken(Mute::NoAddress.into())),
        SoapAnswer::NotAnAddress(text) => Err(Failure::Spoken(Silence::NotAnAddress(excerpt(text.as_bytes())))),
        SoapAnswer::Fault(code) => Err(Failure::Unavailable(format!("UPnP error {code}"))),
    }
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
