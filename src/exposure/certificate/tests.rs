use std::time::Duration;

use proptest::prelude::*;
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use rustls::pki_types::{CertificateDer, ServerName};
use webpki::EndEntityCert;

use super::{Roots, Seen, covers, judge, read};
use crate::clock::Timestamp;
use crate::exposure::{Finding, Grade};
use crate::name::DnsName;

const NAME: &str = "gauge.heronmill.example";

fn name() -> DnsName {
    DnsName::parse(NAME).unwrap()
}

/// Days after 2026-01-01T00:00:00Z.
fn day(day: i64) -> Timestamp {
    let first = Timestamp::parse("2026-01-01T00:00:00Z").unwrap();
    let span = Duration::from_secs(86_400 * day.unsigned_abs());
    if day < 0 { first.minus(span) } else { first.plus(span) }
}

fn params(names: &[&str], from: i64, until: i64) -> CertificateParams {
    let called = names.first().copied().unwrap_or("Heron Mill CA").to_owned();
    let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
    let mut params = CertificateParams::new(names).unwrap();
    params.distinguished_name.push(rcgen::DnType::CommonName, called);
    let start = rcgen::date_time_ymd(2026, 1, 1);
    params.not_before = start + Duration::from_secs(86_400 * from.unsigned_abs());
    params.not_after = start + Duration::from_secs(86_400 * until.unsigned_abs());
    params
}

/// A CA of the household, and what it signs.
struct Ca {
    issuer: Issuer<'static, KeyPair>,
    certificate: CertificateDer<'static>,
}

impl Ca {
    fn new() -> Self {
        let mut params = params(&[], 0, 3650);
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let key = KeyPair::generate().unwrap();
        let certificate = params.self_signed(&key).unwrap().der().clone();
        Self { issuer: Issuer::new(params, key), certificate }
    }

    fn roots(&self) -> Roots {
        Roots::new(vec![self.certificate.clone()], false)
    }

    fn sign(&self, params: CertificateParams) -> CertificateDer<'static> {
        params.signed_by(&KeyPair::generate().unwrap(), &self.issuer).unwrap().der().clone()
    }
}

fn nobody() -> Roots {
    Roots::new(Vec::new(), true)
}

