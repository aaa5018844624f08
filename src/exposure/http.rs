//! Two requests: through a public name, and to a helper. No proxy, no redirect, no kept connection.

use std::time::Duration;

use reqwest::{Certificate, Url};
use rustls::pki_types::CertificateDer;
use serde::Deserialize;

use super::allowed::Permit;
use super::home::{Home, Whose};
use super::reach::Entry;
use crate::address::Family;
use crate::echo::knock::Knock;
use crate::http;
use crate::settings::Service;
use crate::text::{root_cause, short_line};
use crate::watch::http::local_address;

/// The longest answer of a helper that is read, in bytes.
const LIMIT: usize = 4096;

/// What a request through the public name of `service` comes to, at the addresses `at`. Certificates of `given` count
/// beside the system's.
pub(super) async fn enter(
    service: &Service,
    at: &[Permit],
    given: &[CertificateDer<'static>],
    patience: Duration,
) -> Entry {
    let addresses: Vec<_> = at.iter().map(|permit| permit.address()).collect();
    if addresses.is_empty() {
        return Entry::NotAsked("the name leads to no address of the edge or of the home: nobody is asked".into());
    }
    let given = given.iter().filter_map(|der| Certificate::from_der(der).ok());
    let builder =
        http::client(true).timeout(patience).resolve_to_addrs(service.name.as_str(), &addresses).tls_certs_merge(given);
    let client = match http::build(builder).await {
        Ok(client) => client,
        Err(error) => {
            return Entry::NotAsked(format!("this machine's certificates cannot be loaded: {}", root_cause(&error)));
        }
    };
    match client.get(format!("https://{}:{}/", service.name, service.port)).send().await {
        Ok(response) => Entry::Answered(response.status().as_u16()),
        Err(error) => Entry::Failed(format!("no answer over HTTPS: {}", root_cause(&error))),
    }
}

/// What a helper answers.
#[derive(Deserialize)]
struct Knocked {
    seen: std::net::IpAddr,
    port: u16,
    knock: Knock,
}

/// What `helper` says of `port` of the home, asked over `family`.
///
/// # Errors
/// Why it says nothing that can be believed of the home.
pub(super) async fn knock(
    helper: &Url,
    family: Family,
    port: u16,
    home: &Home,
    patience: Duration,
) -> Result<Knock, String> {
    let mut url = helper.join("knock").map_err(|error| error.to_string())?;
    url.set_query(Some(&format!("port={port}")));
    let local = local_address(family, None);
    let client = http::build(http::client(true).timeout(patience).local_address(local)).await;
    let client = client.map_err(|error| root_cause(&error))?;
    let mut response = client.get(url).send().await.map_err(|error| format!("the helper: {}", root_cause(&error)))?;
    let status = response.status();
    let mut body = Vec::new();
    while let Some(chunk) = response.chunk().await.map_err(|error| format!("the helper: {}", root_cause(&error)))? {
        body.extend_from_slice(&chunk);
        if body.len() > LIMIT {
            return Err(format!("the helper answers more than {LIMIT} bytes"));
        }
    }
    if !status.is_success() {
        return Err(format!("the helper says: {} ({})", short_line(&String::from_utf8_lossy(&body)), status.as_u16()));
    }
    let knocked: Knocked =
        serde_json::from_slice(&body).map_err(|_| "what the helper says is not an answer to a knock".to_owned())?;
    if knocked.port != port {
        return Err(format!("the helper tells of port {}, not of {port}", knocked.port));
    }
    match home.whose(knocked.seen) {
        Some(Whose::Now) => Ok(knocked.knock),
        _ => Err(format!(
            "the helper was asked from {}, which is not the home's address: by a VPN, perhaps",
            knocked.seen
        )),
    }
}
