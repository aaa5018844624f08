//! The token in the query of a URL, for an API that wants it there. Pure.

use url::Url;

use super::template::in_query;

/// `url` with the token in its query, once: what an API gives as the next page's URI may have it already.
pub fn with_token(url: &Url, name: &str, token: &[u8]) -> Url {
    // Empty pieces are no pairs (WHATWG URL, section 5.1), so that both go in step.
    let pieces = url.query().unwrap_or_default().split('&').filter(|piece| !piece.is_empty());
    let mut kept: Vec<String> =
        pieces.zip(url.query_pairs()).filter(|(_, pair)| pair.0 != name).map(|(piece, _)| piece.to_owned()).collect();
    kept.push(format!("{name}={}", in_query(&String::from_utf8_lossy(token))));
    let mut url = url.clone();
    url.set_query(Some(&kept.join("&")));
    url
}

#[cfg(test)]
mod tests {
    use super::{Url, with_token};

    /// RFC 3986, sections 2.1 and 3.4.
    #[test]
    fn the_token_is_in_the_query_once() {
        for (uri, wanted) in [
            ("/pegs", "/pegs?pass=r%26w%3D%20%C3%A9%2B"),
            ("/pegs?", "/pegs?pass=r%26w%3D%20%C3%A9%2B"),
            ("/pegs?a=%26b&&c", "/pegs?a=%26b&c&pass=r%26w%3D%20%C3%A9%2B"),
            ("/pegs?pass=old&a=1&p%61ss=x", "/pegs?a=1&pass=r%26w%3D%20%C3%A9%2B"),
            ("/pegs?passing=1", "/pegs?passing=1&pass=r%26w%3D%20%C3%A9%2B"),
        ] {
            let at = Url::parse("https://api.dnshost.example/").unwrap().join(uri).unwrap();
            let url = with_token(&at, "pass", "r&w= é+".as_bytes());
            assert_eq!(url.as_str(), format!("https://api.dnshost.example{wanted}"));
            assert_eq!(with_token(&url, "pass", "r&w= é+".as_bytes()), url);
            assert_eq!(url.query_pairs().find(|(name, _)| name == "pass").unwrap().1, "r&w= é+");
        }
    }
}
