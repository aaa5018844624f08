use super::*;

fn door(listen: &str, allow: &[&str], hosts: &[&str]) -> Door {
    Door {
        listen: Listen::Tcp(listen.parse().unwrap()),
        allow: allow.iter().map(|range| range.parse().unwrap()).collect(),
        hosts: hosts.iter().map(|host| (*host).to_owned()).collect(),
    }
}

#[test]
fn who_is_allowed_is_who_is_named_and_this_machine_on_loopback() {
    let home = door("192.168.1.10:8053", &["192.168.1.0/24", "2001:db8:1::/64"], &[]);
    for (peer, admitted) in [
        ("192.168.1.20", true),
        // The same, on a socket for both families (RFC 4291, section 2.5.5.2).
        ("::ffff:192.168.1.20", true),
        ("2001:db8:1::20", true),
        ("192.168.2.20", false),
        ("2001:db8:2::20", false),
        ("127.0.0.1", false),
    ] {
        assert_eq!(home.admits(peer.parse().unwrap()), admitted, "{peer}");
    }
    let loopback = door("127.0.0.1:8053", &[], &[]);
    assert!(loopback.admits([127, 0, 0, 9].into()) && !loopback.admits([192, 168, 1, 20].into()));
}

#[test]
fn it_answers_to_its_own_address_and_to_the_names_it_is_given() {
    let (v4, v6) = (door("192.168.1.10:8053", &[], &["pi.heronmill.example"]), door("[::1]:8053", &[], &[]));
    let any = door("0.0.0.0:8053", &[], &[]);
    for (door, host, answers) in [
        (&v4, "192.168.1.10:8053", true),
        (&v4, "192.168.1.10", true),
        (&v4, "Pi.HeronMill.example:80", true),
        (&v4, "localhost:8053", false),
        (&v4, "192.168.1.11:8053", false),
        (&v4, "pi.heronmill.example:port", false),
        (&v4, "", false),
        (&v6, "[::1]:8053", true),
        (&v6, "localhost", true),
        (&v6, "[::2]:8053", false),
        // A literal is no name that somebody could have lead here.
        (&any, "203.0.113.77:8053", true),
        (&any, "rebound.example:8053", false),
    ] {
        assert_eq!(door.answers_to(Some(host)), answers, "{host}");
    }
    assert!(!v4.answers_to(None));
    assert!(Door::control("/run/x".into()).answers_to(None));
}
