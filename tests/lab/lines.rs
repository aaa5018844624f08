//! A home with two lines: each voted on apart, and a record that follows the first that works.

use fingerpost::provider::RecordType;

use crate::common::{ZONE, set};
use crate::living::until;
use crate::net::Lab;
use crate::parts::configuration;
use crate::plan::{DNS, Host, Line, SECOND_GATEWAY, SECOND_HOME, Shape};
use crate::scenario::scenario;

#[test]
#[ignore = "needs namespaces, iproute2, nftables, nginx and named: tests/all.sh runs it"]
fn a_record_fails_over_to_the_second_line_and_returns() {
    scenario(a_record_fails_over_to_the_second_line_and_returns, || {
        let lab = Lab::up(Shape::TwoLines);
        let (named, _nginx) = (lab.named(""), lab.echoes());
        let gauge = || lab.rrset(&named, "gauge", RecordType::A);
        let watch = "every = \"1s\"\nsettle = 2\nsettle_every = \"200ms\"\ntimeout = \"1s\"\nreturn_after = \"2s\"\n";
        let whole = configuration(watch, &[]);
        let mut text = whole.split("[[witness]]").next().unwrap().to_owned();
        text += &format!(
            "[[line]]\nname = \"fibre\"\ninterface = \"eth0\"\n[[line]]\nname = \"radio\"\nsource = [\"{SECOND_HOME}\"]\n"
        );
        for line in ["fibre", "radio"] {
            for (operator, last) in [("north-collective", 11), ("ferryman", 12), ("quayside", 13)] {
                text += &format!(
                    "[[witness]]\nname = \"{operator}-{line}\"\noperator = \"{operator}\"\nline = \"{line}\"\nkind = \"http\"\n\
                     url = \"http://198.51.100.{last}/\"\nfamilies = [\"ipv4\"]\n"
                );
            }
        }
        text += &format!(
            "[[record]]\nname = \"gauge.{ZONE}\"\nprovider = \"home\"\nttl = \"2m\"\ntypes = [\"A\"]\nlines = [\"fibre\", \"radio\"]\n"
        );
        // The way to the DNS server does not hang on the line that will fail: which way the machine itself takes is its
        // routes' affair, not fingerpost's.
        lab.ip(Host::Home, &format!("route add {DNS}/32 via {SECOND_GATEWAY} dev eth1\n"));
        let fingerpost = lab.fingerpost(Host::Home, &text);
        let said = String::from_utf8(fingerpost.run(&["locate"]).stdout).unwrap();
        assert!(said.contains("fibre IPv4  203.0.113.9   agreed by 3 of 3"), "{said}");
        assert!(said.contains("radio IPv4  203.0.113.109   agreed by 3 of 3"), "{said}");

        let mut daemon = fingerpost.daemon();
        until("the preferred line", || daemon.is_up() && gauge() == Some(set(120, &["203.0.113.9"])));
        lab.cut(Line::First);
        until("the second line", || gauge() == Some(set(120, &["203.0.113.109"])));
        lab.mend(Line::First);
        until("the return", || gauge() == Some(set(120, &["203.0.113.9"])));
        let log = fingerpost.run(&["audit", "show", "--event", "settled"]);
        let log = String::from_utf8(log.stdout).unwrap();
        assert!(log.contains("settled fibre IPv4") && log.contains("settled radio IPv4"), "{log}");
        daemon.stop();
    });
}
