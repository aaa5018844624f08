//! Who gets in: through the public name, and straight at the home. Pure.

use super::{Check, Finding, Grade};
use crate::address::Family;
use crate::echo::probe::State;

/// What became of a request through the public name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Entry {
    /// An answer came, with this status (RFC 9110, section 15).
    Answered(u16),
    /// None came, for this reason.
    Failed(String),
    /// Nothing was asked, for this reason.
    NotAsked(String),
}

/// Whether an HTTPS request through the public name `name` succeeds.
pub fn way_in(name: &str, entry: &Entry) -> Finding {
    let finding = |grade, seen: String, todo: &str| Finding::new(Check::WayIn, name, grade, seen, todo);
    match entry {
        Entry::NotAsked(why) => finding(Grade::Unknown, why.clone(), ""),
        Entry::Failed(why) => {
            finding(Grade::Amiss, why.clone(), "see that the edge serves the name with a certificate that holds")
        }
        // RFC 9110, section 15.6: the server, here the edge, is aware that it failed.
        Entry::Answered(status @ 500..) => {
            let todo = "see whether the edge reaches the origin: its ranges in the firewall, the origin's certificate";
            finding(Grade::Amiss, format!("HTTP status {status}"), todo)
        }
        Entry::Answered(status) => finding(Grade::Good, format!("HTTP status {status}"), ""),
    }
}

/// Whether `port` of the home is closed to a helper that is not the edge; one word a family that was asked about.
pub fn closed(name: &str, port: u16, told: &[(Family, Result<State, String>)]) -> Finding {
    let finding = |grade, seen: String, todo: &str| Finding::new(Check::Closed, name, grade, seen, todo);
    let each = told.iter().map(|(family, state)| match state {
        Ok(State::Open) => format!("{family}: port {port} is open to the helper"),
        Ok(State::Refused) => format!("{family}: port {port} is refused"),
        Ok(State::Filtered) => format!("{family}: port {port} does not answer"),
        Err(why) => format!("{family}: {why}"),
    });
    let seen = each.collect::<Vec<_>>().join("; ");
    if told.iter().any(|(_, state)| *state == Ok(State::Open)) {
        let todo = "let the firewall take connections to it from the edge's ranges only: `fingerpost allowlist compare` \
                    names the rule";
        return finding(Grade::Amiss, seen, todo);
    }
    if told.is_empty() {
        return finding(Grade::Unknown, "no helper is configured".into(), "name one in `exposure.helper`");
    }
    if told.iter().any(|(_, state)| state.is_err()) {
        return finding(Grade::Unknown, seen, "see that the helper runs `fingerpost echo --probe-back`");
    }
    finding(Grade::Good, seen, "")
}

#[cfg(test)]
mod tests {
    use super::{Entry, Family, Grade, State, closed, way_in};

    #[test]
    fn an_answer_below_500_is_a_way_in() {
        for (entry, grade) in [
            (Entry::Answered(200), Grade::Good),
            (Entry::Answered(302), Grade::Good),
            (Entry::Answered(401), Grade::Good),
            (Entry::Answered(404), Grade::Good),
            (Entry::Answered(502), Grade::Amiss),
            (Entry::Answered(503), Grade::Amiss),
            (Entry::Answered(599), Grade::Amiss),
            (Entry::Failed("certificate".into()), Grade::Amiss),
            (Entry::NotAsked("no address".into()), Grade::Unknown),
        ] {
            assert_eq!(way_in("gauge.heronmill.example", &entry).grade, grade, "{entry:?}");
        }
    }

    #[test]
    fn closed_is_what_no_family_shows_open_and_every_family_has_shown() {
        use Family::{Ipv4, Ipv6};
        let unknown = || Err("no way".to_owned());
        for (told, grade) in [
            (vec![(Ipv4, Ok(State::Filtered))], Grade::Good),
            (vec![(Ipv4, Ok(State::Refused)), (Ipv6, Ok(State::Filtered))], Grade::Good),
            (vec![(Ipv4, Ok(State::Open))], Grade::Amiss),
            (vec![(Ipv4, Ok(State::Filtered)), (Ipv6, Ok(State::Open))], Grade::Amiss),
            (vec![(Ipv4, unknown()), (Ipv6, Ok(State::Open))], Grade::Amiss),
            (vec![(Ipv4, unknown()), (Ipv6, Ok(State::Filtered))], Grade::Unknown),
            (vec![], Grade::Unknown),
        ] {
            assert_eq!(closed("gauge.heronmill.example", 443, &told).grade, grade, "{told:?}");
        }
    }
}
