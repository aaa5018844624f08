//! Whether a server's TLS certificate will do: for the name, in time, by its chain, and strong enough. Pure.
//!
//! Reading is [`x509_parser`]'s (RFC 5280), the chain is judged by [`webpki`], as clients that are written in Rust do.

use std::time::Duration;

use rustls::pki_types::{CertificateDer, TrustAnchor, UnixTime};
use webpki::{ALL_VERIFICATION_ALGS, EndEntityCert, KeyUsage};
use x509_parser::extensions::GeneralName;
use x509_parser::oid_registry::Oid;
use x509_parser::prelude::{FromDer, X509Certificate};
use x509_parser::public_key::PublicKey;
use x509_parser::signature_algorithm::SignatureAlgorithm;
use x509_parser::x509::{AlgorithmIdentifier, SubjectPublicKeyInfo};

use super::{Check, Finding, Grade};
use crate::clock::Timestamp;
use crate::name::DnsName;
use crate::text::short_line;

const DAY: Duration = Duration::from_secs(86_400);
/// At most this long before its end a certificate is told of; otherwise a third of its life before.
const NOTICE: Duration = Duration::from_secs(30 * 86_400);
/// The least strength of an RSA key, in bits (NIST SP 800-131A rev. 2, table 2; from memory).
const RSA_BITS: usize = 2048;

/// Signature algorithms that are strong enough: RSA and ECDSA with SHA-2 (RFC 4055, section 5; RFC 5758, section 3.2),
/// Ed25519 and Ed448 (RFC 8410, section 3). RSASSA-PSS is judged by its hash.
const STRONG_SIGNATURES: [&str; 8] = [
    "1.2.840.113549.1.1.11",
    "1.2.840.113549.1.1.12",
    "1.2.840.113549.1.1.13",
    "1.2.840.10045.4.3.2",
    "1.2.840.10045.4.3.3",
    "1.2.840.10045.4.3.4",
    ED25519,
    ED448,
];
/// SHA-256, SHA-384 and SHA-512 (RFC 4055, section 2.1).
const STRONG_HASHES: [&str; 3] = ["2.16.840.1.101.3.4.2.1", "2.16.840.1.101.3.4.2.2", "2.16.840.1.101.3.4.2.3"];
/// Those that people still meet, by name (RFC 3279, section 2.2).
const WEAK_SIGNATURES: [(&str, &str); 4] = [
    ("1.2.840.113549.1.1.4", "RSA with MD5"),
    ("1.2.840.113549.1.1.5", "RSA with SHA-1"),
    ("1.2.840.10045.4.1", "ECDSA with SHA-1"),
    ("1.2.840.10040.4.3", "DSA with SHA-1"),
];
/// P-256, P-384 and P-521 (RFC 5480, section 2.1.1.1).
const STRONG_CURVES: [&str; 3] = ["1.2.840.10045.3.1.7", "1.3.132.0.34", "1.3.132.0.35"];
const ED25519: &str = "1.3.101.112";
const ED448: &str = "1.3.101.113";

/// What a server's chain says, as far as it is judged here.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// The DNS names that the certificate is for (RFC 9525, section 6.1: of the subject alternative name alone).
    pub names: Vec<String>,
    /// When it begins to hold.
    pub(crate) not_before: Timestamp,
    /// The last moment at which it holds (RFC 5280, section 4.1.2.5).
    pub(crate) not_after: Timestamp,
    /// What is weak about its key, or about a signature in the chain; may be empty.
    pub weak: Vec<String>,
    /// Why the chain does not end at a trusted root, if it does not.
    pub(crate) untrusted: Option<String>,
    /// Why it is not proven that the server has the certificate's key, if it is not; the chain alone says nothing of that.
    pub unproven: Option<String>,
}

/// Whose signature ends a chain.
#[derive(Clone, Debug)]
pub struct Roots {
    anchors: Vec<TrustAnchor<'static>>,
    certificates: Vec<CertificateDer<'static>>,
    /// What to call them.
    is_system: bool,
}

impl Roots {
    /// The roots `certificates`, those of the system or the ones of a given CA. What is no certificate is left out.
    pub fn new(certificates: Vec<CertificateDer<'static>>, is_system: bool) -> Self {
        let anchor =
            |der: &CertificateDer<'static>| webpki::anchor_from_trusted_cert(der).ok().map(|anchor| anchor.to_owned());
        Self { anchors: certificates.iter().filter_map(anchor).collect(), certificates, is_system }
    }

