//! `fingerpost exposure`: what the outside can see, check by check. Writes nothing.

use std::fmt::Write as _;

use super::{CommandError, Exit, block_on, load, print, print_json};
use crate::cli::Common;
use crate::clock;
use crate::config::load::add;
use crate::exposure::{Finding, Grade, look::recall};
use crate::round::{Actors, RoundError};
use crate::watch::look::agreed;
use crate::{say, update};

pub(super) fn run(common: &Common) -> Result<Exit, CommandError> {
    let config = load(common)?.config;
    if config.exposure.services.is_empty() {
        let way = add("[[exposure.service]]\n  name = \"gauge.heronmill.example\"");
        let text = format!("no [[exposure.service]] is configured: what is to be looked at? {way}");
        return Err(CommandError::Unconfigured(text));
    }
    let state = update::peek(&config).map_err(RoundError::from)?;
    let actors = Actors::new(config, clock::system()).map_err(RoundError::from)?;
    // What was settled on a line or family that is not configured any more is not the home's.
    let mut settled: Vec<_> = actors.vias().iter().filter_map(|via| state.settled.get(via).copied()).collect();
    let found = block_on(async {
        if settled.is_empty() {
            // No daemon has run here yet.
            settled = agreed(&actors.poll().await).into_values().collect();
        }
        // What does not hold in the log was told by `peek`.
        let home = recall(&actors.config.state_dir, settled, actors.config.watch.prefix_length)?;
        Ok::<_, CommandError>(actors.exposing(home).await)
    })??;
    if common.json {
        print_json(&serde_json::json!({ "findings": found }))?;
    } else {
        print(&table(&found, say::Paint::stdout()))?;
    }
    Ok(exit(&found))
}

fn exit(found: &[Finding]) -> Exit {
    let any = |grade| found.iter().any(|finding| finding.grade == grade);
    if any(Grade::Amiss) {
        Exit::Differs
    } else if any(Grade::Unknown) {
        Exit::NoRuling
    } else {
        Exit::Done
    }
}

/// A line a check, under what it is about; what to do stands beneath.
fn table(found: &[Finding], paint: say::Paint) -> String {
    let mut text = String::new();
    let mut about = "";
    for finding in found {
        if finding.about != about {
            about = &finding.about;
            let _ = writeln!(text, "{}", paint.tone(say::Tone::Strong, about));
        }
        let tone = match finding.grade {
            Grade::Good => say::Tone::Good,
            Grade::Amiss => say::Tone::Amiss,
            Grade::Unknown => say::Tone::Faint,
        };
        let (check, grade) = (finding.check, paint.tone(tone, &format!("{:7}", finding.grade)));
        let _ = writeln!(text, "  {check:11}  {grade}  {}", finding.seen);
        if !finding.todo.is_empty() {
            let _ = writeln!(text, "  {:11}  {:7}  {}", "", "", paint.tone(say::Tone::Faint, &finding.todo));
        }
    }
    text
}
