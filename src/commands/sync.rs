//! `fingerpost sync`: look now, and write; then exit. Silent when all is in step.
//!
//! A new address settles as it does for the daemon, by winning `watch.settle` rounds in a row, only that these follow each
//! other quickly: whoever calls it waits for it. With `--one-round` it acts on the word of one. Where a provider shows late
//! what it took, it looks until that is to be seen. With `--wait` it then asks the servers of the zones until all serve what
//! was written; without, that is left to the daemon.

use std::collections::BTreeMap;
use std::time::Duration;

use super::preview::Document;
use super::{CommandError, Exit, block_on, load, print, print_json, verdict};
use crate::cli::Common;
use crate::clock::{self, Clock};
use crate::confirm::{Confirming, End, Verdict};
use crate::daemon::DaemonError;
use crate::round::{Actors, Home, RoundError};
use crate::say;
use crate::settings::Via;
use crate::update::retry::{Retry, SIGHT, doubling};
use crate::update::{RecordState, Report};
use crate::watch::settle::Heard;

/// The longest time between two rounds that settle an address here: long enough for an answer that one moment got wrong to
/// be another one in the next, and short for somebody who waits.
const QUICK: Duration = Duration::from_secs(1);

pub(super) fn run(common: &Common, wait: bool, one_round: bool) -> Result<Exit, CommandError> {
    let clock = clock::system();
    let actors = Actors::new(load(common)?.config, clock.clone()).map_err(RoundError::from)?;
    let mut home = Home::open(actors)?;
    home.release_all("a manual sync");
    let (mut reports, verdicts, confirming, unsettled) = block_on(async {
        let unsettled = settle(&mut home, one_round).await;
        let reports = publish(&mut home, &clock, &mut fastrand::Rng::new()).await;
        home.release_leases().await;
        let mut confirming = Confirming::new(&home.actors.config);
        confirming.follow(&home.state().spreading, clock.now());
        let (mut verdicts, mut told) = (Vec::new(), String::new());
        while wait && !confirming.is_idle() {
            let news = confirming.next().await?;
            home.follow_clock();
            for verdict in news {
                verdicts.push(verdict.clone());
                home.confirmed(verdict);
            }
            let waits: Vec<String> = confirming.behind().iter().map(ToString::to_string).collect();
            let waits = waits.join(", ");
            if !waits.is_empty() && waits != told {
                tracing::info!("waiting: {waits}");
                told = waits;
            }
        }
        Ok::<_, DaemonError>((reports, verdicts, confirming, unsettled))
    })??;
    for report in &mut reports {
        confirming.mark(report, &home.state().spreading);
    }
    let held_back = home.held_back();
    let exit = match verdict(home.household().looks(), &reports, !held_back.is_empty()) {
        Exit::Done if verdicts.iter().any(|verdict| verdict.end != End::Served) || !unsettled.is_empty() => {
            Exit::PutOff
        }
        exit => exit,
    };
    if common.json {
        let written = reports.iter().any(Report::has_written);
        let (looks, findings) = (home.household().looks(), home.household().found());
        let document = Document { looks, findings, held_back: &held_back, providers: &reports, written };
        print_json(&Waited { document, confirmed: &verdicts })?;
    } else if !(exit == Exit::Done && verdicts.is_empty() && reports.iter().all(is_quiet)) {
        let paint = say::Paint::stdout();
        let mut text = say::looks(home.household().looks(), paint);
        text.push_str(&say::ways_out(home.household().looks()));
        for via in &unsettled {
            text.push_str(&format!("{via}  is not settled: the rounds differ; the names stay as they are\n"));
        }
        text.push_str(&say::findings(home.household().found(), paint));
        text.push_str(&say::held_back(&held_back, paint));
        text.push_str(&say::records(&reports, say::Mood::Done, paint));
        text.push_str(&say::troubles(&reports, paint));
        for verdict in &verdicts {
            text.push_str(&format!("{}\n", say::verdict(verdict)));
        }
        if reports.iter().flat_map(|report| &report.records).any(is_spreading) {
            text.push_str("Written; `fingerpost sync --wait` waits until every server of the zone serves it.\n");
        }
        print(&text)?;
    }
    Ok(exit)
}

/// Looks until every address is settled, or shows that it does not in as many rounds as it takes. What is not settled then
/// is returned.
async fn settle(home: &mut Home, one_round: bool) -> Vec<Via> {
    let watch = &home.actors.config.watch;
    let (rounds, pause) = if one_round { (1, Duration::ZERO) } else { (watch.settle, watch.settle_every.min(QUICK)) };
    let mut round = 0;
    loop {
        home.follow_clock();
        let heard = home.look(rounds, true).await;
        round += 1;
        let in_sight = |(via, heard): (Via, Heard)| matches!(heard, Heard::InSight { .. }).then_some(via);
        let unsettled: Vec<Via> = heard.into_iter().filter_map(in_sight).collect();
        // Of two lines, one round without a ruling is no reason to leave the one that a record prefers.
        if round >= rounds || unsettled.is_empty() && !home.household().is_line_open() {
            return unsettled;
        }
        tokio::time::sleep(pause).await;
    }
}

/// Writes, and looks until what was sent is to be seen, or its time is over. Nothing is sent a second time.
async fn publish(home: &mut Home, clock: &Clock, random: &mut fastrand::Rng) -> Vec<Report> {
    let mut reports = home.publish_all().await;
    let mut sight = Retry::new(doubling, SIGHT);
    for look in 0_u32.. {
        let (now, wait) = (clock.now(), sight.next(0.5 + random.f64() / 2.0, None));
        let waits = reports.iter().filter_map(|report| Some((report.provider.clone(), report.next_look(now, wait)?)));
        let waits: BTreeMap<String, Duration> = waits.collect();
        let Some(soonest) = waits.values().min() else { break };
        if look == 0 {
            let names: Vec<&str> = waits.keys().map(String::as_str).collect();
            tracing::info!("waiting until what was sent is to be seen at {}", names.join(", "));
        }
        tokio::time::sleep(*soonest).await;
        home.follow_clock();
        let looked = home.look_back(|provider| waits.contains_key(provider)).await;
        let mut looked: BTreeMap<_, _> = looked.into_iter().map(|look| (look.provider.clone(), look)).collect();
        let renewed = reports.into_iter().map(|report| match looked.remove(&report.provider) {
            _ if !waits.contains_key(&report.provider) => report,
            Some(look) => report.seen_by(look),
            None => Report { looked_for_until: None, ..report },
        });
        reports = renewed.collect();
    }
    reports
}

/// What one round did, and what came of asking the servers.
#[derive(serde::Serialize)]
struct Waited<'a> {
    #[serde(flatten)]
    document: Document<'a>,
    confirmed: &'a [Verdict],
}

fn is_quiet(report: &Report) -> bool {
    report.records.iter().all(|record| record.standing == RecordState::InStep && record.after.is_none())
}

fn is_spreading(record: &crate::update::RecordReport) -> bool {
    matches!(record.standing, RecordState::Spreading { .. })
}
