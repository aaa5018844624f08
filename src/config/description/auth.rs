//! How the secret is shown to an API.

use reqwest::header::{CONTENT_LENGTH, HOST, HeaderName};

use super::super::reader::Table;
use super::super::units::Wrong;

/// How the secret is shown to the API.
pub(in crate::config) enum Auth {
    Bearer,
    Basic,
    Header(HeaderName),
    /// As the value of this parameter of the query.
    Query(String),
}

pub(super) fn auth(table: &Table<'_>) -> Option<Auth> {
    #[derive(Clone, Copy, PartialEq)]
    enum AuthWord {
        Bearer,
        Basic,
        Header,
        Query,
    }
    let kinds = [
        ("bearer", AuthWord::Bearer),
        ("basic", AuthWord::Basic),
        ("header", AuthWord::Header),
        ("query", AuthWord::Query),
    ];
    let kind = table.key("kind").required("kind = \"bearer\", \"basic\", \"header\" or \"query\"").one_of(&kinds)?;
    let (header, parameter) = (table.key("header"), table.key("parameter"));
    if kind != AuthWord::Header && header.is_set() {
        header.wrong("only the kind \"header\" has a header of its own", "remove it");
    }
    if kind != AuthWord::Query && parameter.is_set() {
        parameter.wrong("only the kind \"query\" has a parameter", "remove it");
    }
    Some(match kind {
        AuthWord::Bearer => Auth::Bearer,
        AuthWord::Basic => Auth::Basic,
        AuthWord::Header => {
            let header = header.required("header = \"X-API-Key\"");
            Auth::Header(header.parse(|text| header_name(text, &[HOST, CONTENT_LENGTH]))?)
        }
        AuthWord::Query => Auth::Query(parameter.required("parameter = \"key\"").parse(parameter_name)?),
    })
}

pub(super) fn header_name(text: &str, taken: &[HeaderName]) -> Result<HeaderName, Wrong> {
    let name = HeaderName::from_bytes(text.as_bytes())
        .map_err(|_| Wrong::new("is not the name of a header (RFC 9110, 5.1)", "write it like \"X-API-Key\""))?;
    if taken.contains(&name) {
        return Err(Wrong::new("is a header that is set in another way", "remove it"));
    }
    Ok(name)
}

/// A name that stands in a query as it is.
fn parameter_name(text: &str) -> Result<String, Wrong> {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~".contains(&b);
    if text.is_empty() || !text.bytes().all(plain) {
        let what = "is no name of a parameter: letters, digits and -._~ (RFC 3986, 2.3)";
        return Err(Wrong::new(what, "write it as it stands before the '=' in the API's documentation"));
    }
    Ok(text.to_owned())
}
