//! HTTP APIs by the descriptions that come with the program: PowerDNS's own, and the four shapes of the tests' API.

use std::time::Duration;

use fingerpost::name::DnsName;
use fingerpost::provider::Provider;
use fingerpost::provider::rest::Rest;
use fingerpost::record::{RecordType, RrSet};
use fingerpost::settings::ProviderKind;

use super::rfc2136::Update;
use crate::common::powerdns::{API_KEY, PowerDns};
use crate::common::record_api::{Asked, Body, Pages, RecordApi, Reply, TOKEN};
use crate::common::{ZONE, at, dns};
use crate::home::{BASE, Home};
use crate::host::{FORBIDDEN, Feature, Host, LONG};

/// The provider that a configuration with the description at `path` makes of `server`; `more` are lines of its table.
fn rest(path: &str, server: &str, token: &str, more: &str, timeout: Duration) -> Box<dyn Provider> {
    let home = Home::new();
    home.write("token", token.as_bytes(), 0o600);
    let description = format!("{}/{path}", env!("CARGO_MANIFEST_DIR"));
    let table = format!(
        "[provider.api]\nkind = \"rest\"\nzone = \"{ZONE}\"\ndescription = {description:?}\n\
         values = {{ server = \"{server}\" }}\ntoken = {{ file = \"token\" }}\n{more}\n"
    );
    let mut loaded = home.load(&format!("{BASE}\n{table}"));
    let ProviderKind::Rest(api) = loaded.config.providers.remove("api").unwrap().kind else { panic!("another kind") };
    Box::new(Rest::new(dns(ZONE), *api, timeout))
}

const POWERDNS: &str = "config/providers/powerdns.toml";

/// PowerDNS by its HTTP API; all around it by DNS, as with updates.
pub(crate) struct Hosted(Update<PowerDns>);

impl Host for Hosted {
    const CANNOT: &[(Feature, &str)] =
        &[(Feature::Forbidding, "PowerDNS's API has one key, which may change everything in every zone")];
    const WILDCARDS_ANSWER: bool = false;

    fn start(lines: &str) -> Self {
        Self(Update::start(lines))
    }

    fn provider(&self, timeout: Duration) -> Box<dyn Provider> {
        rest(POWERDNS, &PowerDns::api(&self.0.server), API_KEY, "", timeout)
    }

    fn stranger(&self) -> Option<Box<dyn Provider>> {
        Some(rest(POWERDNS, &PowerDns::api(&self.0.server), "not the key", "", LONG))
    }

    fn look(&self, name: &DnsName, rtype: &str) -> Vec<String> {
        self.0.look(name, rtype)
    }

    fn edit(&self, name: &DnsName, rtype: RecordType, set: Option<&RrSet>) {
        self.0.edit(name, rtype, set);
    }

    fn stop(&mut self) {
        self.0.stop();
    }

    fn start_again(&mut self) {
        self.0.start_again();
    }

    fn pause(&mut self, paused: bool) {
        self.0.pause(paused);
    }

    fn forbid(&mut self) {
        unreachable!("it cannot");
    }
}

/// How the tests' API is spoken to.
pub(crate) trait Shape {
    /// The description's file.
    const DESCRIPTION: &str;
    /// What else stands in the provider's table.
    const MORE: &str = "";
    /// How it has its lists cut.
    const PAGES: Pages;
}

/// One item a record, with an id.
pub(crate) struct ByRecord;

impl Shape for ByRecord {
    const DESCRIPTION: &str = "config/providers/record.toml";
    const PAGES: Pages = Pages::Number;
}

/// One item an RRset.
pub(crate) struct BySet;

impl Shape for BySet {
    const DESCRIPTION: &str = "config/providers/rrset.toml";
    const PAGES: Pages = Pages::Cursor;
}

/// One item a record, with numbers for types, units in TTLs, the token in the query, and pages by a header.
pub(crate) struct InTheYard;

