//! The search for the gateway's device description (UPnP Device Architecture 1.1, section 1.3). Pure.

use std::net::{Ipv4Addr, SocketAddrV4};

use url::Url;

/// Where searches go.
pub const GROUP: SocketAddrV4 = SocketAddrV4::new(Ipv4Addr::new(239, 255, 255, 250), 1900);

/// What is searched for: the device, and for devices that hide it, its connection services.
pub const TARGETS: [&str; 5] = [
    "urn:schemas-upnp-org:device:InternetGatewayDevice:1",
    "urn:schemas-upnp-org:device:InternetGatewayDevice:2",
    "urn:schemas-upnp-org:service:WANIPConnection:1",
    "urn:schemas-upnp-org:service:WANIPConnection:2",
    "urn:schemas-upnp-org:service:WANPPPConnection:1",
];

/// The search for `target`. MX 1: devices spread their answers over one second.
pub fn search(target: &str, group: SocketAddrV4) -> String {
    format!("M-SEARCH * HTTP/1.1\r\nHOST: {group}\r\nMAN: \"ssdp:discover\"\r\nMX: 1\r\nST: {target}\r\n\r\n")
}

/// Where the description is, in an answer to a search (section 1.3.3): of one of [`TARGETS`], over HTTP, and on
/// `gateway` itself.
///
/// Lines may end in LF alone, which a recipient may take (RFC 9112, section 2.2), and the version may be HTTP/1.0. A line
/// that is no header, or not in UTF-8, says nothing, and spoils nothing.
pub fn location(datagram: &[u8], gateway: Ipv4Addr) -> Option<Url> {
    let text = String::from_utf8_lossy(datagram);
    let mut lines = text.lines();
    let status = lines.next()?;
    let status = ["HTTP/1.1 200", "HTTP/1.0 200"].iter().find_map(|known| status.strip_prefix(known))?;
    if !status.is_empty() && !status.starts_with(' ') {
        return None;
    }
    let (mut target, mut location) = (None, None);
    for line in lines.take_while(|line| !line.is_empty()) {
        let Some((name, value)) = line.split_once(':') else { continue };
        let name = name.trim_ascii_end();
        let slot = match () {
            () if name.eq_ignore_ascii_case("ST") => &mut target,
            () if name.eq_ignore_ascii_case("LOCATION") => &mut location,
            () => continue,
        };
        let value = value.trim_ascii();
        // Said in two ways, it is not clear which one holds.
        if slot.replace(value).is_some_and(|before| before != value) {
            return None;
        }
    }
    TARGETS.contains(&target?).then_some(())?;
    let location = Url::parse(location?).ok()?;
    on_gateway(&location, gateway).then_some(location)
}

/// Whether `url` is plain HTTP on `gateway`, at any port, without a user name.
pub(crate) fn on_gateway(url: &Url, gateway: Ipv4Addr) -> bool {
    let host = url.host_str().and_then(|host| host.parse().ok());
    url.scheme() == "http"
        && host == Some(gateway)
        && url.port() != Some(0)
        && url.username().is_empty()
        && url.password().is_none()
}

#[cfg(test)]
mod tests;
