//! Who gets in: through the public name, and straight at the home. Pure.

use super::{Check, Finding, Grade};
use crate::address::Family;
use crate::echo::knock::Knock;

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

/// Whether `port` of the home, with nothing in front, is open to a helper; one word a family that was asked about.
pub fn open(name: &str, port: u16, told: &HelperReport) -> Finding {
    let finding = |grade, todo: &str| Finding::new(Check::WayIn, name, grade, told.seen(port), todo);
    let found = match told.knocks() {
        (_, true) => finding(Grade::Unknown, NO_WORD),
        (states, false) if states.iter().all(|state| *state == Knock::Answered) => finding(Grade::Good, ""),
        _ => finding(Grade::Amiss, "see that the service runs and that the router leads the port to it"),
    };
    let reach =
        told.each.iter().filter_map(|(family, state)| Some((*family, *state.as_ref().ok()? == Knock::Answered)));
    Finding { reach: reach.collect(), ..found }
}

/// What a helper says of one port, a word a family that it was asked in.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct HelperReport {
    /// What it says, or why it says nothing.
    pub each: Vec<(Family, Result<Knock, String>)>,
    /// What was left out, and why; may be empty.
    pub left_out: String,
}

const NO_WORD: &str = "name a friend's `fingerpost echo --knock-back` in `exposure.helper`, and see that it runs";

impl HelperReport {
    fn seen(&self, port: u16) -> String {
        let each = self.each.iter().map(|(family, state)| match state {
            Ok(Knock::Answered) => format!("{family}: port {port} is open to the helper"),
            Ok(Knock::TurnedAway) => format!("{family}: port {port} is refused"),
            Ok(Knock::NoAnswer) => format!("{family}: port {port} does not answer"),
            Err(why) => format!("{family}: {why}"),
        });
        let mut seen: Vec<String> = each.collect();
        if !self.left_out.is_empty() {
            seen.push(self.left_out.clone());
        }
        seen.join("; ")
    }

    /// The states told, and whether one is missing or there is none.
    fn knocks(&self) -> (Vec<Knock>, bool) {
        let states: Vec<Knock> = self.each.iter().filter_map(|(_, state)| state.as_ref().ok().copied()).collect();
        let missing = states.is_empty() || states.len() < self.each.len();
        (states, missing)
    }
}

/// Whether `port` of the home is closed to a helper that is not the edge.
pub fn closed(name: &str, port: u16, told: &HelperReport) -> Finding {
    let finding = |grade, todo: &str| Finding::new(Check::Closed, name, grade, told.seen(port), todo);
    match told.knocks() {
        (states, _) if states.contains(&Knock::Answered) => {
            finding(Grade::Amiss, "let the firewall and the router take connections to it from the edge's ranges only")
        }
        (_, true) => finding(Grade::Unknown, NO_WORD),
        _ => finding(Grade::Good, ""),
    }
}

#[cfg(test)]
mod tests {
    use super::{Entry, Family, Grade, HelperReport, Knock, closed, open, way_in};

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
        // What `closed` and `open` make of the same words.
        for (each, is_closed, is_open) in [
            (vec![(Ipv4, Ok(Knock::NoAnswer))], Grade::Good, Grade::Amiss),
            (vec![(Ipv4, Ok(Knock::TurnedAway)), (Ipv6, Ok(Knock::NoAnswer))], Grade::Good, Grade::Amiss),
            (vec![(Ipv4, Ok(Knock::Answered))], Grade::Amiss, Grade::Good),
            (vec![(Ipv4, Ok(Knock::Answered)), (Ipv6, Ok(Knock::Answered))], Grade::Amiss, Grade::Good),
            (vec![(Ipv4, Ok(Knock::NoAnswer)), (Ipv6, Ok(Knock::Answered))], Grade::Amiss, Grade::Amiss),
            (vec![(Ipv4, unknown()), (Ipv6, Ok(Knock::Answered))], Grade::Amiss, Grade::Unknown),
            (vec![(Ipv4, unknown()), (Ipv6, Ok(Knock::NoAnswer))], Grade::Unknown, Grade::Unknown),
            (vec![], Grade::Unknown, Grade::Unknown),
        ] {
            let told = HelperReport { each, left_out: String::new() };
            assert_eq!(closed("gauge.heronmill.example", 443, &told).grade, is_closed, "{told:?}");
            assert_eq!(open("gauge.heronmill.example", 443, &told).grade, is_open, "{told:?}");
        }
    }
}