fn found(chain: &[CertificateDer<'_>], roots: &Roots, now: Timestamp) -> Finding {
    judge(&name(), &read(chain, roots, now).unwrap(), now)
}

#[test]
fn each_fault_of_a_certificate_is_told() {
    let ca = Ca::new();
    for (names, from, until, today, grade, seen) in [
        (&[NAME][..], 0, 90, 5, Grade::Good, "holds until 2026-04-01T00:00:00Z, 85 days"),
        (&["*.heronmill.example"], 0, 90, 5, Grade::Good, "holds until 2026-04-01T00:00:00Z, 85 days"),
        (&["x.example", NAME], 0, 90, 60, Grade::Good, "holds until 2026-04-01T00:00:00Z, 30 days"),
        (&[NAME], 0, 90, 91, Grade::Amiss, "it ran out on 2026-04-01T00:00:00Z"),
        (&[NAME], 10, 90, 5, Grade::Amiss, "it holds only from 2026-01-11T00:00:00Z on"),
        (&[NAME], 0, 90, 80, Grade::Amiss, "it runs out on 2026-04-01T00:00:00Z, in 10 of 90 days"),
        (&[NAME], 0, 90, 61, Grade::Amiss, "it runs out on 2026-04-01T00:00:00Z, in 29 of 90 days"),
        // A third of its life, and of a long one 30 days.
        (&[NAME], 0, 6, 3, Grade::Good, "holds until 2026-01-07T00:00:00Z, 3 days"),
        (&[NAME], 0, 6, 5, Grade::Amiss, "it runs out on 2026-01-07T00:00:00Z, in 1 of 6 days"),
        (&[NAME], 0, 365, 300, Grade::Good, "holds until 2027-01-01T00:00:00Z, 65 days"),
        (
            &["cam.heronmill.example"],
            0,
            90,
            5,
            Grade::Amiss,
            "it is for cam.heronmill.example, not for gauge.heronmill.example",
        ),
        (
            &["*.example"],
            0,
            90,
            5,
            Grade::Amiss,
            "it is for *.example, and *.example stands for one label only (RFC 9525, 6.3), not for gauge.heronmill.example",
        ),
    ] {
        let finding = found(&[ca.sign(params(names, from, until))], &ca.roots(), day(today));
        assert_eq!((finding.grade, finding.seen.as_str()), (grade, seen), "{names:?} {from} {until} {today}");
        assert_eq!(finding.todo.is_empty(), grade == Grade::Good);
    }
}

#[test]
fn several_faults_are_all_told() {
    let ca = Ca::new();
    let finding = found(&[ca.sign(params(&["cam.heronmill.example"], 0, 90))], &nobody(), day(100));
    let told: Vec<&str> = finding.seen.split("; ").collect();
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(
        told[0].contains("not for") && told[1].contains("ran out") && told[2].contains("does not lead to"),
        "{told:?}"
    );
}

#[test]
fn a_self_signed_certificate_needs_to_be_given() {
    let itself = |is_ca: bool| {
        let mut params = params(&[NAME], 0, 90);
        if is_ca {
            params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        }
        params.self_signed(&KeyPair::generate().unwrap()).unwrap().der().clone()
    };
    // `openssl req -x509` makes one that is its own authority; others do not.
    for certificate in [itself(true), itself(false)] {
        let finding = found(std::slice::from_ref(&certificate), &nobody(), day(5));
        assert_eq!(finding.grade, Grade::Amiss);
        assert_eq!(finding.seen, "it is self-signed, and not among this system's roots");
        let given = Roots::new(vec![certificate.clone()], false);
        assert_eq!(found(&[certificate], &given, day(5)).grade, Grade::Good);
        let other = found(&[itself(true)], &given, day(5));
        assert_eq!(other.seen, "it is self-signed, and not among the given `ca`");
    }
}

#[test]
fn a_chain_needs_its_middle() {
    let ca = Ca::new();
    let mut middle = params(&[], 0, 3650);
    middle.distinguished_name.push(rcgen::DnType::CommonName, "Heron Mill, by the year");
    middle.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    let key = KeyPair::generate().unwrap();
    let middle_der = middle.clone().signed_by(&key, &ca.issuer).unwrap().der().clone();
    let leaf = Ca { issuer: Issuer::new(middle, key), certificate: middle_der.clone() }.sign(params(&[NAME], 0, 90));
    assert_eq!(found(&[leaf.clone(), middle_der.clone()], &ca.roots(), day(5)).grade, Grade::Good);
    let finding = found(std::slice::from_ref(&leaf), &ca.roots(), day(5));
    assert!(finding.seen.contains("does not lead to the given `ca`"), "{}", finding.seen);
    // Signed by somebody else who goes by the same name.
    let finding = found(&[leaf, middle_der], &Ca::new().roots(), day(5));
    assert_eq!(finding.grade, Grade::Amiss);
    assert!(finding.seen.ends_with("has the name of one of the given `ca`, and another key"), "{}", finding.seen);
}

#[test]
fn what_is_no_certificate_is_not_read() {
    assert!(read(&[], &nobody(), day(0)).is_err());
    assert!(read(&[CertificateDer::from(vec![0x30, 0x00])], &nobody(), day(0)).is_err());
    let mut long = Ca::new().sign(params(&[NAME], 0, 90)).to_vec();
    long.push(0);
    assert!(read(&[CertificateDer::from(long)], &nobody(), day(0)).is_err());
}

#[test]
fn what_is_weak_is_told() {
    let (not_before, not_after) = (day(0), day(90));
    let weak = vec!["RSA of 1024 bits".to_owned()];
    let seen = Seen { names: vec![NAME.into()], not_before, not_after, weak, untrusted: None, unproven: None };
    let finding = judge(&name(), &seen, day(5));
    assert_eq!((finding.grade, finding.seen.as_str()), (Grade::Amiss, "weak: RSA of 1024 bits"));
}

/// RFC 9525, sections 6.3 and 7.2; the examples of RFC 6125, section 6.4.3, which it replaces (from memory).
#[test]
fn a_wildcard_stands_for_one_whole_label() {
    for (pattern, name, is_covered) in [
        ("gauge.heronmill.example", "gauge.heronmill.example", true),
        ("GAUGE.Heronmill.Example.", "gauge.heronmill.example", true),
        ("*.heronmill.example", "gauge.heronmill.example", true),
        ("*.heronmill.example", "heronmill.example", false),
        ("*.heronmill.example", "a.gauge.heronmill.example", false),
        ("*.example", "gauge.heronmill.example", false),
        ("*.example", "heronmill.example", false),
        ("ga*.heronmill.example", "gauge.heronmill.example", false),
        ("gauge.*.example", "gauge.heronmill.example", false),
        ("*", "gauge.heronmill.example", false),
        ("*.*.example", "gauge.heronmill.example", false),
        ("", "gauge.heronmill.example", false),
    ] {
        assert_eq!(covers(pattern, &DnsName::parse(name).unwrap()), is_covered, "{pattern} {name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Against webpki, which clients go by.
    #[test]
    fn names_are_matched_as_clients_do(
        pattern in "(\\*\\.)?[ab]{1,2}(\\.[ab]{1,2}){1,2}",
        name in "[ab]{1,2}(\\.[ab]{1,2}){1,3}",
    ) {
        let der = params(&[&pattern], 0, 90).self_signed(&KeyPair::generate().unwrap()).unwrap().der().clone();
        let theirs = EndEntityCert::try_from(&der).unwrap();
        let theirs = theirs.verify_is_valid_for_subject_name(&ServerName::try_from(name.clone()).unwrap()).is_ok();
        prop_assert_eq!(covers(&pattern, &DnsName::parse(&name).unwrap()), theirs, "{} {}", pattern, name);
    }

    #[test]
    fn any_octets_are_read_without_panic(octets in proptest::collection::vec(any::<u8>(), 0..300), at in 0..1000_usize, to: u8) {
        let _ = read(&[CertificateDer::from(octets)], &nobody(), day(0));
        let mut changed = params(&[NAME], 0, 90).self_signed(&KeyPair::generate().unwrap()).unwrap().der().to_vec();
        let at = at % changed.len();
        changed[at] = to;
        if let Ok(seen) = read(&[CertificateDer::from(changed)], &nobody(), day(0)) {
            let _ = judge(&name(), &seen, day(0));
        }
    }
}
