//! The status as metrics: OpenMetrics text, and whether the daemon is ready. Pure.
//!
//! Moments, not ages: an age goes stale where it is stored. A time that is not known has no sample. A state is a set of
//! gauges of which one is 1.

use std::collections::BTreeMap;
use std::fmt::{self, Write as _};
use std::sync::atomic::{AtomicI64, AtomicU64};

use prometheus_client::encoding::text::encode;
use prometheus_client::encoding::{EncodeLabelValue, LabelValueEncoder};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};

use super::Status;
use super::history::word;
use super::model::{Mark, State};
use crate::clock::Timestamp;
use crate::exposure::Grade;
use crate::settings::Via;
use crate::shown;

type Labels = Vec<(&'static str, Text)>;
type Gauges = Family<Labels, Gauge<i64, AtomicI64>>;
type Seconds = Family<Labels, Gauge<f64, AtomicU64>>;
type Counters = Family<Labels, Counter>;

/// The grades of a check, as they stand in the status.
const GRADES: [Grade; 3] = [Grade::Good, Grade::Amiss, Grade::Unknown];

/// Whether a ruling has been reached since the start: what stands is then the daemon's own word.
pub fn is_ready(status: &Status) -> bool {
    status.homes.iter().any(|home| home.last_ruling.is_some())
}

/// OpenMetrics 1.0 text.
pub fn render(status: &Status) -> String {
    let mut registry = Registry::with_prefix("fingerpost");
    about_itself(&mut registry, status);
    about_records(&mut registry, status);
    about_homes(&mut registry, status);
    about_providers(&mut registry, status);
    about_edges(&mut registry, status);
    let mut text = String::new();
    match encode(&mut text, &registry) {
        Ok(()) => text,
        // Writing into a string does not fail.
        Err(_) => "# EOF\n".to_owned(),
    }
}

fn gauges(registry: &mut Registry, name: &str, help: &str) -> Gauges {
    let family = Gauges::default();
    registry.register(name, help, family.clone());
    family
}

fn moments(registry: &mut Registry, name: &str, help: &str) -> Seconds {
    seconds(registry, name, help, Unit::Other("timestamp_seconds".to_owned()))
}

fn seconds(registry: &mut Registry, name: &str, help: &str, unit: Unit) -> Seconds {
    let family = Seconds::default();
    registry.register_with_unit(name, help, unit, family.clone());
    family
}

fn counters(registry: &mut Registry, name: &str, help: &str) -> Counters {
    let family = Counters::default();
    registry.register(name, help, family.clone());
    family
}

/// Counts by outcome, of each of those that `label` names.
fn outcomes(
    registry: &mut Registry,
    name: &str,
    help: &str,
    label: &'static str,
    counts: &BTreeMap<String, BTreeMap<String, u64>>,
) {
    let family = counters(registry, name, help);
    for (about, ends) in counts {
        for (end, count) in ends {
            family.get_or_create(&vec![(label, text(about)), ("outcome", text(end))]).inc_by(*count);
        }
    }
}

fn at(family: &Seconds, labels: Labels, time: Option<Timestamp>) {
    if let Some(time) = time {
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of any date that is shown fit 53 bits")]
        family.get_or_create(&labels).set(time.millis() as f64 / 1000.0);
    }
}

fn set(family: &Gauges, labels: Labels, value: impl TryInto<i64>) {
    family.get_or_create(&labels).set(value.try_into().unwrap_or(i64::MAX));
}

/// The value of a label. The library writes it as it stands; a quotation mark in it would end it.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
struct Text(String);

impl EncodeLabelValue for Text {
    /// OpenMetrics 1.0, section "ABNF": `escaped-string`.
    fn encode(&self, encoder: &mut LabelValueEncoder<'_>) -> fmt::Result {
        for letter in self.0.chars() {
            match letter {
                '\\' => encoder.write_str("\\\\")?,
                '"' => encoder.write_str("\\\"")?,
                '\n' => encoder.write_str("\\n")?,
                other => encoder.write_char(other)?,
            }
        }
        Ok(())
    }
}

fn text(text: impl ToString) -> Text {
    Text(shown::lines(&text.to_string()).into_owned())
}

fn about_itself(registry: &mut Registry, status: &Status) {
    let info = gauges(registry, "build", "The version that runs; always 1");
    set(&info, vec![("version", text(status.version.clone()))], 1);
    let start = moments(registry, "start", "When the daemon was started");
    at(&start, vec![], status.started);
    let rounds = counters(registry, "rounds", "Rounds since the start");
    rounds.get_or_create(&vec![]).inc_by(status.rounds);
    let next = moments(registry, "next_round", "When the next round is due");
    at(&next, vec![], status.next_round);
    let needs = gauges(registry, "needs", "How many things need a person");
    set(&needs, vec![], status.needs.len());
    let refused = gauges(registry, "reload_refused", "1 when the last reload was not taken");
    set(&refused, vec![], i64::from(status.reload_refused.is_some()));
    let entries = gauges(registry, "audit_entries", "Entries that the audit log has had");
    set(&entries, vec![], status.log.entries);
    let flawed = gauges(registry, "audit_flawed", "1 when the chain of the audit log did not hold at the start");
    set(&flawed, vec![], i64::from(status.log.flaw.is_some()));
}

fn about_records(registry: &mut Registry, status: &Status) {
    let family = gauges(registry, "record_state", "1 for the state that a record is in, 0 for the others");
    for record in &status.records {
        for state in State::ALL {
            let labels = vec![
                ("name", text(&record.name)),
                ("type", text(record.rtype)),
                ("provider", text(record.provider.clone())),
                ("state", text(state.word())),
            ];
            set(&family, labels, i64::from(record.state == state));
        }
    }
}

fn about_homes(registry: &mut Registry, status: &Status) {
    let agreed = gauges(registry, "operators_agreed", "Operators for the newest ruling");
    let operators = gauges(registry, "operators", "Operators that are configured");
    let needed = gauges(registry, "operators_needed", "Operators that must agree");
    let ruling = moments(registry, "last_ruling", "When a ruling was last reached");
    let settled = moments(registry, "settled", "Since when the address is acted on");
    let voted = gauges(registry, "operator_vote", "1 for how an operator stood in the newest vote, 0 for the others");
    let via =
        |Via { line, family }: Via| vec![("line", text(line.unwrap_or_default())), ("family", text(family.key()))];
    for home in &status.homes {
        let labels = via(home.via());
        set(&agreed, labels.clone(), home.agreed.len());
        set(&operators, labels.clone(), home.operators);
        set(&needed, labels.clone(), home.needed);
        at(&ruling, labels.clone(), home.last_ruling);
        at(&settled, labels.clone(), home.since);
        let stood = |operator: &String, vote: Mark| {
            for one in [Mark::Agreed, Mark::Dissented, Mark::Silent] {
                let mut labels = labels.clone();
                labels.extend([("operator", text(operator.clone())), ("vote", text(word(one)))]);
                set(&voted, labels, i64::from(one == vote));
            }
        };
        home.agreed.iter().for_each(|operator| stood(operator, Mark::Agreed));
        home.dissent.iter().for_each(|said| stood(&said.operator, Mark::Dissented));
        home.silent.iter().for_each(|said| stood(&said.operator, Mark::Silent));
    }
    let took = seconds(registry, "witness_answer", "The median time of a witness's last answers", Unit::Seconds);
    for witness in &status.witnesses {
        let mut labels = via(witness.via());
        labels.extend([("witness", text(witness.name.clone())), ("operator", text(witness.operator.clone()))]);
        if let Some(took_ms) = witness.took_ms {
            #[expect(clippy::cast_precision_loss, reason = "no answer takes 2^53 ms")]
            took.get_or_create(&labels).set(took_ms as f64 / 1000.0);
        }
    }
    let totals = &status.totals;
    outcomes(registry, "rulings", "Votes since the start, by how they ended", "via", &totals.rulings);
    let help = "Answers of witnesses since the start, by what became of them";
    outcomes(registry, "testimonies", help, "witness", &totals.testimonies);
    let findings = gauges(registry, "findings", "What is amiss with the connection or the witnesses");
    set(&findings, vec![], status.findings.len());
}

fn about_providers(registry: &mut Registry, status: &Status) {
    let read = moments(registry, "provider_last_read", "When the provider was last read");
    let written = moments(registry, "provider_last_write", "When a write to the provider last succeeded");
    let held = gauges(registry, "provider_on_hold", "1 while writes to the provider are suspended");
    let troubled = gauges(registry, "provider_trouble", "1 while something is wrong with the provider");
    let standby = gauges(registry, "provider_standing_by", "1 while another daemon has the lease, and writes");
    let left = gauges(registry, "provider_writes_left", "Writes that the daily limit still leaves");
    for provider in &status.providers {
        let labels = || vec![("provider", text(provider.name.clone()))];
        at(&read, labels(), provider.last_read);
        at(&written, labels(), provider.last_write);
        set(&held, labels(), i64::from(provider.held_since.is_some()));
        set(&troubled, labels(), i64::from(provider.trouble.is_some() && !provider.standing_by));
        set(&standby, labels(), i64::from(provider.standing_by));
        set(&left, labels(), provider.left_today);
    }
    outcomes(registry, "writes", "Writes since the start, by how they ended", "provider", &status.totals.writes);
}

fn about_edges(registry: &mut Registry, status: &Status) {
    let ranges = gauges(registry, "edge_ranges", "Ranges of the edge that are in force");
    let fetched = moments(registry, "edge_last_fetch", "When the lists of the edge were last fetched and believed");
    for edge in &status.edges {
        set(&ranges, vec![("edge", text(edge.name.clone()))], edge.ranges);
        at(&fetched, vec![("edge", text(edge.name.clone()))], edge.last_fetch);
    }
    let checks = gauges(registry, "exposure", "1 for the grade that a check has, 0 for the others");
    for check in &status.exposure {
        for grade in GRADES {
            let labels = vec![
                ("check", text(check.check)),
                ("about", text(check.about.clone())),
                ("grade", text(grade.to_string())),
            ];
            set(&checks, labels, i64::from(check.grade == grade));
        }
    }
    let exposed = moments(registry, "exposure_last_look", "When it was last looked at what the outside can see");
    at(&exposed, vec![], status.exposed);
}

#[cfg(test)]
mod tests;
