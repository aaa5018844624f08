//! What must hold of the records of a zone, whatever stands in them. No part of the program.

use std::net::IpAddr;

use super::home::Home;
use super::leaks::{Leak, Open, leaks};
use crate::provider::listing::{Part, ZoneRecord};

/// The text of a record, SPF or not; also with one of the home's addresses behind it.
pub fn zone_text(data: &[u8]) -> bool {
    let ours = [IpAddr::from([203, 0, 113, 77]), IpAddr::from([0x2001, 0xdb8, 5, 0, 0, 0, 0, 0x77])];
    let home = Home::new(ours, 64);
    let read = |text: String| -> Vec<Leak> {
        let name = "heronmill.example".to_owned();
        let weir = ZoneRecord { name: format!("weir.{name}"), rtype: "A".into(), data: vec![Part::Address(ours[0])] };
        let open = Open { quiet: [weir.name.clone()].into(), ..Open::default() };
        let found =
            leaks(&[weir, ZoneRecord { name, rtype: "TXT".into(), data: vec![Part::Text(text)] }], &home, &open);
        assert!(found.iter().all(|leak| leak.rtype == "TXT" && home.whose(leak.address).is_some()));
        found
    };
    let text = String::from_utf8_lossy(data);
    for (term, address) in ["ip4", "ip6"].into_iter().zip(ours) {
        let found = read(format!("{text} {term}:{address} "));
        assert!(found.iter().any(|leak| leak.address == address), "{text:?} hides {address}");
    }
    !read(text.into_owned()).is_empty()
}
