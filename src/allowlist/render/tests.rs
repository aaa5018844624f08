use proptest::prelude::*;

use super::*;

fn part(edge: &str, number: u64, text: &str) -> Part {
    let set = text.split_whitespace().map(|range| range.parse::<IpNet>().unwrap()).collect();
    Part { edge: edge.into(), number, set }
}

fn parts() -> Vec<Part> {
    vec![part("weir", 3, "192.0.2.0/25 2001:db8:e::/48"), part("sluice", 1, "192.0.2.128/25 198.51.100.7/32")]
}

const HEAD: &str = "# Written by fingerpost, which overwrites it: the ranges of weir, version 3; sluice, version 1.\n";

#[test]
fn each_form_says_the_fewest_ranges() {
    let nft = "add table inet filter\n\
               add set inet filter edge_ipv4 { type ipv4_addr; flags interval; }\nflush set inet filter edge_ipv4\n\
               add set inet filter edge_ipv6 { type ipv6_addr; flags interval; }\nflush set inet filter edge_ipv6\n\
               add element inet filter edge_ipv4 {\n    192.0.2.0/24,\n    198.51.100.7/32\n}\n\
               add element inet filter edge_ipv6 {\n    2001:db8:e::/48\n}\n";
    let rules = " 1  allow TCP to port 443 from 192.0.2.0/24\n 2  allow TCP to port 443 from 198.51.100.7/32\n\
                 \x203  allow TCP to port 443 from 2001:db8:e::/48\n";
    for (form, want) in [
        (Form::Nft("inet filter"), format!("{HEAD}{nft}")),
        (Form::Lines, format!("{HEAD}192.0.2.0/24\n198.51.100.7/32\n2001:db8:e::/48\n")),
        (
            Form::Rules,
            format!(
                "{HEAD}{}# And behind them nothing that allows more: remove older rules for these ports.\n",
                rules.replace(" 1  ", "1  ").replace("\n 2", "\n2").replace("\n 3", "\n3")
            ),
        ),
    ] {
        assert_eq!(render(form, &parts(), &[443]).unwrap(), want);
    }
    let json: serde_json::Value = serde_json::from_str(&render(Form::Json, &parts(), &[443]).unwrap()).unwrap();
    assert_eq!(json["ipv4"], serde_json::json!(["192.0.2.0/24", "198.51.100.7/32"]));
    assert_eq!(json["edges"][0], serde_json::json!({ "name": "weir", "version": 3 }));
    let rules = render(Form::Rules, &parts(), &[80, 443, 8443, 8444]).unwrap();
    assert!(rules.contains("\n 9  allow TCP to port 8443 from 2001:db8:e::/48\n10  allow TCP to port 8444"), "{rules}");
}

#[test]
fn a_template_says_it_as_its_owner_wants() {
    let by = |template: &str| render(Form::Template(template), &parts(), &[443]);
    for (template, want) in [
        (
            "{% for range in ipv4 %}\npermit {{ range.address }} {{ range.wildcard }}\n{% endfor %}\n",
            "permit 192.0.2.0 0.0.0.255\npermit 198.51.100.7 0.0.0.0\n",
        ),
        (
            "{% for r in ipv6 %}{{ r.cidr }} {{ r.length }} {{ r.netmask }}{% endfor %}",
            "2001:db8:e::/48 48 ffff:ffff:ffff::",
        ),
        ("{{ ranges | map(attribute='cidr') | join(' ') }}", "192.0.2.0/24 198.51.100.7/32 2001:db8:e::/48"),
        ("{{ ports[0] }} {{ edges[1].name }} {{ edges[1].version }}", "443 sluice 1"),
        ("{{ '<b>' }}", "<b>"),
    ] {
        assert_eq!(by(template).unwrap(), want, "{template}");
    }
    for (template, want) in [
        ("{% for range in ipv5 %}{{ range }}{% endfor %}", "undefined value"),
        ("{% for range in ipv4 %}{{ range.cdir }}{% endfor %}", "undefined value"),
        ("x\n{% for range in ipv4 %}", "unexpected end of input"),
        ("{% include '/etc/passwd' %}", "template"),
        ("{% for range in [] %}{% endfor %}\n \n", "the template prints nothing"),
        ("{% for a in range(9999) %}{% for b in range(9999) %}{{ a }}{% endfor %}{% endfor %}", "fuel"),
    ] {
        let error = by(template).unwrap_err().to_string();
        assert!(error.contains(want), "{template}: {error}");
    }
}

proptest! {
    /// What is rendered reads as the ranges, by a reader that is not the one inside.
    #[test]
    fn what_is_rendered_says_exactly_the_ranges(ranges in prop::collection::vec((any::<bool>(), any::<u128>(), 0..=128_u8), 1..30)) {
        let set: AddressSet = ranges.into_iter().map(|(v4, bits, length)| if v4 {
            IpNet::new(Ipv4Addr::from_bits(bits as u32).into(), length % 33).unwrap()
        } else {
            IpNet::new(Ipv6Addr::from_bits(bits).into(), length).unwrap()
        }).collect();
        let parts = [Part { edge: "10.0.0.0/8".into(), number: 1, set: set.clone() }];
        for form in [Form::Nft("inet t"), Form::Lines, Form::Rules] {
            let text = render(form, &parts, &[443, 80]).unwrap();
            prop_assert_eq!(read_back(&text), set.clone());
        }
        let lines = render(Form::Lines, &parts, &[]).unwrap();
        let again = crate::allowlist::source::read(&crate::settings::ListForm::Lines, None, lines.as_bytes()).unwrap();
        prop_assert_eq!(&again.set, &set);
        let template = "{% for r in ranges %}{{ r.cidr }}\n{% endfor %}";
        prop_assert_eq!(read_back(&render(Form::Template(template), &parts, &[]).unwrap()), set);
    }
}
