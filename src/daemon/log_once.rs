//! What the log has already been told: a change of state is logged once, and its end once. Nothing else is.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use crate::about::Connection;
use crate::allowlist::{self, Outcome as Lists, Rendered};
use crate::confirm::{End, Verdict};
use crate::record::RecordId;
use crate::say;
use crate::settings::Via;
use crate::update::{RecordState, Report, Trouble};
use crate::watch::look::{Found, Look};
use crate::watch::settle::Heard;
use crate::watch::vote::Outcome;

/// As many different things are said on one topic before it is over.
const MOST: usize = 16;

/// What can be said something on.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Topic {
    /// The vote over a line and family.
    Ruling(Via),
    /// What an operator says there.
    Operator(Via, String),
    /// What is amiss with a line.
    Finding(Option<String>, Connection),
    /// Whether what was written to a provider is live.
    Confirm(String),
    /// The ranges of all edges.
    AllRanges,
    /// The ranges of one.
    Ranges(String),
    /// A file of ranges.
    File(PathBuf),
    /// A provider.
    Provider(String),
    /// A record at a provider.
    Record(String, RecordId),
}

/// All that was said on each topic since it began.
#[derive(Debug, Default)]
pub(super) struct LogOnce(BTreeMap<Topic, BTreeSet<String>>);

impl LogOnce {
    /// Whether `text` is news on `topic`. Numbers do not make news: a skew or a wait differs each time. Nor does what
    /// was said before: a server that is away is now refused, now silent, and so through a whole night.
    fn is_news(&mut self, topic: Topic, text: &str) -> bool {
        let text: String = text.chars().filter(|c| !c.is_ascii_digit()).collect();
        let said = self.0.entry(topic).or_default();
        said.len() < MOST && said.insert(text)
    }

    /// Whether there was something to say on `topic`, and is no more.
    fn is_over(&mut self, topic: &Topic) -> bool {
        self.0.remove(topic).is_some()
    }

    /// Logs what is new in one round of a line and family.
    pub(super) fn look(&mut self, look: &Look, heard: &Heard) {
        let (via, ruling) = (look.via(), &look.ruling);
        match heard {
            Heard::Settled { from: None, to } => tracing::info!("{via}: the home is at {to}: {ruling}"),
            Heard::Settled { from: Some(from), to } => {
                tracing::info!("{via}: the home has moved from {from} to {to}: {ruling}");
            }
            Heard::InSight { address, won, needed } => {
                tracing::info!("{via}: {address} is in sight, round {won} of {needed}");
            }
            Heard::Unchanged | Heard::NoRuling => {}
        }
        let topic = Topic::Ruling(via.clone());
        match ruling.outcome {
            Outcome::Agreed(_) => {
                if self.is_over(&topic) {
                    tracing::info!("{via}: the operators agree again: {ruling}");
                }
            }
            Outcome::Split | Outcome::TooFew | Outcome::NoneAsked => {
                if self.is_news(topic, &ruling.to_string()) {
                    tracing::warn!("{via}: {ruling}; the names stay as they are");
                    for remark in ruling.remarks() {
                        tracing::warn!("{via}: {remark}");
                    }
                }
                return;
            }
        }
        for dissent in &ruling.dissent {
            let said: Vec<_> = dissent.said.iter().map(ToString::to_string).collect();
            if self.is_news(Topic::Operator(via.clone(), dissent.operator.clone()), "dissents") {
                tracing::warn!("{via}: {} says {}, against the majority", dissent.operator, said.join(" and "));
            }
        }
        for (operator, why) in &ruling.silent {
            if self.is_news(Topic::Operator(via.clone(), operator.clone()), why) {
                tracing::info!("{via}: {operator} has no answer: {why}");
            }
        }
        for operator in &ruling.agreed {
            if self.is_over(&Topic::Operator(via.clone(), operator.clone())) {
                tracing::info!("{via}: {operator} agrees again");
            }
        }
    }

    /// Logs what is newly amiss, and what is no more.
    pub(super) fn findings(&mut self, found: &[Found]) {
        let topic = |found: &Found| Topic::Finding(found.line.clone(), found.finding.key());
        let present: BTreeSet<Topic> = found.iter().map(topic).collect();
        for one in found {
            if self.is_news(topic(one), "amiss") {
                tracing::warn!("{one}");
            }
        }
        self.0.retain(|topic, _| {
            let Topic::Finding(line, about) = topic else { return true };
            let lasts = present.contains(topic);
            if !lasts {
                let line = line.as_ref().map(|line| format!("{line} ")).unwrap_or_default();
                tracing::info!("no more: {line}{about}");
            }
            lasts
        });
    }

