use crate::testing::like;
use proptest::prelude::*;

use super::*;

fn columns() -> Columns {
    Columns { source: "Source".into(), port: Some("Port".into()), action: Some("Action".into()) }
}

fn shown(set: &AddressSet) -> String {
    set.prefixes().map(|net| net.to_string()).collect::<Vec<_>>().join(" ")
}

/// Each way in and each doubt.
fn told(rows: &str) -> String {
    let let_in = let_in(format!("No,Source,Port,Action\n{rows}").as_bytes(), &columns(), 443).unwrap();
    let ways = let_in.ways.iter().map(|way| format!("{} by {}", shown(&way.set), way.by));
    let doubts = let_in.doubts.iter().map(|doubt| format!("{} ? {}: {}", shown(&doubt.set), doubt.by, doubt.why));
    ways.chain(doubts).collect::<Vec<_>>().join("; ")
}

#[test]
fn rows_are_read_from_above() {
    for (rows, want) in [
        ("", ""),
        ("1,192.0.2.0/24,443,allow", "192.0.2.0/24 by row 2"),
        ("1,192.0.2.0/24,80,allow", ""),
        (
            "1,192.0.2.0/24, 80-443 ,ALLOW\r\n2,198.51.100.7,\"80,443\",Permit",
            "192.0.2.0/24 by row 2; 198.51.100.7/32 by row 3",
        ),
        ("1,192.0.2.0/25,any,deny\n2,192.0.2.0/24,443,allow", "192.0.2.128/25 by row 3"),
        ("1,*,443,accept\n2,192.0.2.0/25,443,deny", "0.0.0.0/0 ::/0 by row 2"),
        ("1,,443,accept", "0.0.0.0/0 ::/0 by row 2"),
        ("1,192.0.2.0-192.0.2.4,400:500,accept", "192.0.2.0/30 192.0.2.4/32 by row 2"),
        ("1,192.0.2.0/25 2001:db8::/32,443,accept\n2,any,443,drop", "192.0.2.0/25 2001:db8::/32 by row 2"),
    ] {
        assert_eq!(told(rows), want, "{rows}");
    }
}

#[test]
fn what_is_not_understood_is_unknown() {
    for (rows, want) in [
        ("1,office,443,allow", "0.0.0.0/0 ::/0 ? row 2: the source office"),
        ("1,192.0.2.9-192.0.2.1,443,allow", "0.0.0.0/0 ::/0 ? row 2: the source 192.0.2.9-192.0.2.1"),
        ("1,192.0.2.0/24,https,allow", "192.0.2.0/24 ? row 2: the port https"),
        ("1,192.0.2.0/24,443,maybe", "192.0.2.0/24 ? row 2: the action maybe"),
        (
            "1,192.0.2.0/25,https,deny\n2,192.0.2.0/24,443,allow",
            "192.0.2.128/25 by row 3; 192.0.2.0/25 ? row 3: a row above it is not understood",
        ),
        // Decided before, or about another port.
        ("1,any,any,deny\n2,office,443,allow", ""),
        ("1,office,80,allow", ""),
    ] {
        assert_eq!(told(rows), want, "{rows}");
    }
}

#[test]
fn exports_come_in_several_ways() {
    for text in [
        "Source,Port\n192.0.2.0/24,443\n",
        "\u{feff}source;PORT\r\n192.0.2.0/24;443\r\n",
        "\"Port\"\t\"Source\"\n443\t\"192.0.2.0/24\"\n",
        "Source,Comment,Port\n192.0.2.0/24,\"the weir, north\",443\n",
    ] {
        let columns = Columns { action: None, ..columns() };
        let let_in = let_in(text.as_bytes(), &columns, 443).unwrap();
        assert_eq!(let_in.ways.iter().map(|way| shown(&way.set)).collect::<Vec<_>>(), ["192.0.2.0/24"], "{text}");
    }
    for (text, want) in [
        ("", "it has no column \"Source\", only ; correct `columns`"),
        ("Von,Port,Action\n", "it has no column \"Source\", only \"Von\", \"Port\", \"Action\"; correct `columns`"),
        ("Source,Port,Source,Action\n", "it has the column \"Source\" twice: which one is meant?"),
    ] {
        assert_eq!(let_in(text.as_bytes(), &columns(), 443).unwrap_err().to_string(), want);
    }
    for text in [&b"Source,Port,Action\n192.0.2.0/24,443\n"[..], b"Source,Port,Action\n\xff,443,allow\n"] {
        assert!(matches!(let_in(text, &columns(), 443), Err(NotATable::Broken(_))));
    }
}

proptest! {
    #[test]
    fn no_text_panics(rows in like("[a-z0-9.:/,;\"\n* -]{0,200}"), text in like(".{0,100}")) {
        let _ = let_in(format!("Source,Port,Action\n{rows}").as_bytes(), &columns(), 443);
        let _ = let_in(text.as_bytes(), &columns(), 443);
    }
}
