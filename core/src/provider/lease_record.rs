//! What the TXT record of a lease says: who has it, and for how long at a time. Pure.

use std::fmt;
use std::time::Duration;

use data_encoding::HEXLOWER;

use crate::clock::Timestamp;

/// The first word of every claim; another form would have another number.
const MARK: &str = "fingerpost-lease=1";
/// A character-string holds no more octets (RFC 1035, section 3.3).
const LONGEST: usize = 255;
/// The shortest and the longest lease.
pub const SPANS: std::ops::RangeInclusive<Duration> = Duration::from_secs(1)..=Duration::from_secs(86_400);

/// Tells one process from every other: machines may have the same name, and a memory card may have been copied.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Nonce(pub [u8; 16]);

impl fmt::Debug for Nonce {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Nonce({self})")
    }
}

impl fmt::Display for Nonce {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&HEXLOWER.encode(&self.0))
    }
}

/// One text of a lease. No two are the same: each renewal has a higher count.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeaseRecord {
    /// The machine, for people.
    pub holder: String,
    /// The process.
    pub nonce: Nonce,
    /// Higher with each renewal.
    pub count: u64,
    /// How long it holds unless it is renewed; whole seconds.
    pub lease: Duration,
    /// When the lease was taken, by the holder's own clock; for people.
    pub since: Timestamp,
}

impl fmt::Display for LeaseRecord {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { holder, nonce, count, lease, since } = self;
        write!(f, "{MARK} holder={holder} since={since} lease={}s nonce={nonce} count={count}", lease.as_secs())
    }
}

/// Why what stands at a lease's name is no lease. It is never overwritten.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unreadable {
    /// A lease is one record.
    #[error("{0} TXT records stand there, and a lease is one")]
    Several(usize),
    /// Somebody else's text.
    #[error("the TXT record there is not a lease")]
    Foreign,
    /// It begins like one.
    #[error("the TXT record there is a lease in a form that this version does not know")]
    Malformed,
}

impl LeaseRecord {
    /// The claim in the TXT records at a name, each given as its character-strings; `None` where there is no record.
    pub fn read(records: &[Vec<Vec<u8>>]) -> Result<Option<Self>, Unreadable> {
        match records {
            [] => Ok(None),
            [strings] => {
                let [text] = strings.as_slice() else { return Err(Unreadable::Foreign) };
                if !text.starts_with(b"fingerpost-lease=") {
                    return Err(Unreadable::Foreign);
                }
                Self::parse(text).map(Some).ok_or(Unreadable::Malformed)
            }
            more => Err(Unreadable::Several(more.len())),
        }
    }

    /// Reads exactly what its `Display` writes: a claim is compared octet by octet by the server.
    fn parse(text: &[u8]) -> Option<Self> {
        let text = std::str::from_utf8(text).ok().filter(|text| text.len() <= LONGEST)?;
        let mut words = text.split(' ');
        (words.next() == Some(MARK)).then_some(())?;
        let mut value = |key: &str| words.next()?.strip_prefix(key)?.strip_prefix('=');
        let holder = value("holder").filter(|holder| is_holder(holder))?.to_owned();
        let since = Timestamp::parse(value("since")?)?;
        let lease = Duration::from_secs(value("lease")?.strip_suffix('s')?.parse().ok()?);
        let nonce = Nonce(HEXLOWER.decode(value("nonce")?.as_bytes()).ok()?.try_into().ok()?);
        let count = value("count")?.parse().ok()?;
        let claim = Self { holder, nonce, count, lease, since };
        (SPANS.contains(&lease) && claim.to_string() == text).then_some(claim)
    }
}

/// Whether `text` can name a holder: 1 to 64 letters, digits, `-`, `_` or `.`.
pub(crate) fn is_holder(text: &str) -> bool {
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_' | b'.');
    (1..=64).contains(&text.len()) && text.bytes().all(plain)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const TEXT: &str = "fingerpost-lease=1 holder=pi since=2026-11-24T08:14:31Z lease=300s \
                        nonce=000102030405060708090a0b0c0d0e0f count=17";

    fn claim() -> LeaseRecord {
        LeaseRecord {
            holder: "pi".to_owned(),
            nonce: Nonce(std::array::from_fn(|at| at as u8)),
            count: 17,
            lease: Duration::from_secs(300),
            since: Timestamp::parse("2026-11-24T08:14:31Z").unwrap(),
        }
    }

    fn read(text: &[u8]) -> Result<Option<LeaseRecord>, Unreadable> {
        LeaseRecord::read(&[vec![text.to_vec()]])
    }

    #[test]
    fn a_claim_is_read_as_it_is_written() {
        assert_eq!(claim().to_string(), TEXT);
        assert_eq!(read(TEXT.as_bytes()), Ok(Some(claim())));
        assert_eq!(LeaseRecord::read(&[]), Ok(None));
    }

    #[test]
    fn the_longest_claim_fits_one_character_string() {
        let longest = LeaseRecord {
            holder: "x".repeat(64),
            count: u64::MAX,
            lease: *SPANS.end(),
            since: Timestamp::from_millis(u64::MAX),
            ..claim()
        };
        assert!(longest.to_string().len() <= LONGEST, "{longest}");
    }

    #[test]
    fn whatever_is_not_exactly_a_claim_is_none() {
        let changed = |from: &str, to: &str| TEXT.replacen(from, to, 1);
        for text in [
            changed("count=17", "count=017"),
            changed("count=17", "count=-1"),
            changed("count=17", "count=18446744073709551616"),
            changed("count=17", "count=17 "),
            changed("lease=300s", "lease=300"),
            changed("lease=300s", "lease=0s"),
            changed("lease=300s", "lease=86401s"),
            changed("0e0f", "0E0F"),
            changed("0e0f", "0e"),
            changed("holder=pi", "holder="),
            changed("holder=pi", "holder=p\u{ec}"),
            changed("holder=pi", &format!("holder={}", "x".repeat(65))),
            changed("31Z", "31.5Z"),
            changed("lease=1", "lease=2"),
            changed("since", "until"),
            changed(" holder", "  holder"),
            TEXT[..TEXT.len() - 9].to_owned(),
        ] {
            assert_eq!(read(text.as_bytes()), Err(Unreadable::Malformed), "{text}");
        }
        for text in ["", "v=spf1 -all", "fingerpost"] {
            assert_eq!(read(text.as_bytes()), Err(Unreadable::Foreign), "{text}");
        }
        let strings = |strings: &[&str]| strings.iter().map(|text| text.as_bytes().to_vec()).collect::<Vec<_>>();
        assert_eq!(LeaseRecord::read(&[strings(&[TEXT, ""])]), Err(Unreadable::Foreign));
        assert_eq!(LeaseRecord::read(&[strings(&[TEXT]), strings(&["v=spf1 -all"])]), Err(Unreadable::Several(2)));
    }

    proptest! {
        #[test]
        fn what_is_read_is_written_the_same(change in any::<prop::sample::Index>(), octet in any::<u8>()) {
            let mut text = TEXT.as_bytes().to_vec();
            text[change.index(TEXT.len())] = octet;
            if let Ok(Some(claim)) = read(&text) {
                prop_assert_eq!(claim.to_string().into_bytes(), text);
            }
        }
    }
}
