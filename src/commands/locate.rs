//! `fingerpost locate`: the witnesses and the vote. Writes nothing.

use super::{CommandError, Exit, block_on, load_to_look, print, print_json, verdict};
use crate::cli::Common;
use crate::clock;
use crate::household::{self, Histories};
use crate::round::{Actors, RoundError};
use crate::say;

pub(super) fn run(common: &Common) -> Result<Exit, CommandError> {
    let actors = Actors::new(load_to_look(common)?.config, clock::system()).map_err(RoundError::from)?;
    let looks = block_on(actors.poll())?;
    let found = household::diagnose(&actors.config, &looks, &mut Histories::new(), actors.now());
    let exit = verdict(&looks, &[], false);
    if common.json {
        print_json(&serde_json::json!({ "looks": looks, "findings": found }))?;
        return Ok(exit);
    }
    let paint = say::Paint::stdout();
    let mut text = say::looks(&looks, paint);
    text.push_str(&say::ways_out(&looks));
    text.push_str(&say::findings(&found, paint));
    for testimony in looks.iter().flat_map(|look| &look.testimony) {
        let remarked = |why: &String| {
            let of = looks.iter().filter(|look| look.via() == testimony.via());
            of.flat_map(|look| &look.ruling.silent).any(|silent| *silent == (testimony.operator.clone(), why.clone()))
        };
        let said = match &testimony.said {
            Ok(address) => address.to_string(),
            // Beneath the ruling it says why.
            Err(silence) => {
                Some(silence.to_string()).filter(|why| !remarked(why)).unwrap_or_else(|| "no answer".into())
            }
        };
        let took = testimony.took.as_millis();
        let (witness, operator, via) = (&testimony.witness, &testimony.operator, testimony.via());
        text.push_str(&format!("{via}  {witness} ({operator}), {took} ms: {said}\n"));
    }
    print(&text)?;
    Ok(exit)
}
