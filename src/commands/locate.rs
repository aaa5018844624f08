//! `fingerpost locate`: the witnesses and the vote. Writes nothing.

use super::{CommandError, Exit, block_on, load_to_look, print, print_json, say, verdict};
use crate::cli::Common;
use crate::clock::Clock;
use crate::round::{Means, RoundError};

pub(super) fn run(common: &Common) -> Result<Exit, CommandError> {
    let means = Means::new(load_to_look(common)?.config, Clock::system()).map_err(RoundError::from)?;
    let looks = block_on(means.look())?;
    if common.json {
        print_json(&looks)?;
        return Ok(verdict(&looks, &[]));
    }
    let mut text = say::looks(&looks, say::Paint::stdout());
    for testimony in looks.iter().flat_map(|look| &look.testimony) {
        let said = match &testimony.said {
            Ok(address) => address.to_string(),
            Err(silence) => silence.to_string(),
        };
        let took = testimony.took.as_millis();
        let (witness, operator, family) = (&testimony.witness, &testimony.operator, testimony.family);
        text.push_str(&format!("{family}  {witness} ({operator}), {took} ms: {said}\n"));
    }
    print(&text)?;
    Ok(verdict(&looks, &[]))
}
