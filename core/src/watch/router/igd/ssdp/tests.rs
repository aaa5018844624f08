use crate::testing::like;
use proptest::prelude::*;

use super::*;

const GATEWAY: Ipv4Addr = Ipv4Addr::new(192, 168, 77, 1);
const IGD: &str = "ST: urn:schemas-upnp-org:device:InternetGatewayDevice:1\r\n";
const AT: &str = "LOCATION: http://192.168.77.1:5000/rootDesc.xml\r\n";

fn answer(headers: &str) -> String {
    format!("HTTP/1.1 200 OK\r\nCACHE-CONTROL: max-age=120\r\n{headers}\r\n")
}

#[test]
fn a_search_has_the_form_of_the_architecture() {
    // UPnP Device Architecture 1.1, section 1.3.2.
    assert_eq!(
        search(TARGETS[1], GROUP),
        "M-SEARCH * HTTP/1.1\r\nHOST: 239.255.255.250:1900\r\nMAN: \"ssdp:discover\"\r\nMX: 1\r\n\
         ST: urn:schemas-upnp-org:device:InternetGatewayDevice:2\r\n\r\n"
    );
}

#[test]
fn locations_are_taken_from_answers_about_the_gateway_alone() {
    let good = Some("http://192.168.77.1:5000/rootDesc.xml");
    for (datagram, expected) in [
        (answer(&[IGD, AT].concat()), good),
        (answer(&[AT, "st:urn:schemas-upnp-org:service:WANPPPConnection:1\r\n"].concat()), good),
        (answer("ST: urn:schemas-upnp-org:device:InternetGatewayDevice:2\r\nLocation:http://192.168.77.1/\r\n"), {
            Some("http://192.168.77.1/")
        }),
        // Another device of the gateway, something that begins like it, and no type at all.
        (answer(&["ST: urn:schemas-upnp-org:device:MediaServer:1\r\n", AT].concat()), None),
        (answer(&["ST: urn:schemas-upnp-org:device:InternetGatewayDevice:12\r\n", AT].concat()), None),
        (answer(AT), None),
        (answer(IGD), None),
        // Twice: it is not clear which one holds.
        (answer(&[IGD, AT, "LOCATION: http://192.168.77.1/\r\n"].concat()), None),
        // After the end of the headers.
        (answer(&[IGD, "\r\n", AT].concat()), None),
        // Another search, an announcement, another status, another version.
        ([IGD, AT].concat(), None),
        (format!("NOTIFY * HTTP/1.1\r\n{IGD}{AT}\r\n"), None),
        (format!("HTTP/1.1 404 Not Found\r\n{IGD}{AT}\r\n"), None),
        (format!("HTTP/1.1 2000 OK\r\n{IGD}{AT}\r\n"), None),
        (format!("HTTP/2 200 OK\r\n{IGD}{AT}\r\n"), None),
        // What is clear is taken: a line that is no header, an older version, bare LF, the same said twice, blanks.
        (answer(&[IGD, "no header\r\n", AT].concat()), good),
        (format!("HTTP/1.0 200 OK\r\n{IGD}{AT}\r\n"), good),
        (format!("HTTP/1.0 200\r\n{IGD}{AT}\r\n"), good),
        (answer(&[IGD, AT].concat()).replace('\r', ""), good),
        (answer(&[IGD, AT].concat()).replace('\r', "").trim_end().to_owned(), good),
        (answer(&[IGD, AT, AT].concat()), good),
        (answer(&[IGD, AT].concat()).replace(": ", " :  "), good),
        // After the end of the headers, with bare LF too.
        (answer(&[IGD, "\r\n", AT].concat()).replace('\r', ""), None),
        (String::new(), None),
    ] {
        let found = location(datagram.as_bytes(), GATEWAY);
        assert_eq!(found.as_ref().map(Url::as_str), expected, "{datagram}");
    }
    assert_eq!(location(b"HTTP/1.1 200 OK\r\nST: \xff\r\n\r\n", GATEWAY), None);
    // Latin-1 in a header that nobody asks about.
    let latin = [b"HTTP/1.1 200 OK\r\nSERVER: \xe9\r\n", IGD.as_bytes(), AT.as_bytes()].concat();
    assert_eq!(location(&latin, GATEWAY).as_ref().map(Url::as_str), good);
}

#[test]
fn only_plain_http_on_the_gateway_is_followed() {
    for (url, good) in [
        ("http://192.168.77.1/", true),
        ("http://192.168.77.1:49152/a?b", true),
        ("https://192.168.77.1/", false),
        ("ftp://192.168.77.1/", false),
        ("file:///etc/passwd", false),
        ("http://192.168.77.2/", false),
        ("http://192.168.77.1.evil.example/", false),
        ("http://gauge.heronmill.example/", false),
        ("http://user@192.168.77.1/", false),
        ("http://192.168.77.1@203.0.113.9/", false),
        ("http://:secret@192.168.77.1/", false),
        ("http://192.168.77.1:0/", false),
        ("http://[::ffff:192.168.77.1]/", false),
        // The URL standard's other spellings of the same address.
        ("http://0xc0a84d01/", true),
    ] {
        assert_eq!(on_gateway(&Url::parse(url).unwrap(), GATEWAY), good, "{url}");
    }
}

proptest! {
    #[test]
    fn nothing_makes_it_fail(datagram in prop::collection::vec(any::<u8>(), 0..600)) {
        let _ = location(&datagram, GATEWAY);
    }

    #[test]
    fn whatever_is_found_is_on_the_gateway(value in like("[ -~]{0,60}"), end in like("[ -~\r\n]{0,60}")) {
        let datagram = answer(&format!("{IGD}LOCATION: {value}\r\n{end}"));
        if let Some(url) = location(datagram.as_bytes(), GATEWAY) {
            prop_assert!(on_gateway(&url, GATEWAY));
        }
    }
}
