//! The values that a pass over a provider and whoever carries it out hand each other.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::Duration;

use crate::audit::{Event, OpenIntent, Word};
use crate::clock::Timestamp;
use crate::limits::{Charge, Ledger};
use crate::name::DnsName;
use crate::provider::{Change, Fault, Grace, Observed, Tally};
use crate::reconcile::Desired;
use crate::settings::{Limits, Via};
use crate::state::{Published, State};
use crate::update::afoot::{Afoot, UnderWay};
use crate::update::open::{Ended, Open};
use crate::update::{Report, Trouble};

/// On whose word an address is published, by line and family.
pub type Words = BTreeMap<Via, Word>;

/// A provider, as far as a pass has to know it, and what is wanted of it.
#[derive(Clone, Debug)]
pub struct Subject<'a> {
    /// The provider's name.
    pub name: &'a str,
    /// Its zone.
    pub zone: &'a DnsName,
    /// The fingerprint of its configuration.
    pub fingerprint: &'a str,
    /// Where it writes, for people.
    pub target: String,
    /// How its writes count.
    pub tally: Tally,
    /// How long the end of a write may stay open.
    pub grace: Grace,
    /// Whether it can be asked if anything at all may be written.
    pub permits: bool,
    /// Whether the servers of the zone are asked afterwards.
    pub confirms: bool,
    /// How often may be written.
    pub limits: &'a Limits,
    /// What is wanted of it.
    pub desired: &'a [Desired],
}

impl Subject<'_> {
    /// The names at which something is wanted.
    pub fn names(&self) -> BTreeSet<DnsName> {
        self.desired.iter().map(|wanted| wanted.name.clone()).collect()
    }
}

/// The books as they are now, and the time.
#[derive(Debug)]
pub struct OpenBooks<'a> {
    /// What survives a restart.
    pub state: &'a mut State,
    /// The intents without an outcome, by number.
    pub open: &'a BTreeMap<u64, OpenIntent>,
    /// What is known of them besides.
    pub afoot: &'a mut Afoot,
    /// By the clock that people read.
    pub now: Timestamp,
    /// By the steady one, from a moment that stays the same.
    pub steady: Duration,
}

/// What is to be done next.
#[derive(Debug)]
pub enum Ask {
    /// Read what stands at these names; go on with [`super::Pass::read`].
    Read {
        /// Where.
        names: BTreeSet<DnsName>,
        /// All as of one moment, where that can be had.
        together: bool,
        /// Where to go on.
        next: Purpose,
    },
    /// Wait for the turn to write, where there are two; go on with [`super::Pass::turn`].
    Turn(Batch),
    /// Make this intent durable, and with it what the state has of it; go on with [`super::Pass::announced`].
    Announce {
        /// The intent.
        event: Event,
        /// Where to go on.
        next: Announcing,
    },
    /// Write [`Flight::changes`]; go on with [`super::Pass::applied`].
    Apply(Flight),
    /// Ask whether anything at all may be written; go on with [`super::Pass::permitted`].
    Permit(OpenRefusal),
    /// Make this entry of the log durable; go on with [`super::Pass::entered`].
    Enter {
        /// The entry.
        event: Event,
        /// Where to go on.
        next: Entering,
    },
    /// Make the state durable, unless another write is under way; go on with [`super::Pass::saved`].
    Save(Saving),
    /// Nothing: the pass is over.
    End(Finished),
}

/// How a pass ended.
#[derive(Debug)]
pub struct Finished {
    /// What became of the provider and its records.
    pub report: Report,
    /// How many changes a message had at most, or how many were sent each by itself; `None` where nothing was.
    pub sent: Option<usize>,
    /// What is to be kept of a hold.
    pub hold: Option<HoldNews>,
}

/// What is new about a hold: entered already in the state, and to be made durable.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HoldNews {
    /// It begins, with this entry of the log; or goes on, with none.
    Holds(Option<Event>),
    /// It is over, for this reason.
    Over(String),
}

/// What a reading is for.
#[derive(Debug)]
pub enum Purpose {
    /// To plan from.
    Plan,
    /// To see how a write ended.
    Back(Flight),
}

/// Changes that are to be sent.
#[derive(Debug)]
pub struct Batch(pub(super) Vec<Change>);

/// Changes whose intent is on its way into the log.
#[derive(Debug)]
pub struct Announcing {
    pub(super) batch: Vec<Change>,
    pub(super) charge: Charge,
    /// What the books had before: where nothing can be announced, nothing has changed.
    pub(super) before: (Ledger, Published),
}

/// A write that is under way.
#[derive(Debug)]
pub struct Flight {
    pub(super) batch: Vec<Change>,
    pub(super) intent: u64,
    pub(super) charge: Option<Charge>,
    /// What was answered, where it was no success.
    pub(super) fault: Option<Fault>,
    pub(super) _under_way: UnderWay,
}

impl Flight {
    /// What is to be written, together.
    pub fn changes(&self) -> &[Change] {
        &self.batch
    }
}

/// A refusal of which it is not known yet whom it concerns.
#[derive(Debug)]
pub struct OpenRefusal {
    pub(super) batch: Vec<Change>,
    pub(super) charge: Option<Charge>,
    pub(super) fault: Fault,
}

/// An outcome that is on its way into the log.
#[derive(Debug)]
pub enum Entering {
    /// The answer proves it.
    Proven(Proven),
    /// Reading shows it.
    Found(Closing),
}

/// A write that was not made, as its answer proves.
#[derive(Debug)]
pub struct Proven {
    pub(super) flight: Flight,
    pub(super) fault: Fault,
}

/// The writes whose end a reading shows, one by one.
#[derive(Debug)]
pub struct Closing {
    pub(super) observed: Observed,
    pub(super) open: Vec<Open>,
    pub(super) ended: VecDeque<Ended>,
    /// The one whose outcome is on its way into the log, and whether it stands there.
    pub(super) under: Option<(Open, bool)>,
    pub(super) purpose: Purpose,
}

/// The end of an attempt that is being kept.
#[derive(Debug)]
pub struct Saving(pub(super) Option<Early>);

/// Why an attempt ends before all was sent.
#[derive(Debug)]
pub(super) enum Early {
    /// Something else is wanted by now.
    Dropped,
    /// The pass ends here.
    Stopped(Trouble),
    /// Nothing was written: the write did not arrive.
    Again(Fault),
}
