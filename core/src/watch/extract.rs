//! From an echo service's answer to an address a home can have. Pure.

use std::net::IpAddr;

use ipnet::IpNet;

use super::Silence;
use crate::address::{Family, special};
use crate::settings::Extract;
use crate::text::excerpt;

/// The longest answer that is read, in bytes.
pub const LIMIT: usize = 4096;

/// The longest excerpt of an answer that is shown, in characters.
/// The one address in an answer with status 200. White space of ASCII around it is put aside, and nothing else.
///
/// # Errors
/// The [`Silence`] that says what stands there instead.
pub fn extract(how: &Extract, content_type: Option<&str>, body: &[u8]) -> Result<IpAddr, Silence> {
    if body.len() > LIMIT {
        return Err(too_long(content_type, body));
    }
    let not_an_address = || match is_page(content_type, body) {
        true => Silence::CaptivePortal,
        false => Silence::NotAnAddress(excerpt(body)),
    };
    match how {
        Extract::Body => address(body).ok_or_else(not_an_address),
        Extract::Pointer(pointer) => {
            let json: serde_json::Value = serde_json::from_slice(body).map_err(|_| not_an_address())?;
            let found = json.pointer(pointer).ok_or_else(|| Silence::NoSuchPointer(pointer.clone()))?;
            let text = found.as_str().map_or_else(|| found.to_string(), str::to_owned);
            let address = found.as_str().and_then(|text| address(text.as_bytes()));
            address.ok_or_else(|| Silence::NotAnAddress(excerpt(text.as_bytes())))
        }
    }
}

/// What to say of an answer longer than [`LIMIT`] that begins with `start`.
pub fn too_long(content_type: Option<&str>, start: &[u8]) -> Silence {
    // A login page is nearly always longer than the limit, and its length is not what is wrong with it.
    if is_page(content_type, start) { Silence::CaptivePortal } else { Silence::TooLong(LIMIT) }
}

/// The address a witness gave, if a home asked over `family` can have it.
///
/// # Errors
/// [`Silence::WrongFamily`] or [`Silence::NotPublishable`].
pub fn judge(family: Family, address: IpAddr, accept_special: &[IpNet]) -> Result<IpAddr, Silence> {
    let address = special::unmap(address);
    if Family::of(address) != family {
        return Err(Silence::WrongFamily(address));
    }
    special::check(address, accept_special).map_err(Silence::NotPublishable)?;
    Ok(address)
}

/// `std` takes no zone id, port, prefix length or leading zero, which is what is wanted here.
fn address(text: &[u8]) -> Option<IpAddr> {
    std::str::from_utf8(text.trim_ascii()).ok()?.parse().ok()
}

/// Whether an answer is a page for a browser, by its type or its beginning.
pub(crate) fn is_page(content_type: Option<&str>, body: &[u8]) -> bool {
    let declared = content_type.is_some_and(|value| {
        let media = value.split(';').next().unwrap_or_default().trim();
        media.eq_ignore_ascii_case("text/html") || media.eq_ignore_ascii_case("application/xhtml+xml")
    });
    let bare = body.strip_prefix(b"\xef\xbb\xbf").unwrap_or(body).trim_ascii_start();
    let opens_with = |tag: &str| bare.get(..tag.len()).is_some_and(|start| start.eq_ignore_ascii_case(tag.as_bytes()));
    declared || opens_with("<!doctype") || opens_with("<html")
}

#[cfg(test)]
mod tests;
