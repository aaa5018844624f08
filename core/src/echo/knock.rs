//! What becomes of an attempt to reach a TCP port.

use serde::{Deserialize, Serialize};

/// What became of the attempt.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Knock {
    /// Something accepts connections there.
    #[serde(rename = "answered")]
    Answered,
    /// The host, or a firewall for it, says that nothing does.
    #[serde(rename = "turned away")]
    TurnedAway,
    /// No answer, or a router's word that there is no way: a firewall drops it, or nobody is there.
    #[serde(rename = "no answer")]
    NoAnswer,
}