    fn label(&self) -> &'static str {
        if self.is_system { "this system's roots" } else { "the given `ca`" }
    }

    /// Why `chain`, the server's own certificate first, does not hold at `time`; `None` when it does.
    fn refuse(
        &self,
        chain: &[CertificateDer<'_>],
        is_self_issued: bool,
        issuer: &str,
        time: UnixTime,
    ) -> Option<String> {
        let (leaf, rest) = chain.split_first()?;
        // Given itself, it needs nobody's word: what a household makes for itself is often its own authority, which as a
        // server's certificate `webpki` would refuse.
        if self.certificates.iter().any(|given| given == leaf) {
            return None;
        }
        let why = match EndEntityCert::try_from(leaf).and_then(|leaf| {
            let usage = KeyUsage::server_auth();
            leaf.verify_for_usage(ALL_VERIFICATION_ALGS, &self.anchors, rest, time, usage, None, None).map(drop)
        }) {
            Ok(()) => return None,
            Err(webpki::Error::UnknownIssuer | webpki::Error::CaUsedAsEndEntity) if is_self_issued => {
                format!("it is self-signed, and not among {}", self.label())
            }
            Err(webpki::Error::UnknownIssuer) => {
                format!("its issuer ({issuer}) does not lead to {}", self.label())
            }
            Err(webpki::Error::InvalidSignatureForPublicKey) => {
                format!("its issuer ({issuer}) has the name of one of {}, and another key", self.label())
            }
            Err(webpki::Error::RequiredEkuNotFoundContext(_)) => {
                "it is not meant for servers (RFC 5280, 4.2.1.12)".into()
            }
            Err(error) => format!("its chain does not hold by {}: {error:?}", self.label()),
        };
        Some(why)
    }
}

