//! Whether ranges that were read from the state directory are those that this program put there: the audit log tells, by
//! the digest in its entry of that version.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::Kept;
use crate::address::set::AddressSet;
use crate::audit::Event;
use crate::audit::chain::{Entry, Known};

/// What the log tells of one version.
#[derive(Clone, Debug, PartialEq, Eq)]
struct LoggedVersion {
    number: u64,
    digest: Option<String>,
}

impl LoggedVersion {
    fn is(&self, kept: &Kept) -> bool {
        self.number == kept.number && self.digest.as_ref() == Some(&digest(&kept.set()))
    }
}

/// What the log tells of the ranges of each edge: of the last version, and of the one before it.
#[derive(Debug, Default)]
pub struct Proofs(BTreeMap<String, (Option<LoggedVersion>, LoggedVersion)>);

/// How ranges stand to the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// It tells of them.
    Proven,
    /// It tells nothing of their edge: what told of it was removed by rotation, or stands before a line that does not hold.
    Untold,
    /// It tells of others.
    Refuted,
}

impl Proofs {
    /// Takes in the next entry of the log; `follows` says whether it holds with the one before.
    pub fn read(&mut self, entry: Entry, follows: bool) {
        if !follows {
            // Whoever has changed a line may have written all before it.
            self.0.clear();
        } else if let Known::Yes(event) = entry.event {
            self.hear(event);
        }
    }

    fn hear(&mut self, event: Event) {
        let Event::Ranges { edge, number, digest, .. } = event else { return };
        let before = self.0.remove(&edge).map(|(_, last)| last);
        self.0.insert(edge, (before, LoggedVersion { number, digest }));
    }

    /// How `kept`, which was read, stands to that.
    pub fn standing(&self, edge: &str, kept: &Kept) -> Standing {
        let Some((before, last)) = self.0.get(edge) else { return Standing::Untold };
        // A crash came between the entry and the file.
        let was = before.as_ref().filter(|before| before.number < last.number);
        if last.is(kept) || was.is_some_and(|before| before.is(kept)) {
            Standing::Proven
        } else if last.digest.is_none() && last.number == kept.number {
            Standing::Untold
        } else {
            Standing::Refuted
        }
    }
}

/// What the log has of `set`: the SHA-256 of its ranges, one a line, in lower-case hexadecimal.
pub fn digest(set: &AddressSet) -> String {
    let mut text = String::new();
    for range in set.prefixes() {
        // Writing to a String does not fail.
        let _ = writeln!(text, "{range}");
    }
    data_encoding::HEXLOWER.encode(ring::digest::digest(&ring::digest::SHA256, text.as_bytes()).as_ref())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::allowlist::KeptSource;
    use crate::clock::Timestamp;

    fn kept(number: u64, range: &str) -> Kept {
        let ranges = vec![range.parse().unwrap()];
        let source = KeptSource { source: "weir".to_owned(), etag: None, last_modified: None, ranges };
        Kept::new(number, Timestamp::default(), vec![source])
    }

    fn ranges(number: u64, digest: Option<String>) -> Event {
        let (edge, none) = ("weir".to_owned(), "0".to_owned());
        let (came_addresses, went_addresses) = (none.clone(), none);
        Event::Ranges { edge, number, came: vec![], came_addresses, went: vec![], went_addresses, digest }
    }

    #[test]
    fn the_log_tells_which_ranges_are_ours() {
        let (old, new) = (kept(1, "192.0.2.0/24"), kept(2, "192.0.2.0/25"));
        let told = |kept: &Kept| ranges(kept.number, Some(digest(&kept.set())));
        let by = |events: &[Event], kept: &Kept| {
            let mut proofs = Proofs::default();
            events.iter().for_each(|event| proofs.hear(event.clone()));
            proofs.standing("weir", kept)
        };
        use Standing::{Proven, Refuted, Untold};
        for (what, events, there, want) in [
            ("nothing is told", vec![], &old, Untold),
            ("the last", vec![told(&old), told(&new)], &new, Proven),
            ("a crash came before the file", vec![told(&old), told(&new)], &old, Proven),
            (
                "and the same version was told anew",
                vec![told(&old), told(&kept(2, "192.0.2.0/26")), told(&new)],
                &new,
                Proven,
            ),
            ("an old one", vec![told(&old), told(&new), told(&kept(3, "192.0.2.0/26"))], &old, Refuted),
            ("other ranges", vec![told(&old)], &kept(1, "0.0.0.0/0"), Refuted),
            ("another number", vec![told(&old)], &kept(2, "192.0.2.0/24"), Refuted),
            ("an entry without a digest", vec![ranges(1, None)], &old, Untold),
        ] {
            assert_eq!(by(&events, there), want, "{what}");
        }
    }

    /// `printf '192.0.2.0/24\n2001:db8::/32\n' | sha256sum`, of GNU coreutils.
    #[test]
    fn the_digest_is_that_of_the_lines() {
        let set = ["192.0.2.0/25", "2001:db8::/32", "192.0.2.128/25"].map(|range| range.parse().unwrap());
        assert_eq!(
            digest(&set.into_iter().collect()),
            "2869f46ecda9c71c548bfd15408876ac4337d51ac42a093d67736fcd038bc777"
        );
    }
}
