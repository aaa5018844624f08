//! `fingerpost rehearse`: the whole job on one machine.

use super::{CommandError, Exit, block_on};
use crate::cli::Common;
use crate::rehearsal;

pub(super) fn run(common: &Common, keep: bool) -> Result<Exit, CommandError> {
    block_on(rehearsal::play(common.json, keep))??;
    Ok(Exit::Done)
}
