//! What a request gets: who may ask, by which name, and for what. Pure.

use std::net::{IpAddr, SocketAddr};

use ipnet::IpNet;

use super::{Status, metrics, page};
use crate::http_server::{Method, Request, Response};
use crate::settings::Listen;

/// Nothing but what is served here may be used by the page, which can send nothing anywhere and stand in no frame (Content
/// Security Policy Level 3, sections 6.1, 6.3 and 6.4).
const POLICY: &str = "Content-Security-Policy: default-src 'none'; style-src 'self'; script-src 'self'; connect-src \
                      'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The kind of the metrics (OpenMetrics 1.0, section "Protocol negotiation").
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Who may look.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Door {
    /// Where it is.
    pub listen: Listen,
    /// The ranges from which may be asked; for a listener on loopback that is always allowed as well.
    pub allow: Vec<IpNet>,
    /// The names by which this server may be called, besides its own address.
    pub hosts: Vec<String>,
}

impl Door {
    /// For the control socket: whoever can open it may ask, by any name.
    pub(crate) fn control(path: std::path::PathBuf) -> Self {
        Self { listen: Listen::Unix(path), allow: Vec::new(), hosts: Vec::new() }
    }

    /// Whether `peer` may ask at all.
    pub(crate) fn admits(&self, peer: IpAddr) -> bool {
        let peer = peer.to_canonical();
        match self.listen {
            Listen::Unix(_) => true,
            Listen::Tcp(at) => {
                (at.ip().is_loopback() && peer.is_loopback()) || self.allow.iter().any(|range| range.contains(&peer))
            }
        }
    }

    /// Whether the server may be called `host`: else a page from elsewhere could have its own name lead here, and read what
    /// only the household may.
    fn answers_to(&self, host: Option<&str>) -> bool {
        let Listen::Tcp(at) = self.listen else { return true };
        let Some(host) = host else { return false };
        let (name, port) = split(host);
        // Behind a proxy or a forwarded port it is another one.
        if port.is_some_and(|port| port.parse::<u16>().is_err()) {
            return false;
        }
        let is_own = match name.trim_matches(['[', ']']).parse::<IpAddr>() {
            Ok(address) => address == at.ip() || (at.ip().is_unspecified() && is_literal(name)),
            Err(_) => at.ip().is_loopback() && name.eq_ignore_ascii_case("localhost"),
        };
        is_own || self.hosts.iter().any(|own| own.eq_ignore_ascii_case(name))
    }

    /// Why `request` gets nothing, if it does not.
    pub(crate) fn refuses(&self, request: &Request) -> Option<Response> {
        if !self.answers_to(request.host.as_deref()) {
            let why = "This server is not known by that name: it can be allowed by `hosts` in [status].";
            return Some(Response::refusal(421, why.to_owned()));
        }
        let is_foreign = |origin: &String| {
            let own = origin.split_once("://").map(|(_, authority)| authority);
            own.is_none() || own != request.host.as_deref()
        };
        if matches!(self.listen, Listen::Tcp(_)) && request.origin.as_ref().is_some_and(is_foreign) {
            return Some(Response::refusal(403, "Another site asks in somebody's name: that gets nothing.".to_owned()));
        }
        (request.method == Method::Other).then(|| Response {
            fields: vec!["Allow: GET, HEAD".to_owned()],
            ..Response::refusal(405, "Only GET and HEAD: nothing can be changed here.".to_owned())
        })
    }
}

/// An address is no name that somebody could have lead here.
fn is_literal(name: &str) -> bool {
    name.trim_matches(['[', ']']).parse::<IpAddr>().is_ok()
}

/// Name and port (RFC 9110, section 7.2).
fn split(host: &str) -> (&str, Option<&str>) {
    match host.rsplit_once(':') {
        Some((name, port)) if !port.contains(']') => (name, Some(port)),
        _ => (host, None),
    }
}

/// What there is to be had.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// The page.
    Page,
    /// Its looks.
    Style,
    /// What refreshes it.
    Script,
    /// All that is known, as JSON.
    Json,
    /// A word whenever something is new.
    Events,
    /// The metrics.
    Metrics,
    /// Whether the process lives.
    Health,
    /// Whether the home's address is known.
    Ready,
}

impl What {
    /// By its path.
    pub fn at(path: &str) -> Option<Self> {
        Some(match path {
            "/" => Self::Page,
            "/style.css" => Self::Style,
            "/refresh.js" => Self::Script,
            "/status.json" => Self::Json,
            "/events" => Self::Events,
            "/metrics" => Self::Metrics,
            "/healthz" => Self::Health,
            "/readyz" => Self::Ready,
            _ => return None,
        })
    }
}

/// The answer for `what`, which is not [`What::Events`].
pub(crate) fn answer(what: What, status: impl FnOnce() -> Status) -> Response {
    let kind = |kind, body| Response { kind, ..Response::text(200, body) };
    let mut answer = match what {
        What::Page => kind("text/html; charset=utf-8", page::render(&status())),
        What::Style => kind("text/css; charset=utf-8", page::STYLE.to_owned()),
        What::Script => kind("text/javascript; charset=utf-8", page::SCRIPT.to_owned()),
        What::Json => match serde_json::to_string(&status()) {
            Ok(text) => kind("application/json", text + "\n"),
            Err(error) => Response::refusal(500, error.to_string()),
        },
        What::Metrics => kind(OPEN_METRICS, metrics::render(&status())),
        What::Health | What::Events => Response::text(200, "alive\n".to_owned()),
        What::Ready => match metrics::is_ready(&status()) {
            true => Response::text(200, "ready\n".to_owned()),
            false => Response::refusal(503, "No ruling has been reached yet.".to_owned()),
        },
    };
    answer.fields.extend(careful());
    answer
}

/// What a browser is told besides.
pub(crate) fn careful() -> impl Iterator<Item = String> {
    let fields = [
        POLICY,
        "X-Content-Type-Options: nosniff",
        "Referrer-Policy: no-referrer",
        "Cross-Origin-Resource-Policy: same-origin",
        "X-Frame-Options: DENY",
    ];
    fields.into_iter().map(str::to_owned)
}

/// Where a peer is when that says anything.
pub(crate) fn peer_of(address: &SocketAddr) -> IpAddr {
    address.ip().to_canonical()
}

#[cfg(test)]
mod tests;