    /// Logs that what was written is live, or why that is not known.
    pub(super) fn confirmed(&mut self, verdict: &Verdict) {
        let topic = Topic::Confirm(verdict.provider.clone());
        match &verdict.end {
            End::Served => {
                self.is_over(&topic);
                tracing::info!("{}", say::verdict(verdict));
            }
            // Each is about another write.
            End::Overdue(_) => tracing::warn!("{}", say::verdict(verdict)),
            End::Lost(why) => {
                if self.is_news(topic, why) {
                    tracing::warn!("{}", say::verdict(verdict));
                }
            }
        }
    }

    /// Logs what is new about the ranges of one edge.
    pub(super) fn ranges(&mut self, report: &allowlist::Report) {
        let edge = &report.edge;
        if self.is_over(&Topic::AllRanges) {
            tracing::info!("ranges: they can be looked at again");
        }
        let topic = Topic::Ranges(edge.clone());
        let (Lists::Refused { why, .. } | Lists::Unreachable { why }) = &report.outcome else {
            let over = self.is_over(&topic);
            match &report.outcome {
                Lists::Taken { number, came, went } => tracing::info!(
                    "ranges of {edge}: version {number} is in force, {} came and {} went",
                    came.len(),
                    went.len()
                ),
                _ if over => tracing::info!("ranges of {edge}: they can be fetched again"),
                _ => {}
            }
            return;
        };
        if self.is_news(topic, why) {
            let stays = if report.number.is_some() { "what was in force stays so" } else { "none are in force yet" };
            tracing::warn!("ranges of {edge}: {why}; {stays}");
        }
    }

    /// Logs why no ranges could be looked at or written at all.
    pub(super) fn no_ranges(&mut self, why: &str) {
        if self.is_news(Topic::AllRanges, why) {
            tracing::warn!("ranges: {why}");
        }
    }

    /// Logs what is new about one file of ranges.
    pub(super) fn rendered(&mut self, file: &Rendered) {
        let (topic, path) = (Topic::File(file.file.clone()), file.file.display());
        match &file.trouble {
            Some(why) => {
                if self.is_news(topic, why) {
                    tracing::warn!("{path}: {why}");
                }
            }
            None => {
                let over = self.is_over(&topic);
                if file.changed || over {
                    tracing::info!(
                        "{path}: the ranges are written{}",
                        if file.reloaded { ", and in effect" } else { "" }
                    );
                }
            }
        }
    }

