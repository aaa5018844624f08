//! Output for people: aligned, plain without a terminal, coloured with one.

use std::fmt::Write as _;
use std::io::{self, IsTerminal};

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::{FmtContext, FormatEvent, FormatFields};
use tracing_subscriber::registry::LookupSpan;

use crate::audit::propagation::{Behind, Serving};
use crate::confirm::{End, Verdict};
use crate::reconcile::Verb;
use crate::text::short_span;
use crate::update::{RecordReport, RecordState, Report, Trouble};
use crate::watch::Silence;
use crate::watch::look::{Found, HeldBack, Look};
use crate::watch::vote::Outcome;

/// Whether the writes in a text have happened or would happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mood {
    /// They have.
    Done,
    /// They would.
    Would,
}

/// How to set a text off from the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tone {
    /// Good news.
    Good,
    /// It needs a person, or time.
    Amiss,
    /// Less important than what is around it.
    Faint,
    /// More important than what is around it.
    Strong,
}

/// Colours, where standard output is a terminal and NO_COLOR is not set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Paint(bool);

impl Paint {
    /// For standard output as it is.
    pub(crate) fn stdout() -> Self {
        let refused = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        Self(io::stdout().is_terminal() && !refused)
    }

    /// No colours.
    pub(crate) fn plain() -> Self {
        Self(false)
    }

