//! `fingerpost sync`: one round now, written; then exit. Silent when all is in step.
//!
//! It acts on the word of one round: whoever calls it is there to see.

use super::preview::Document;
use super::{CommandError, Exit, block_on, load, print, print_json, say, verdict};
use crate::cli::Common;
use crate::clock::Clock;
use crate::round::{Home, Means, RoundError};
use crate::update::{RecordState, Report};

pub(super) fn run(common: &Common) -> Result<Exit, CommandError> {
    let means = Means::new(load(common)?.config, Clock::system()).map_err(RoundError::from)?;
    let mut home = Home::open(means)?;
    home.release_all("a manual sync");
    let reports = block_on(async {
        home.look(1, true).await;
        let reports = home.publish(|_| true).await;
        home.release_leases().await;
        reports
    })?;
    let held_back = home.held_back();
    let exit = verdict(home.looks(), &reports, !held_back.is_empty());
    if common.json {
        let written = reports.iter().any(Report::has_written);
        let (looks, findings) = (home.looks(), home.found());
        print_json(&Document { looks, findings, held_back: &held_back, providers: &reports, written })?;
    } else if !(exit == Exit::Done && reports.iter().all(is_quiet)) {
        let paint = say::Paint::stdout();
        let mut text = say::looks(home.looks(), paint);
        text.push_str(&say::findings(home.found(), paint));
        text.push_str(&say::held_back(&held_back, paint));
        text.push_str(&say::records(&reports, say::Mood::Done, paint));
        text.push_str(&say::troubles(&reports, paint));
        print(&text)?;
    }
    Ok(exit)
}

fn is_quiet(report: &Report) -> bool {
    report.records.iter().all(|record| record.standing == RecordState::InStep && record.after.is_none())
}