impl Shape for InTheYard {
    const DESCRIPTION: &str = "tests/common/yard.toml";
    const PAGES: Pages = Pages::Link;
}

/// One item an RRset, whose members are strings and nothing else.
pub(crate) struct InTheLoft;

impl Shape for InTheLoft {
    const DESCRIPTION: &str = "tests/common/loft.toml";
    const MORE: &str = "user = \"keeper\"";
    const PAGES: Pages = Pages::Cursor;
}

/// The tests' API.
pub(crate) struct Own<S> {
    api: RecordApi,
    shape: std::marker::PhantomData<S>,
}

impl<S> Own<S> {
    /// It answers so, whatever is asked.
    fn answers(&self, body: Option<Body>) {
        self.api.zone().trick = body.map(|body| -> Box<dyn Fn(&_) -> _ + Send> {
            Box::new(move |_: &_| Some(Reply { status: 200, body: body.clone(), ..Reply::default() }))
        });
    }
}

impl<S: Shape> Host for Own<S> {
    const CANNOT: &[(Feature, &str)] = &[(Feature::Serial, "the API lists no SOA")];
    const WILDCARDS_ANSWER: bool = false;
    // It takes 30 to 86400 seconds, as many APIs have limits of their own (common practice, no source).
    const TTLS: [u32; 3] = [30, 31, 86_400];

    fn start(lines: &str) -> Self {
        let api = RecordApi::start(ZONE);
        api.zone().pages = S::PAGES;
        for line in lines.lines() {
            let [label, ttl, rtype, data] = line.splitn(4, ' ').collect::<Vec<_>>()[..] else { panic!("{line}") };
            let data = data.trim_end_matches('.');
            api.zone().add(at(label).as_str(), rtype, ttl.parse().unwrap(), data);
        }
        Self { api, shape: std::marker::PhantomData }
    }

    fn provider(&self, timeout: Duration) -> Box<dyn Provider> {
        rest(S::DESCRIPTION, &self.api.url(), TOKEN, S::MORE, timeout)
    }

    fn stranger(&self) -> Option<Box<dyn Provider>> {
        Some(rest(S::DESCRIPTION, &self.api.url(), "not the token", S::MORE, LONG))
    }

    fn look(&self, name: &DnsName, rtype: &str) -> Vec<String> {
        let records = self.api.zone().at(name.as_str(), rtype);
        records.into_iter().map(|(ttl, data)| format!("{ttl} {data}")).collect()
    }

    fn edit(&self, name: &DnsName, rtype: RecordType, set: Option<&RrSet>) {
        let mut zone = self.api.zone();
        zone.records.retain(|_, record| record["label"] != name.as_str() || record["sort"] != rtype.to_string());
        for (set, address) in set.iter().flat_map(|set| set.addresses.iter().map(move |address| (set, address))) {
            zone.add(name.as_str(), &rtype.to_string(), set.ttl.into(), &address.to_string());
        }
    }

    fn stop(&mut self) {
        self.answers(Some(Body::Cut));
    }

    fn start_again(&mut self) {
        self.answers(None);
    }

    fn pause(&mut self, paused: bool) {
        self.answers(paused.then_some(Body::Trickle));
    }

    /// As many APIs answer where a token may change some names only (RFC 9110, section 15.5.4).
    fn forbid(&mut self) {
        let mut zone = self.api.zone();
        let (id, _) = zone.records.iter().find(|(_, record)| record["label"] == at(FORBIDDEN).as_str()).unwrap();
        let marks = [id.to_string(), FORBIDDEN.to_owned()];
        let is_it = move |text: &str| marks.iter().any(|mark| text.contains(mark));
        zone.trick = Some(Box::new(move |asked: &Asked| {
            let concerns = asked.method != "GET" && (is_it(&asked.target) || is_it(&asked.body));
            concerns
                .then(|| Reply::text(403, r#"{"fine":false,"trouble":{"says":"this token may not change that one"}}"#))
        }));
    }
}