    /// `text` in `tone`.
    pub(crate) fn tone(self, tone: Tone, text: &str) -> String {
        let code = match tone {
            Tone::Good => "32",
            Tone::Amiss => "31",
            Tone::Faint => "2",
            Tone::Strong => "1",
        };
        if self.0 { format!("\x1b[{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

/// The vote in each family, with who said otherwise and who said nothing.
pub fn looks(looks: &[Look], paint: Paint) -> String {
    let mut text = String::new();
    for look in looks {
        let agreed = matches!(look.ruling.outcome, Outcome::Agreed(_));
        let ruling = look.ruling.to_string();
        let ruling = if agreed { ruling } else { paint.tone(Tone::Amiss, &ruling) };
        let _ = writeln!(text, "{}  {ruling}", look.via());
        for remark in look.ruling.remarks() {
            let _ = writeln!(text, "      {}", paint.tone(Tone::Faint, &remark));
        }
    }
    text
}

/// What to do where there is no ruling, a line each; nothing for a family in which another line has one.
pub(crate) fn ways_out(looks: &[Look]) -> String {
    let agreed = |look: &Look| matches!(look.ruling.outcome, Outcome::Agreed(_));
    let mut text = String::new();
    for look in looks {
        if looks.iter().any(|other| other.family == look.family && agreed(other)) {
            continue;
        }
        let is_silent = look.testimony.iter().all(|testimony| {
            matches!(testimony.said, Err(Silence::TimedOut(_) | Silence::NoWay | Silence::Unreachable(_)))
        });
        let is_astray =
            look.testimony.iter().all(|testimony| matches!(testimony.said, Err(Silence::NotPublishable(_))));
        let way = match look.ruling.outcome {
            Outcome::Agreed(_) => continue,
            Outcome::NoneAsked => "add a [[witness]] that is asked for this family",
            Outcome::TooFew if is_silent => {
                "see that this machine is online and can resolve names, and open a witness by hand"
            }
            Outcome::TooFew if is_astray => {
                "see which way this machine's questions leave by: a VPN, or who answers is inside the home"
            }
            Outcome::TooFew => "mend or replace what has no answer, or add witnesses of other operators",
            Outcome::Split => {
                "see on the router's own page who is right, and replace who is not; a home with two lines names them ([[line]])"
            }
        };
        let _ = writeln!(text, "{}  the names stay as they are; {way}", look.via());
    }
    text
}

/// What is amiss with the connection or the witnesses, a line each.
pub fn findings(found: &[Found], paint: Paint) -> String {
    found.iter().fold(String::new(), |mut text, found| {
        let _ = writeln!(text, "{}", paint.tone(Tone::Amiss, &found.to_string()));
        text
    })
}

/// The records that are held back because of what was found, a line each, and the way to have them published.
pub fn held_back(held: &[HeldBack], paint: Paint) -> String {
    let width = held.iter().map(|one| one.name.as_str().len()).max().unwrap_or(0);
    held.iter().fold(String::new(), |mut text, HeldBack { line, name, rtype, address }| {
        let line = line.as_ref().map(|line| format!(" of {line}")).unwrap_or_default();
        let note = format!(
            "held back: {address}{line} may not lead here; carrier_nat = \"publish\" in [watch] publishes it all the same"
        );
        let _ = writeln!(text, "{:width$}  {rtype:4}  {}", name.as_str(), paint.tone(Tone::Amiss, &note));
        text
    })
}

/// Every record: what stands, what was or would be written, and why not.
pub fn records(reports: &[Report], mood: Mood, paint: Paint) -> String {
    let records = || reports.iter().flat_map(|report| &report.records);
    let width = records().map(|record| record.name.as_str().len()).max().unwrap_or(0);
    let rows: Vec<(&RecordReport, String)> = records().map(|record| (record, values(record))).collect();
    let value_width = rows.iter().map(|(_, values)| values.chars().count()).max().unwrap_or(0).min(64);
    let mut text = String::new();
    for (record, values) in rows {
        let (tone, note) = note(record, mood);
        let _ = writeln!(
            text,
            "{:width$}  {:4}  {values:value_width$}   {}",
            record.name.as_str(),
            record.rtype,
            paint.tone(tone, &note)
        );
    }
    text
}

fn values(record: &RecordReport) -> String {
    match (&record.before, &record.after) {
        (before, Some(after)) => {
            format!("{} → {}", before.as_ref().map_or_else(|| "nothing".to_owned(), ToString::to_string), after)
        }
        (Some(before), None) => before.to_string(),
        (None, None) => format!("wants {}", record.address),
    }
}

fn note(record: &RecordReport, mood: Mood) -> (Tone, String) {
    let written = || {
        let ttl = record.after.as_ref().map_or(0, |set| set.ttl);
        match (record.verb, mood) {
            (Some(verb), Mood::Would) => format!("would {verb}, TTL {ttl} s"),
            (Some(verb), Mood::Done) => format!("{}, TTL {ttl} s", done(verb)),
            (None, _) => "in step".to_owned(),
        }
    };
    match &record.standing {
        RecordState::InStep => (Tone::Good, written()),
        RecordState::Spreading { waited_ms, behind, .. } => {
            (Tone::Strong, format!("{}, spreading{}", written(), lagging(behind, *waited_ms)))
        }
        RecordState::Adrift { why: None } => (Tone::Strong, written()),
        RecordState::Adrift { why: Some(why) } => (Tone::Amiss, why.clone()),
        RecordState::Blocked { why } => (Tone::Amiss, format!("blocked: {why}")),
    }
}

/// Who is behind, and since when.
fn lagging(behind: &[Behind], waited_ms: u64) -> String {
    if behind.is_empty() {
        return String::new();
    }
    format!(": {} ({})", all(behind), short_span(waited_ms))
}

fn all(behind: &[Behind]) -> String {
    behind.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")
}

/// How the waiting for a write to spread ended.
pub fn verdict(verdict: &Verdict) -> String {
    let Verdict { provider, records, took, serving, end, .. } = verdict;
    let took = short_span(took.as_millis().try_into().unwrap_or(u64::MAX));
    let is_one = *records == 1;
    let records = if is_one { "1 record".to_owned() } else { format!("{records} records") };
    match end {
        End::Served => format!("{provider}: {records} served by {} after {took}", served_by(serving)),
        End::Overdue(behind) => format!(
            "{provider}: after {took} {records} {} not served everywhere: {}; see to these servers, or leave them out of \
             the list in `confirm`",
            if is_one { "is" } else { "are" },
            all(behind)
        ),
        End::Lost(why) => format!(
            "{provider}: it cannot be confirmed that a change is live: {why}; list the zone's servers in `confirm` of the \
             provider, or set it to \"off\""
        ),
    }
}

/// How many servers, and the last of them where there are several.
pub(crate) fn served_by(serving: &[Serving]) -> String {
    match serving {
        [] => "no server".to_owned(),
        [only] => only.server.clone(),
        [.., last] => format!("all {} servers, {} last,", serving.len(), last.server),
    }
}

fn done(verb: Verb) -> &'static str {
    match verb {
        Verb::Create => "created",
        Verb::Replace => "replaced",
        Verb::Swap => "swapped our member",
        Verb::Join => "joined as a member",
        Verb::Retime => "changed the TTL",
    }
}

/// The troubles of the providers, a line each.
pub(crate) fn troubles(reports: &[Report], paint: Paint) -> String {
    let mut text = String::new();
    for report in reports {
        if let Some(trouble) = &report.trouble {
            let told = match trouble {
                Trouble::Held { since, why } => format!(
                    "on hold since {since}: {why}; to try again, reload the service (`systemctl reload fingerpost`), or, where \
                     none runs, `fingerpost sync`"
                ),
                _ => trouble.why().to_owned(),
            };
            let _ = writeln!(text, "{}: {}", report.provider, paint.tone(Tone::Amiss, &told));
        }
    }
    text
}

/// Log lines for the journal: the priority in front (sd-daemon(3)), no time, which the journal has itself.
pub(crate) struct Journal;

impl<S, N> FormatEvent<S, N> for Journal
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(&self, context: &FmtContext<'_, S, N>, mut to: Writer<'_>, event: &Event<'_>) -> std::fmt::Result {
        let priority = match *event.metadata().level() {
            Level::ERROR => 3,
            Level::WARN => 4,
            Level::INFO => 6,
            Level::DEBUG | Level::TRACE => 7,
        };
        let mut text = String::new();
        context.format_fields(Writer::new(&mut text), event)?;
        for line in text.lines() {
            writeln!(to, "<{priority}>{line}")?;
        }
        Ok(())
    }
}
