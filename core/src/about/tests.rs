use proptest::prelude::*;
use serde::de::DeserializeOwned;

use super::*;

/// What is written is `text`, and read is what was written.
fn holds<T: Serialize + DeserializeOwned + PartialEq + fmt::Debug>(about: &T, text: &str) {
    let written = serde_json::to_value(about).unwrap();
    assert_eq!(written, text);
    assert_eq!(serde_json::from_value::<T>(written).unwrap(), *about);
}

/// As they have stood in logs and state files since the first version.
#[test]
fn each_has_its_text() {
    use Family::{Ipv4, Ipv6};
    let dissenter = |operator: &str, family| Connection::Dissenter { operator: operator.to_owned(), family };
    for (text, about) in [
        ("captive-portal", Connection::CaptivePortal),
        ("carrier-nat", Connection::CarrierNat),
        ("dissenter tern-labs IPv4", dissenter("tern-labs", Ipv4)),
        ("double-nat", Connection::DoubleNat),
        ("family-missing IPv6", Connection::FamilyMissing(Ipv6)),
        ("other-egress IPv4", Connection::OtherEgress(Ipv4)),
        ("router-contradicts IPv6", Connection::RouterContradicts(Ipv6)),
        // Another version's.
        ("moat", Connection::Other("moat".to_owned())),
        ("", Connection::Other(String::new())),
        ("carrier-nat IPv4", Connection::Other("carrier-nat IPv4".to_owned())),
        ("other-egress", Connection::Other("other-egress".to_owned())),
        ("other-egress ipv4", Connection::Other("other-egress ipv4".to_owned())),
        ("dissenter tern-labs", Connection::Other("dissenter tern-labs".to_owned())),
        ("Dissenter tern-labs IPv4", Connection::Other("Dissenter tern-labs IPv4".to_owned())),
    ] {
        holds(&about, text);
        holds(&About::Connection(about), text);
    }
    let other = |text: &str| Exposed::Other(text.to_owned());
    let by = |check, of: &str| Exposed::By { check, of: of.to_owned() };
    for (text, about) in [
        ("exposure: leaks, gauge.heronmill.example", by(Check::Leaks, "gauge.heronmill.example")),
        ("exposure: way in, gauge.heronmill.example", by(Check::WayIn, "gauge.heronmill.example")),
        ("exposure: moat, gauge.heronmill.example", other("exposure: moat, gauge.heronmill.example")),
        ("exposure: leaks", other("exposure: leaks")),
        ("exposure: ", other("exposure: ")),
    ] {
        holds(&about, text);
        holds(&About::Exposure(about), text);
    }
    let ranges = Ranges { edge: "weir".to_owned() };
    holds(&ranges, "ranges: weir");
    holds(&About::Ranges(ranges), "ranges: weir");
}

#[test]
fn each_check_has_its_word() {
    for check in Check::ALL {
        assert_eq!((check.to_string().as_str(), Check::by_word(check.word())), (check.word(), Some(check)));
    }
    let mut sorted = Check::ALL;
    sorted.sort();
    assert!(sorted.is_sorted_by_key(|check| check.word()), "{sorted:?}");
    assert_eq!((Check::by_word("Leaks"), Check::by_word("")), (None, None));
}

/// A name as a configuration may have it.
const LABEL: &str = "[A-Za-z0-9._-]{1,64}";

fn connection() -> impl Strategy<Value = Connection> {
    let family = || prop_oneof![Just(Family::Ipv4), Just(Family::Ipv6)];
    prop_oneof![
        Just(Connection::CaptivePortal),
        Just(Connection::CarrierNat),
        (LABEL, family()).prop_map(|(operator, family)| Connection::Dissenter { operator, family }),
        Just(Connection::DoubleNat),
        family().prop_map(Connection::FamilyMissing),
        family().prop_map(Connection::OtherEgress),
        family().prop_map(Connection::RouterContradicts),
    ]
}

fn exposed() -> impl Strategy<Value = Exposed> {
    (proptest::sample::select(Check::ALL.to_vec()), LABEL).prop_map(|(check, of)| Exposed::By { check, of })
}

proptest! {
    #[test]
    fn what_is_written_is_read(connection in connection(), exposed in exposed(), edge in LABEL) {
        holds(&connection, &connection.to_string());
        holds(&exposed, &exposed.to_string());
        let ranges = Ranges { edge };
        holds(&ranges, &ranges.to_string());
        for about in [About::Connection(connection), About::Exposure(exposed), About::Ranges(ranges)] {
            holds(&about, &about.to_string());
        }
    }

    /// Also what no version has ever written.
    #[test]
    fn every_text_is_kept_as_it_is(
        text in "((exposure: |ranges: )?((leaks|moat|way in), ?)?|dissenter |other-egress |carrier-nat)?\\PC{0,12}( IPv[46])?"
    ) {
        prop_assert_eq!(String::from(About::from(text.clone())), text.clone());
        prop_assert_eq!(String::from(Connection::from(text.clone())), text.clone());
        prop_assert_eq!(String::from(Exposed::from(text.clone())), text);
    }

    /// The state file has them in this order.
    #[test]
    fn they_are_ordered_as_their_texts(a in connection(), b in connection(), c in exposed(), d in exposed()) {
        prop_assert_eq!(a.cmp(&b), a.to_string().cmp(&b.to_string()));
        prop_assert_eq!(c.cmp(&d), c.to_string().cmp(&d.to_string()));
    }
}