    /// Logs what is new about one provider and its records.
    pub(super) fn report(&mut self, report: &Report) {
        let provider = &report.provider;
        let topic = Topic::Provider(provider.clone());
        match &report.trouble {
            None => {
                // Between two writes that fail it can be read: that is no end of it.
                if report.is_well() && self.is_over(&topic) {
                    tracing::info!("{provider}: works again");
                }
            }
            // Told when it began, as news of the lease.
            Some(Trouble::StandingBy { .. }) => {}
            Some(trouble) => {
                let what = match trouble {
                    Trouble::Passing { .. } | Trouble::Unproven { .. } => "will be tried again",
                    Trouble::Refused { .. } | Trouble::Held { .. } => {
                        "on hold: it is tried again every hour, at each start and at a reload (`systemctl reload fingerpost`)"
                    }
                    Trouble::NoBooks { .. } | Trouble::NoLease { .. } | Trouble::StandingBy { .. } => "nothing is sent",
                };
                if self.is_news(topic, trouble.why()) {
                    tracing::warn!("{provider}: {}; {what}", trouble.why());
                }
            }
        }
        for record in &report.records {
            let topic = Topic::Record(provider.clone(), RecordId { name: record.name.clone(), rtype: record.rtype });
            match &record.standing {
                RecordState::InStep | RecordState::Spreading { .. } => {
                    if record.verb.is_some() {
                        let before = record.before.as_ref().map_or_else(|| "nothing".to_owned(), ToString::to_string);
                        let after = record.after.as_ref().map(ToString::to_string).unwrap_or_default();
                        tracing::info!("{} {} written: {before} → {after}", record.name, record.rtype);
                        self.is_over(&topic);
                    } else if self.is_over(&topic) {
                        tracing::info!("{} {} is in step", record.name, record.rtype);
                    }
                }
                RecordState::Blocked { why } => {
                    if self.is_news(topic, why) {
                        tracing::warn!("{} {} is blocked: {why}", record.name, record.rtype);
                    }
                }
                RecordState::Adrift { why } => {
                    let why = why.as_deref().unwrap_or("not written yet");
                    let told = report.trouble.is_some();
                    if self.is_news(topic, why) && !told {
                        tracing::info!("{} {} is adrift: {why}", record.name, record.rtype);
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::io;
    use std::sync::{Arc, Mutex};

    use super::{Found, LogOnce, MOST, Topic};
    use crate::address::Family;
    use crate::name::DnsName;
    use crate::record::RecordType;
    use crate::update::{RecordReport, RecordState, Report, Trouble};
    use crate::watch::diagnose::Finding;

    /// What is logged.
    #[derive(Clone, Default)]
    struct Sink(Arc<Mutex<Vec<u8>>>);

    impl io::Write for Sink {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().extend_from_slice(bytes);
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    /// The lines that `work` brings into the log, without times.
    fn lines(work: impl FnOnce()) -> Vec<String> {
        let sink = Sink::default();
        let to = sink.clone();
        let subscriber = tracing_subscriber::fmt().without_time().with_target(false).with_ansi(false);
        tracing::subscriber::with_default(subscriber.with_writer(move || to.clone()).finish(), work);
        let text = String::from_utf8(sink.0.lock().unwrap().clone()).unwrap();
        text.lines().map(|line| line.trim().to_owned()).collect()
    }

    /// A round of a provider with one record.
    fn round(trouble: Option<Trouble>, standing: RecordState) -> Report {
        let record = RecordReport {
            name: DnsName::parse("gauge.heronmill.example").unwrap(),
            rtype: RecordType::A,
            address: [203, 0, 113, 77].into(),
            before: None,
            after: None,
            verb: None,
            standing,
            is_looked_for: false,
        };
        let (provider, records) = ("home".to_owned(), vec![record]);
        Report { provider, records, means: None, trouble, put_off_until: None, looked_for_until: None }
    }

    /// A host that shows everything and takes nothing is in trouble at each write, and in none at each round in which the
    /// write is put off. It works again when all is well, and that is told once for each trouble.
    #[test]
    fn that_a_provider_works_again_is_told_once_and_when_it_does() {
        let busy = || {
            let why = "503 Service Unavailable".to_owned();
            round(Some(Trouble::Passing { why, retry_after: None }), RecordState::Adrift { why: None })
        };
        let between = || round(None, RecordState::Adrift { why: Some("put off".to_owned()) });
        let well = || round(None, RecordState::InStep);
        let mut said = LogOnce::default();
        let mut of_home = |report: Report| -> Vec<String> {
            lines(|| said.report(&report)).into_iter().filter(|line| line.contains(" home: ")).collect()
        };
        let (begun, over) = ("WARN home: 503 Service Unavailable; will be tried again", "INFO home: works again");
        assert_eq!(of_home(well()), [""; 0], "it has not been in trouble");
        for _ in 0..2 {
            assert_eq!(of_home(busy()), [begun]);
            for _ in 0..3 {
                for nothing_new in [between(), busy(), between(), between(), busy()] {
                    assert_eq!(of_home(nothing_new), [""; 0]);
                }
            }
            assert_eq!(of_home(well()), [over]);
            for _ in 0..3 {
                assert_eq!(of_home(well()), [""; 0]);
            }
        }
    }

    #[test]
    fn what_is_amiss_is_said_once_and_its_end_once_with_the_line_where_there_are_several() {
        let found = |line: Option<&str>, finding| Found { line: line.map(str::to_owned), finding };
        let portal = || found(None, Finding::CaptivePortal { operators: vec!["ferryman".to_owned()] });
        let missing = || found(Some("lte"), Finding::FamilyMissing { family: Family::Ipv6 });
        let mut said = LogOnce::default();
        let mut told = |found: &[Found]| lines(|| said.findings(found));
        let both = [portal(), missing()];
        assert_eq!(told(&both), both.iter().map(|one| format!("WARN {one}")).collect::<Vec<_>>());
        assert_eq!(told(&both), [""; 0]);
        assert_eq!(told(&[]), ["INFO no more: captive-portal", "INFO no more: lte family-missing IPv6"]);
        assert_eq!(told(&[]), [""; 0]);
    }

    #[test]
    fn each_thing_is_said_once_until_it_is_over() {
        let mut said = LogOnce::default();
        let home = || Topic::Provider("home".to_owned());
        let mut news = |text: &str| said.is_news(home(), text);
        assert!(news("refused") && news("no answer within 5 s"));
        assert!(!news("refused") && !news("no answer within 7 s"), "taking turns, or with other numbers");
        assert!(said.is_over(&home()) && !said.is_over(&home()));
        assert!(said.is_news(home(), "refused"));
    }

    #[test]
    fn what_differs_each_time_is_not_said_for_ever() {
        let mut said = LogOnce::default();
        let news = (0..1000).filter(|nth| said.is_news(Topic::AllRanges, &"x".repeat(*nth))).count();
        assert_eq!(news, MOST);
    }
}
