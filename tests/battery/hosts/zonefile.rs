//! A master file that NSD serves.

use std::fs;
use std::process::Command;
use std::time::{Duration, Instant};

use fingerpost::name::DnsName;
use fingerpost::provider::Provider;
use fingerpost::provider::zonefile::ZoneFile;
use fingerpost::record::{RecordType, RrSet};

use crate::common::nsd::Nsd;
use crate::common::*;
use crate::host::{FORBIDDEN, Feature, Host, LONG};

pub(crate) struct Served {
    server: DnsServer,
}

impl Served {
    fn reload(&self) {
        let reload = Nsd::reload(&self.server, ZONE);
        assert!(Command::new(&reload[0]).args(&reload[1..]).output().unwrap().status.success());
    }
}

impl Host for Served {
    const CANNOT: &[(Feature, &str)] = &[(Feature::Keys, "a file has no key; who may write it is the system's matter")];
    const WILDCARDS_ANSWER: bool = false;

    fn start(lines: &str) -> Self {
        Self { server: DnsServer::start::<Nsd>(&[], &[ZoneSetup::new(lines)]) }
    }

    fn provider(&self, timeout: Duration) -> Box<dyn Provider> {
        let reload = Nsd::reload(&self.server, ZONE);
        Box::new(ZoneFile::new(dns(ZONE), self.server.zone_file(ZONE), reload, timeout))
    }

    fn stranger(&self) -> Option<Box<dyn Provider>> {
        None
    }

    /// What nsd-checkzone makes of the file, which is what NSD comes to serve.
    fn look(&self, name: &DnsName, rtype: &str) -> Vec<String> {
        let is_it = |owner: &str, of: &str| owner == name.as_str() && of == rtype;
        let records = Nsd::records(&self.server, ZONE).into_iter();
        let mut wanted: Vec<String> = records
            .filter(|[owner, _, of, _]| is_it(owner, of))
            .map(|[_, ttl, _, data]| format!("{ttl} {data}"))
            .collect();
        wanted.sort();
        let end = Instant::now() + LONG;
        // nsd-control does not wait until a zone is loaded. A name that only a wildcard answers for is not in the file.
        while !wanted.is_empty() && self.server.dig(name.as_str(), rtype) != wanted {
            assert!(Instant::now() < end, "NSD does not serve the {rtype} of {name}: {wanted:?}");
            std::thread::sleep(Duration::from_millis(10));
        }
        wanted
    }

    /// With an editor.
    fn edit(&self, name: &DnsName, rtype: RecordType, set: Option<&RrSet>) {
        let file = self.server.zone_file(ZONE);
        let label = name.as_str().strip_suffix(ZONE).unwrap().trim_end_matches('.');
        let is_it = |line: &&str| {
            let words: Vec<_> = line.split_whitespace().collect();
            words.first() == Some(&label) && words.contains(&rtype.to_string().as_str())
        };
        let text = fs::read_to_string(&file).unwrap();
        let mut lines: Vec<String> = text.lines().filter(|line| !is_it(line)).map(str::to_owned).collect();
        for (set, address) in set.iter().flat_map(|set| set.addresses.iter().map(move |address| (set, address))) {
            lines.push(format!("{label} {} {rtype} {address}", set.ttl));
        }
        fs::write(&file, lines.join("\n") + "\n").unwrap();
        self.reload();
    }

    fn stop(&mut self) {
        self.server.stop();
    }

    fn start_again(&mut self) {
        self.server.start_again();
    }

    fn pause(&mut self, paused: bool) {
        self.server.pause(paused);
    }

    /// A TXT record behind its address, both before there is a default, takes over its TTL (RFC 1035, section 5.1): so that
    /// cannot be changed without the other.
    fn forbid(&mut self) {
        let file = self.server.zone_file(ZONE);
        let text = fs::read_to_string(&file).unwrap();
        let (origin, rest) = text.split_once("$TTL 300\n").unwrap();
        let is_apex = |line: &&str| line.starts_with("@ ") || line.starts_with("ns1 ");
        let is_forbidden = |line: &&str| line.split(' ').next() == Some(FORBIDDEN);
        let apex = rest.lines().filter(is_apex).map(|line| line.replacen(' ', " 300 ", 1));
        let forbidden = rest.lines().filter(is_forbidden).map(str::to_owned);
        let others = rest.lines().filter(|line| !is_apex(line) && !is_forbidden(line)).map(str::to_owned);
        let lines = apex.chain(forbidden).chain([" TXT \"heir\"".to_owned(), "$TTL 300".to_owned()]).chain(others);
        fs::write(&file, origin.to_owned() + &lines.collect::<Vec<_>>().join("\n") + "\n").unwrap();
        self.reload();
    }
}