/// Reads `chain`, the server's own certificate first, and holds it against `roots` at `now`.
///
/// # Errors
/// Why it cannot be read.
pub fn read(chain: &[CertificateDer<'_>], roots: &Roots, now: Timestamp) -> Result<Seen, String> {
    let leaf = chain.first().ok_or("the server sent no certificate")?;
    let parsed = parse(leaf)?;
    let (not_before, not_after) =
        (moment(parsed.validity().not_before.timestamp()), moment(parsed.validity().not_after.timestamp()));
    let names = match parsed.subject_alternative_name() {
        Ok(Some(extension)) => extension.value.general_names.iter().filter_map(|name| match name {
            GeneralName::DNSName(name) => Some((*name).to_owned()),
            _ => None,
        }),
        Ok(None) => return Err("it has no subject alternative name, and nothing else counts (RFC 9525, 6.1)".into()),
        Err(error) => return Err(format!("its subject alternative name cannot be read: {error}")),
    };
    let mut weak: Vec<String> = weak_key(parsed.public_key()).into_iter().collect();
    for (at, der) in chain.iter().enumerate() {
        let other = parse(der)?;
        // A root's own signature says nothing: it is trusted for being a root.
        if at > 0 && other.subject() == other.issuer() {
            continue;
        }
        let whose = if at == 0 {
            "it".to_owned()
        } else {
            format!("the certificate of {}", short_line(&other.subject().to_string()))
        };
        if let Some(what) = weak_signature(&other.signature_algorithm) {
            weak.push(format!("{whose} is signed by {what}"));
        }
        if at > 0
            && let Some(what) = weak_key(other.public_key())
        {
            weak.push(format!("{whose} has a weak key: {what}"));
        }
    }
    // Held against a moment at which it is valid: that it is not now is told apart.
    let time = now.clamp(not_before, not_after.max(not_before));
    let time = UnixTime::since_unix_epoch(Duration::from_millis(time.millis()));
    let issuer = short_line(&parsed.issuer().to_string());
    let untrusted = roots.refuse(chain, parsed.subject() == parsed.issuer(), &issuer, time);
    Ok(Seen { names: names.collect(), not_before, not_after, weak, untrusted, unproven: None })
}

fn parse<'a>(der: &'a CertificateDer<'_>) -> Result<X509Certificate<'a>, String> {
    match X509Certificate::from_der(der) {
        Ok(([], parsed)) => Ok(parsed),
        Ok(_) => Err("something follows a certificate in the chain".into()),
        Err(error) => Err(format!("a certificate in the chain cannot be read: {error}")),
    }
}

/// A moment given in seconds; before 1970 is 1970.
fn moment(seconds: i64) -> Timestamp {
    Timestamp::from_millis(u64::try_from(seconds).unwrap_or(0).saturating_mul(1000))
}

/// What is weak about a key, if anything is.
fn weak_key(info: &SubjectPublicKeyInfo<'_>) -> Option<String> {
    match info.parsed() {
        Ok(PublicKey::RSA(rsa)) => {
            let significant: Vec<u8> = rsa.modulus.iter().copied().skip_while(|octet| *octet == 0).collect();
            let unset = significant.first().map_or(0, |first| first.leading_zeros() as usize);
            let bits = significant.len() * 8 - unset;
            (bits < RSA_BITS).then(|| format!("RSA of {bits} bits"))
        }
        Ok(PublicKey::EC(_)) => {
            let curve = info.algorithm.parameters.as_ref().and_then(|curve| curve.as_oid().ok());
            let curve = curve.map(|curve| curve.to_id_string()).unwrap_or_default();
            (!STRONG_CURVES.contains(&curve.as_str())).then(|| format!("the elliptic curve {curve}"))
        }
        _ => {
            let algorithm = info.algorithm.algorithm.to_id_string();
            (![ED25519, ED448].contains(&algorithm.as_str())).then(|| format!("the algorithm {algorithm}"))
        }
    }
}

/// What is weak about a signature, if anything is.
fn weak_signature(algorithm: &AlgorithmIdentifier<'_>) -> Option<String> {
    let id = |oid: &Oid<'_>| oid.to_id_string();
    if let Ok(SignatureAlgorithm::RSASSA_PSS(parameters)) = SignatureAlgorithm::try_from(algorithm) {
        let hash = id(parameters.hash_algorithm_oid());
        return (!STRONG_HASHES.contains(&hash.as_str())).then(|| format!("RSASSA-PSS with the hash {hash}"));
    }
    let found = id(&algorithm.algorithm);
    if STRONG_SIGNATURES.contains(&found.as_str()) {
        return None;
    }
    let known = WEAK_SIGNATURES.iter().find(|(oid, _)| *oid == found).map(|(_, name)| (*name).to_owned());
    Some(known.unwrap_or_else(|| format!("the algorithm {found}")))
}

/// Whether a certificate for `pattern` is one for `name`: equal, or with `*` as the whole first label, which stands for
/// exactly one (RFC 9525, section 6.3).
pub fn covers(pattern: &str, name: &DnsName) -> bool {
    let pattern = pattern.strip_suffix('.').unwrap_or(pattern).to_ascii_lowercase();
    match pattern.strip_prefix("*.") {
        // The label that it stands for is a whole one, and `*.` in front of nothing stands for nothing.
        Some(rest) => name.as_str().split_once('.').is_some_and(|(_, above)| above == rest && rest.contains('.')),
        None => pattern == name.as_str(),
    }
}

/// The finding on what was `seen` at `now` for `name`.
pub fn judge(name: &DnsName, seen: &Seen, now: Timestamp) -> Finding {
    let mut wrong: Vec<(String, &str)> = Vec::new();
    if !seen.names.iter().any(|pattern| covers(pattern, name)) {
        let deeper = seen.names.iter().find(|pattern| {
            pattern
                .strip_prefix("*.")
                .is_some_and(|rest| name.as_str().ends_with(&format!(".{}", rest.to_ascii_lowercase())))
        });
        let why = match deeper {
            Some(pattern) => {
                format!("it is for {}, and {pattern} stands for one label only (RFC 9525, 6.3)", list(&seen.names))
            }
            None if seen.names.is_empty() => "it is for no DNS name".into(),
            None => format!("it is for {}", list(&seen.names)),
        };
        wrong.push((format!("{why}, not for {name}"), "have one made for this name"));
    }
    let life = seen.not_after.since(seen.not_before);
    let left = seen.not_after.since(now);
    let days = |span: Duration| span.as_secs() / DAY.as_secs();
    if now < seen.not_before {
        wrong.push((
            format!("it holds only from {} on", seen.not_before),
            "see that this machine's clock is right, or wait",
        ));
    } else if now > seen.not_after {
        wrong.push((format!("it ran out on {}", seen.not_after), "renew it, and see why that was not done by itself"));
    } else if left < (life / 3).min(NOTICE) {
        let what = format!("it runs out on {}, in {} of {} days", seen.not_after, days(left), days(life));
        wrong.push((what, "renew it, and see why that was not done by itself"));
    }
    if let Some(why) = &seen.untrusted {
        let todo = "let the server send its whole chain; for a CA of your own, name its certificate in `ca`";
        wrong.push((why.clone(), todo));
    }
    if let Some(why) = &seen.unproven {
        let what = format!("that the server has its key is not proven (RFC 8446, 4.4.3; RFC 5246, 7.4.3): {why}");
        wrong.push((what, "see who answers there: anybody can show a certificate"));
    }
    for why in &seen.weak {
        wrong.push((
            format!("weak: {why}"),
            "have it made anew with a key and signature of today (ECDSA P-256, SHA-256)",
        ));
    }
    if wrong.is_empty() {
        let text = format!("holds until {}, {} days", seen.not_after, days(left));
        return Finding::new(Check::Certificate, name.as_str(), Grade::Good, text, "");
    }
    let text = wrong.iter().map(|(what, _)| what.as_str()).collect::<Vec<_>>().join("; ");
    let mut todo: Vec<&str> = Vec::new();
    for (_, what) in &wrong {
        if !todo.contains(what) {
            todo.push(what);
        }
    }
    Finding::new(Check::Certificate, name.as_str(), Grade::Amiss, text, &todo.join("; "))
}

fn list(names: &[String]) -> String {
    let mut text: Vec<String> = names.iter().take(4).map(|name| short_line(name)).collect();
    if names.len() > 4 {
        text.push(format!("{} more", names.len() - 4));
    }
    text.join(", ")
}

#[cfg(test)]
mod tests;
