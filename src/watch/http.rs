//! Echo services over HTTP and HTTPS: one GET on a fresh connection, bounded in bytes, and by the caller in time.
//!
//! A family is chosen by binding the local end. No proxy, whatever the environment says: a proxy's address would come
//! back. No kept connection: it would be reset, or answer for the old address, when the WAN address moves.

use std::io;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

use reqwest::header::{ACCEPT, CACHE_CONTROL, CONTENT_TYPE, HeaderValue};
use reqwest::{Client, StatusCode, Url, redirect};

use super::extract::{LIMIT, extract, too_long};
use super::{Silence, WatchError};
use crate::address::Family;
use crate::http;
use crate::settings::{Bind, Extract, Witness, WitnessKind};
use crate::text::{causes, root_cause, short_line};

/// Redirects within the same origin that are followed.
const REDIRECTS: usize = 3;

/// One client a family, for one line; none where the line has no way out.
#[derive(Debug)]
pub(crate) struct Clients {
    ipv4: Option<Client>,
    ipv6: Option<Client>,
}

impl Clients {
    /// The clients that `witnesses` need, going out as `bind` says; certificates are loaded only if one of them speaks HTTPS.
    ///
    /// # Errors
    /// [`WatchError::Client`] when the platform's certificates cannot be loaded.
    pub(crate) fn new(witnesses: &[Witness], bind: Option<&Bind>) -> Result<Self, WatchError> {
        let secure = witnesses
            .iter()
            .any(|witness| matches!(&witness.kind, WitnessKind::Http { url, .. } if url.scheme() == "https"));
        let build = |family| {
            let Some(local) = local_address(family, bind) else { return Ok(None) };
            let builder = http::client(secure).local_address(local).redirect(redirect::Policy::custom(same_origin));
            let builder = match bind {
                Some(Bind::Interface(interface)) => builder.interface(interface),
                _ => builder,
            };
            builder.build().map(Some).map_err(|source| WatchError::Client { why: root_cause(&source), source })
        };
        Ok(Self { ipv4: build(Family::Ipv4)?, ipv6: build(Family::Ipv6)? })
    }

    /// Asks the echo service at `url` over `family`. The address is as it came: not judged yet.
    ///
    /// # Errors
    /// The [`Silence`] that says why there is none.
    pub(crate) async fn ask(&self, family: Family, url: &Url, how: &Extract) -> Result<IpAddr, Silence> {
        let client = match family {
            Family::Ipv4 => &self.ipv4,
            Family::Ipv6 => &self.ipv6,
        };
        let client = client.as_ref().ok_or(Silence::NoWay)?;
        let accept = match how {
            Extract::Body => "text/plain, */*;q=0.1",
            Extract::Pointer(_) => "application/json, */*;q=0.1",
        };
        // An answer kept by a cache on the way would be an earlier address (RFC 9111, section 5.2.1.4).
        let request = client.get(url.clone()).header(ACCEPT, accept).header(CACHE_CONTROL, "no-cache");
        let mut response = request.send().await.map_err(|error| silence(family, &error))?;
        match response.status() {
            StatusCode::OK => {}
            StatusCode::NETWORK_AUTHENTICATION_REQUIRED => return Err(Silence::CaptivePortal),
            status => return Err(Silence::Status(status.as_u16())),
        }
        let content_type = response.headers().get(CONTENT_TYPE).map(HeaderValue::as_bytes).map(String::from_utf8_lossy);
        let content_type = content_type.map(String::from);
        let mut body = Vec::new();
        while let Some(chunk) = response.chunk().await.map_err(|error| silence(family, &error))? {
            body.extend_from_slice(&chunk);
            if body.len() > LIMIT {
                return Err(too_long(content_type.as_deref(), &body));
            }
        }
        extract(how, content_type.as_deref(), &body)
    }
}

/// The local end of a question over `family`, where `bind` leaves a way out in it.
pub(crate) fn local_address(family: Family, bind: Option<&Bind>) -> Option<IpAddr> {
    match bind {
        Some(Bind::Sources(sources)) => sources.iter().copied().find(|source| Family::of(*source) == family),
        Some(Bind::Interface(_)) | None => Some(match family {
            Family::Ipv4 => Ipv4Addr::UNSPECIFIED.into(),
            Family::Ipv6 => Ipv6Addr::UNSPECIFIED.into(),
        }),
    }
}

/// Why a redirect is not followed, on its way through the client.
#[derive(Debug, PartialEq, thiserror::Error)]
enum Refused {
    #[error("redirected to {0}")]
    Away(String),
    #[error("redirected too often")]
    TooOften,
}

/// Follows a few redirects within the origin, and none away from it.
pub(crate) fn same_origin(attempt: redirect::Attempt<'_>) -> redirect::Action {
    match refused(attempt.previous(), attempt.url()) {
        Some(refused) => attempt.error(refused),
        None => attempt.follow(),
    }
}

/// Whether a redirect to `next` is refused after the requests of `previous`: scheme, host and port must stay.
fn refused(previous: &[Url], next: &Url) -> Option<Refused> {
    let next = next.origin();
    if previous.first().map(Url::origin).as_ref() != Some(&next) {
        return Some(Refused::Away(next.ascii_serialization()));
    }
    (previous.len() > REDIRECTS).then_some(Refused::TooOften)
}

fn silence(family: Family, error: &reqwest::Error) -> Silence {
    for cause in causes(error) {
        match cause.downcast_ref() {
            Some(Refused::Away(origin)) => return Silence::RedirectedAway(short_line(origin)),
            Some(Refused::TooOften) => return Silence::TooManyRedirects(REDIRECTS),
            None => {}
        }
        // The connector's own way to say that no address of the name is of the bound family.
        if cause.downcast_ref::<io::Error>().is_some_and(|cause| cause.kind() == io::ErrorKind::NotConnected) {
            return Silence::Unreachable(format!("its host has no {family} address"));
        }
    }
    Silence::Unreachable(root_cause(error))
}

#[cfg(test)]
mod tests {
    use super::{Refused, Url, refused};

    #[test]
    fn a_redirect_stays_within_its_origin() {
        for (from, to, away) in [
            ("https://echo.north.example/", "https://echo.north.example/ip", None),
            ("https://echo.north.example/", "https://echo.north.example:443/ip", None),
            ("https://echo.north.example/", "https://user@ECHO.north.example/", None),
            ("https://echo.north.example/", "http://echo.north.example/", Some("http://echo.north.example")),
            ("http://echo.north.example/", "https://echo.north.example/", Some("https://echo.north.example")),
            (
                "https://echo.north.example/",
                "https://echo.north.example:8443/",
                Some("https://echo.north.example:8443"),
            ),
            ("https://echo.north.example/", "https://north.example/?token=7", Some("https://north.example")),
            ("http://203.0.113.7/", "http://203.0.113.8/", Some("http://203.0.113.8")),
            ("http://203.0.113.7/", "file:///etc/passwd", Some("null")),
        ] {
            let answer = refused(&[Url::parse(from).unwrap()], &Url::parse(to).unwrap());
            assert_eq!(answer, away.map(|away| Refused::Away(away.into())), "{from} to {to}");
        }
    }

    #[test]
    fn three_redirects_are_followed_and_no_more() {
        let url = Url::parse("https://echo.north.example/").unwrap();
        assert_eq!(refused(&vec![url.clone(); 3], &url), None);
        assert_eq!(refused(&vec![url.clone(); 4], &url), Some(Refused::TooOften));
    }
}
