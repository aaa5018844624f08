//! `fingerpost preview`: one round now, nothing written anywhere.

use serde::Serialize;

use super::{CommandError, Exit, block_on, load, print, print_json, verdict};
use crate::cli::Common;
use crate::clock;
use crate::household;
use crate::round::{Actors, RoundError};
use crate::update::Report;
use crate::watch::look::{Found, HeldBack, Look};
use crate::{say, update};

/// What one round saw, and did or would do.
#[derive(Debug, Serialize)]
pub(super) struct Document<'a> {
    pub(super) looks: &'a [Look],
    pub(super) findings: &'a [Found],
    pub(super) held_back: &'a [HeldBack],
    pub(super) providers: &'a [Report],
    pub(super) written: bool,
}

pub(super) fn run(common: &Common, exit_code: bool) -> Result<Exit, CommandError> {
    let config = load(common)?.config;
    let state = update::peek(&config).map_err(RoundError::from)?;
    let actors = Actors::new(config, clock::system()).map_err(RoundError::from)?;
    let (looks, found, reports) = block_on(async {
        let looks = actors.poll().await;
        let found = household::diagnose(&actors.config, &looks, &mut household::histories(&state), actors.now());
        let reports = actors.dry_run(&looks, &found, &state).await;
        (looks, found, reports)
    })?;
    let held_back = household::held_back(&actors.config, &looks, &found);
    let changes = reports.iter().any(|report| report.records.iter().any(|record| record.after.is_some()));
    if common.json {
        let (looks, findings, held_back) = (&looks, &found, &held_back);
        print_json(&Document { looks, findings, held_back, providers: &reports, written: false })?;
    } else {
        let paint = say::Paint::stdout();
        let mut text = say::looks(&looks, paint);
        text.push_str(&say::ways_out(&looks));
        text.push_str(&say::findings(&found, paint));
        text.push_str(&say::held_back(&held_back, paint));
        text.push_str(&say::records(&reports, say::Mood::Would, paint));
        text.push_str(&say::troubles(&reports, paint));
        let means: Vec<&str> = reports.iter().filter_map(|report| report.means.as_deref()).collect();
        text.push_str("Nothing was written.");
        if !means.is_empty() {
            text.push_str(&format!(" `fingerpost sync` would send {}.", means.join(", ")));
        }
        text.push('\n');
        print(&text)?;
    }
    match verdict(&looks, &reports, !held_back.is_empty()) {
        Exit::Done if exit_code && changes => Ok(Exit::Differs),
        exit => Ok(exit),
    }
}
