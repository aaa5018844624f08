//! Messages after RFC 1034, sections 4.3.2 and 6.2 (the referral), and RFC 2308, section 2 (the SOA of an answer that
//! says no); put together by hand.

use std::str::FromStr;

use hickory_proto::op::{MessageType, OpCode};
use hickory_proto::rr::rdata::{NS, SOA};

use super::*;

fn name(text: &str) -> Name {
    Name::from_str(text).unwrap()
}

fn ns(owner: &str, target: &str) -> Record {
    Record::from_rdata(name(owner), 3600, RData::NS(NS(name(target))))
}

fn address(owner: &str, address: &str) -> Record {
    let data = match address.parse().unwrap() {
        IpAddr::V4(v4) => RData::A(v4.into()),
        IpAddr::V6(v6) => RData::AAAA(v6.into()),
    };
    Record::from_rdata(name(owner), 3600, data)
}

fn soa(owner: &str) -> Record {
    let data = SOA::new(name("ns1.example."), name("hostmaster.example."), 1, 3600, 900, 604_800, 300);
    Record::from_rdata(name(owner), 3600, RData::SOA(data))
}

fn message(authoritative: bool, answers: Vec<Record>, authorities: Vec<Record>, more: Vec<Record>) -> Message {
    let mut message = Message::new(1, MessageType::Response, OpCode::Query);
    message.metadata.authoritative = authoritative;
    message.add_answers(answers);
    message.add_authorities(authorities);
    message.additionals = more;
    message
}

fn delegated(message: &Message) -> Result<Vec<(String, Vec<String>)>, Undelegated> {
    let found = delegation(&name("heronmill.example."), &name("example."), message)?;
    let texts = |addresses: BTreeSet<IpAddr>| addresses.iter().map(ToString::to_string).collect();
    Ok(found.into_iter().map(|(name, addresses)| (text(&name), texts(addresses))).collect())
}

#[test]
fn a_referral_names_the_servers_with_the_glue_that_the_parent_has_a_say_in() {
    let names = vec![
        ns("HeronMill.example.", "NS1.heronmill.example."),
        ns("heronmill.example.", "ns2.tern.test."),
        ns("other.example.", "ns1.other.example."),
    ];
    let glue = vec![
        address("ns1.heronmill.example.", "192.0.2.53"),
        address("ns1.heronmill.example.", "2001:db8::53"),
        address("ns2.tern.test.", "192.0.2.66"),
        address("ns9.heronmill.example.", "192.0.2.67"),
    ];
    let wanted = [
        ("ns1.heronmill.example".to_owned(), vec!["192.0.2.53".to_owned(), "2001:db8::53".to_owned()]),
        ("ns2.tern.test".to_owned(), vec![]),
    ];
    let referral = message(false, vec![], names.clone(), glue.clone());
    assert_eq!(delegated(&referral).unwrap(), wanted);
    // The same server has the zone too.
    assert_eq!(delegated(&message(true, names, vec![], glue)).unwrap(), wanted);
}

#[test]
fn what_is_no_delegation_says_why() {
    let servers = || vec![ns("heronmill.example.", "ns1.heronmill.example.")];
    for (told, message) in [
        (Undelegated::NoSuchZone, message(true, vec![], vec![soa("example.")], vec![])),
        (Undelegated::NoAnswer, message(false, vec![], vec![], vec![])),
        // From a cache, perhaps by something on the way.
        (Undelegated::NoAnswer, message(false, servers(), vec![], vec![])),
        // A referral to somewhere else.
        (Undelegated::NoAnswer, message(false, vec![], vec![ns("example.", "ns1.example.")], vec![])),
    ] {
        assert_eq!(delegated(&message), Err(told), "{message}");
    }
    let mut refused = message(false, vec![], servers(), vec![]);
    refused.metadata.response_code = ResponseCode::Refused;
    assert_eq!(delegated(&refused), Err(Undelegated::NoAnswer));
    let mut none = message(true, vec![], vec![soa("example.")], vec![]);
    none.metadata.response_code = ResponseCode::NXDomain;
    assert_eq!(delegated(&none), Err(Undelegated::NoSuchZone));
}

#[test]
fn servers_and_addresses_are_bounded() {
    let all =
        |count: u32| (0..count).map(|nth| ns("heronmill.example.", &format!("n{nth}.heronmill.example."))).collect();
    let glue = (0..99).map(|nth| address("n0.heronmill.example.", &format!("192.0.2.{nth}"))).collect();
    let found = delegated(&message(false, vec![], all(200), glue)).unwrap();
    assert_eq!((found.len(), found[0].1.len()), (SERVERS, ADDRESSES));
    let told = nameservers(&name("heronmill.example."), &message(false, all(200), vec![], vec![]));
    assert_eq!(told.len(), SERVERS);
}

#[test]
fn the_zone_above_is_told_in_the_answer_or_beside_it() {
    let of = |message: &Message| enclosing(&name("b.example."), message).map(|name| text(&name));
    assert_eq!(of(&message(false, vec![soa("b.example.")], vec![], vec![])).as_deref(), Some("b.example"));
    assert_eq!(of(&message(false, vec![], vec![soa("example.")], vec![])).as_deref(), Some("example"));
    assert_eq!(of(&message(false, vec![], vec![soa(".")], vec![])).as_deref(), Some("."));
    assert_eq!(of(&message(false, vec![], vec![soa("tern.test.")], vec![])), None);
    assert_eq!(of(&message(false, vec![], vec![], vec![])), None);
}

/// The form of resolv.conf(5).
#[test]
fn the_resolvers_of_the_system_are_read() {
    let text = "# nameserver 192.0.2.1\nsearch example\nnameserver 192.0.2.53\n nameserver 2001:db8::53 # here\n\
                nameserver nowhere\nnameservers 192.0.2.2\nnameserver 192.0.2.3\nnameserver 192.0.2.4\n";
    let found: Vec<_> = resolvers(text).iter().map(ToString::to_string).collect();
    assert_eq!(found, ["192.0.2.53", "2001:db8::53", "192.0.2.3"]);
    assert_eq!(resolvers("search example\n"), [IpAddr::from([127, 0, 0, 1])]);
}
