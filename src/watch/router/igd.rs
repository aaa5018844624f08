//! UPnP Internet Gateway Device: `GetExternalIPAddress`, found by SSDP. Every step stays on the gateway's address.
//!
//! [`ssdp`] and [`xml`] are pure; `ask` is the exchange: a search by multicast, the device's description, and one SOAP
//! call that changes nothing. No proxy, no redirect, no kept connection, bounded bodies.

pub mod ssdp;
mod tree;
pub mod xml;

use std::net::{IpAddr, Ipv4Addr, SocketAddrV4};
use std::time::Duration;

use reqwest::header::{CONTENT_TYPE, HeaderValue};
use reqwest::{Client, Response, StatusCode, Url, redirect, retry};
use tokio::net::UdpSocket;
use tokio::time::{Instant, timeout_at};

use super::{Failure, Mute, facing, one_line};
use crate::watch::Silence;
use crate::watch::extract::excerpt;
use crate::watch::http::root_cause;
use xml::{Answer, Service};

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

/// Asks `gateway`, which is looked for by a search sent to `group`.
pub(super) async fn ask(
    gateway: Ipv4Addr,
    interface: Option<&str>,
    group: SocketAddrV4,
    deadline: Instant,
) -> Result<IpAddr, Failure> {
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
        match timeout_at(deadline, ask_device(&client, &location, gateway)).await {
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

fn silent() -> Failure {
    Failure::Unavailable("no answer".to_owned())
}

fn client(local: Ipv4Addr, interface: Option<&str>) -> reqwest::Result<Client> {
    // An error means that a provider is installed already: as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let builder = Client::builder()
        .local_address(IpAddr::V4(local))
        .no_proxy()
        .pool_max_idle_per_host(0)
        .retry(retry::never())
        .referer(false)
        .redirect(redirect::Policy::none())
        .tls_certs_only([])
        .user_agent(concat!("fingerpost/", env!("CARGO_PKG_VERSION")));
    match interface {
        Some(interface) => builder.interface(interface).build(),
        None => builder.build(),
    }
}

/// Reads the description and asks its services in turn until one has an address: of two kinds of connection that a
/// device lists, one is usually not in use and has none.
async fn ask_device(client: &Client, location: &Url, gateway: Ipv4Addr) -> Result<IpAddr, Failure> {
    let response = client.get(location.clone()).send().await.map_err(|error| broken(&error))?;
    if response.status() != StatusCode::OK {
        return Err(Failure::Unavailable(format!("{location} answers with status {}", response.status().as_u16())));
    }
    let description = read(response, DESCRIPTION).await?;
    let services = xml::services(&description, location, gateway).map_err(Failure::Unavailable)?;
    let mut failure = None;
    for service in &services {
        match call(client, service).await {
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
    Err(failure.unwrap_or_else(|| Failure::Unavailable("its device has no WAN connection service".to_owned())))
}

async fn call(client: &Client, service: &Service) -> Result<Answer, Failure> {
    let request = client
        .post(service.control.clone())
        .header(CONTENT_TYPE, HeaderValue::from_static("text/xml; charset=\"utf-8\""))
        .header("SOAPAction", format!("\"{}#{}\"", service.kind, xml::ACTION))
        .body(xml::call(service.kind));
    let response = request.send().await.map_err(|error| broken(&error))?;
    let status = response.status();
    // UPnP errors come with status 500 (UPnP Device Architecture 1.1, section 3.2.2).
    if status != StatusCode::OK && status != StatusCode::INTERNAL_SERVER_ERROR {
        return Err(Failure::Unavailable(format!("{} answers with status {}", service.control, status.as_u16())));
    }
    xml::answer(&read(response, ANSWER).await?).map_err(Failure::Unavailable)
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
