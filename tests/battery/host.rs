//! What a host is to the battery, and what the cases do with one.

use std::collections::BTreeSet;
use std::future::Future;
use std::net::IpAddr;
use std::time::{Duration, Instant};

use fingerpost::name::DnsName;
use fingerpost::provider::{Change, Fault, FaultKind, Observed, Provider};
use fingerpost::record::{RecordType, RrSet};

use crate::common::{at, set};

/// The zone that every case starts with, beside SOA, NS and ns1: lines of a master file with all names of data absolute.
pub(crate) const LINES: &str = "gauge 120 A 203.0.113.9
gauge 300 TXT \"level-120\"
gauge 300 MX 10 mill.heronmill.example.
mill 300 A 203.0.113.9
mill 300 A 198.51.100.99
mill 60 AAAA 2001:db8::9
race 120 A 203.0.113.9
cam 300 CNAME gauge.heronmill.example.
*.wild 60 A 203.0.113.9
sub 300 NS ns.sub.heronmill.example.
ns.sub 300 A 198.51.100.53";

/// Far more than a host needs.
pub(crate) const LONG: Duration = Duration::from_secs(30);

/// What not every host can do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Feature {
    /// Tell the right key from a wrong one.
    Keys,
    /// Tell that a name is another zone's.
    Cuts,
    /// Number the versions of the zone.
    Serial,
    /// Forbid to change one name, and let the others be changed.
    Forbidding,
}

/// The names of which one may be forbidden, and that one.
pub(crate) const SEVERAL: [&str; 12] = ["n0", "n1", "n2", "n3", "n4", "n5", "n6", "n7", "n8", "n9", "n10", "n11"];
pub(crate) const FORBIDDEN: &str = "n7";

/// A place where records live, with all that the battery needs around it.
pub(crate) trait Host: Sized {
    /// What it cannot do, each with the reason.
    const CANNOT: &[(Feature, &str)];
    /// Whether what a wildcard answers reads like the name's own, until a write shows that it is not.
    const WILDCARDS_ANSWER: bool;
    /// The edges of the TTLs that it takes, in seconds (RFC 2181, section 8).
    const TTLS: [u32; 3] = [0, 1, i32::MAX.cast_unsigned()];

    /// Starts it with these lines in the zone.
    fn start(lines: &str) -> Self;
    /// The provider, with the right key; each call may take as long as `timeout`.
    fn provider(&self, timeout: Duration) -> Box<dyn Provider>;
    /// The provider with a wrong key, where there are keys.
    fn stranger(&self) -> Option<Box<dyn Provider>>;
    /// The RRset as another reader of the zone sees it: `TTL DATA`, sorted. What a wildcard answers is not among it.
    fn look(&self, name: &DnsName, rtype: &str) -> Vec<String>;
    /// Somebody else makes the RRset so.
    fn edit(&self, name: &DnsName, rtype: RecordType, set: Option<&RrSet>);
    /// The host cannot be reached until [`Self::start_again`].
    fn stop(&mut self);
    /// It can be reached again, and holds what it held.
    fn start_again(&mut self);
    /// It does not go on with anything, or goes on.
    fn pause(&mut self, paused: bool);

    /// From now on it takes changes of the addresses at [`SEVERAL`], but for [`FORBIDDEN`].
    fn forbid(&mut self);

    /// Whether it cannot do this; then why is printed.
    fn cannot(feature: Feature) -> bool {
        let reason = Self::CANNOT.iter().find(|(cannot, _)| *cannot == feature).map(|(_, reason)| reason);
        if let Some(reason) = reason {
            println!("not tested here, {feature:?}: {reason}");
        }
        reason.is_some()
    }

    /// The RRset as another reader of the zone sees it.
    fn rrset(&self, name: &DnsName, rtype: RecordType) -> Option<RrSet> {
        let lines = self.look(name, &rtype.to_string());
        let parsed: Vec<(u32, IpAddr)> = lines
            .iter()
            .map(|line| line.split_once(' ').map(|(ttl, data)| (ttl.parse().unwrap(), data.parse().unwrap())).unwrap())
            .collect();
        let ttl = parsed.first()?.0;
        assert!(
            parsed.iter().all(|(other, _)| *other == ttl),
            "{name}: an RRset has one TTL (RFC 2181, 5.2): {lines:?}"
        );
        Some(RrSet { ttl, addresses: parsed.into_iter().map(|(_, address)| address).collect() })
    }

    /// Every record of [`LINES`] as another reader of the zone sees it, those at the given names and types left out.
    fn others(&self, but: &[(&str, RecordType)]) -> Vec<String> {
        let mut seen = BTreeSet::new();
        for line in LINES.lines() {
            let [label, _, rtype] = line.split(' ').take(3).collect::<Vec<_>>()[..] else { panic!("{line}") };
            // Below a cut a server answers with a referral.
            let is_cut = matches!(label, "sub" | "ns.sub");
            if !is_cut && !but.iter().any(|(but, of)| *but == label && of.to_string() == rtype) {
                let records = self.look(&at(label), rtype);
                assert!(!records.is_empty(), "{label} {rtype} is gone");
                seen.extend(records.into_iter().map(|record| format!("{label} {rtype} {record}")));
            }
        }
        seen.into_iter().collect()
    }
}

/// Runs a case on a runtime of its own.
pub(crate) fn run<F: Future>(case: F) -> F::Output {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(case)
}

pub(crate) async fn read(provider: &dyn Provider, labels: &[&str]) -> Result<Observed, Fault> {
    provider.read(&labels.iter().map(|label| at(label)).collect()).await
}

/// The RRset that the provider reads at a name.
pub(crate) async fn seen(provider: &dyn Provider, label: &str, rtype: RecordType) -> Option<RrSet> {
    read(provider, &[label]).await.unwrap().names[&at(label)].sets.get(&rtype).cloned()
}

pub(crate) fn change(label: &str, rtype: RecordType, before: Option<RrSet>, after: RrSet) -> Change {
    Change { name: at(label), rtype, before, after }
}

/// The change of `gauge` from what [`LINES`] has.
pub(crate) fn gauge(address: &str) -> Change {
    change("gauge", RecordType::A, Some(set(120, &["203.0.113.9"])), set(120, &[address]))
}

#[track_caller]
pub(crate) fn is_passing(fault: &Fault) {
    assert!(matches!(fault.kind, FaultKind::Passing { .. }), "{:?}: {fault}", fault.kind);
}

/// Reads, and writes what `after` makes of what was read, until nothing is left to do: as the updater does.
pub(crate) async fn settle(
    provider: &dyn Provider,
    (label, rtype): (&str, RecordType),
    after: impl Fn(Option<&RrSet>) -> RrSet,
) -> u32 {
    let end = Instant::now() + LONG;
    let mut conflicts = 0;
    loop {
        assert!(Instant::now() < end, "{label} does not settle");
        let before = match read(provider, &[label]).await {
            Ok(observed) => observed.names[&at(label)].sets.get(&rtype).cloned(),
            Err(fault) => {
                is_passing(&fault);
                continue;
            }
        };
        let after = after(before.as_ref());
        if before.as_ref() == Some(&after) {
            return conflicts;
        }
        match provider.apply(&[change(label, rtype, before, after)]).await {
            Ok(_) => {}
            Err(fault) if fault.kind == FaultKind::Conflict => conflicts += 1,
            Err(fault) => assert!(
                matches!(fault.kind, FaultKind::Passing { .. } | FaultKind::InDoubt),
                "{:?}: {fault}",
                fault.kind
            ),
        }
    }
}
