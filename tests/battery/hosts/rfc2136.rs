//! Servers that take dynamic updates.

use std::marker::PhantomData;
use std::process::{Command, Stdio};
use std::time::Duration;

use fingerpost::dns::tsig::{TsigAlgorithm, TsigKey};
use fingerpost::name::DnsName;
use fingerpost::provider::Provider;
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::record::{RecordType, RrSet};

use crate::common::*;
use crate::host::{FORBIDDEN, Feature, Host, LONG, SEVERAL};

pub(crate) struct Update<S> {
    pub(crate) server: DnsServer,
    software: PhantomData<S>,
}

impl<S> Update<S> {
    fn by(&self, key: TsigKey, timeout: Duration) -> Box<dyn Provider> {
        Box::new(Rfc2136::new(dns(ZONE), self.server.address(), Some(key), timeout))
    }
}

impl<S: Software> Host for Update<S> {
    const CANNOT: &[(Feature, &str)] = &[];
    const WILDCARDS_ANSWER: bool = true;

    fn start(lines: &str) -> Self {
        Self { server: DnsServer::start::<S>(&[KEY], &[ZoneSetup::new(lines)]), software: PhantomData }
    }

    fn provider(&self, timeout: Duration) -> Box<dyn Provider> {
        self.by(gauge_key(), timeout)
    }

    fn stranger(&self) -> Option<Box<dyn Provider>> {
        Some(self.by(client_key(KEY.name, TsigAlgorithm::HmacSha256, b"not the secret"), LONG))
    }

    fn look(&self, name: &DnsName, rtype: &str) -> Vec<String> {
        self.server.dig(name.as_str(), rtype)
    }

    /// By BIND's nsupdate, over TCP: over UDP it gives up after four times three seconds, whatever holds the server up.
    fn edit(&self, name: &DnsName, rtype: RecordType, set: Option<&RrSet>) {
        let mut text = format!("server 127.0.0.1 {}\nzone {ZONE}\nupdate delete {name} {rtype}\n", self.server.port());
        for (set, address) in set.iter().flat_map(|set| set.addresses.iter().map(move |address| (set, address))) {
            text += &format!("update add {name} {} {rtype} {address}\n", set.ttl);
        }
        let mut child = Command::new("nsupdate")
            .args(["-v", "-y", &format!("{}:{}:{}", KEY.algorithm, KEY.name, KEY.secret)])
            .stdin(Stdio::piped())
            .spawn()
            .unwrap();
        std::io::Write::write_all(&mut child.stdin.take().unwrap(), (text + "send\n").as_bytes()).unwrap();
        assert!(child.wait().unwrap().success());
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

    /// The key may change the others.
    fn forbid(&mut self) {
        let names = SEVERAL.into_iter().filter(|label| *label != FORBIDDEN);
        // They live as long as the process, as those of `Grant` do.
        let grant = |label| Grant { key: KEY.name, name: Some(at(label).to_string().leak()) };
        let zone = ZoneSetup { grants: names.map(grant).collect(), ..ZoneSetup::new("") };
        self.server.reconfigure::<S>(&[KEY], &[zone]);
    }
}
