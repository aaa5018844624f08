//! The small tables: `[watch]`, `[limits]`, `[retry]`, `[audit]`, `[confirm]`.

use std::time::Duration;

use super::cell::{Cell, not_one_of};
use super::reader::Table;
use super::units::Wrong;
use super::values;
use crate::settings::{Audit, CarrierNat, Confirmation, Limits, Quorum, Retry, Watch};

const MILLISECOND: Duration = Duration::from_millis(1);
const SECOND: Duration = Duration::from_secs(1);
const MINUTE: Duration = Duration::from_secs(60);
pub(super) const HOUR: Duration = Duration::from_secs(3600);
pub(super) const DAY: Duration = Duration::from_secs(86_400);

/// How long one exchange with a witness or a provider may take.
pub(super) fn timeout(cell: &Cell<'_>) -> Option<Duration> {
    cell.duration(100 * MILLISECOND..=MINUTE)
}

/// How long what a provider shows may lag behind what it took.
pub(super) fn visible_within(cell: &Cell<'_>) -> Option<Duration> {
    cell.duration(Duration::ZERO..=HOUR)
}

/// `[watch]` as read, with the quorum kept apart: it is checked against the witnesses later.
pub(super) struct Watching<'d> {
    pub(super) whole: Option<Watch>,
    pub(super) quorum: Option<(Quorum, Cell<'d>)>,
    pub(super) prefix_length: Option<u8>,
}

pub(super) fn watch<'d>(table: &Table<'d>) -> Watching<'d> {
    let every = table.key("every").or("5m").duration(SECOND..=DAY);
    let settle = table.key("settle").or(2).number(1..=100);
    let settle_every = table.key("settle_every").or("10s").duration(100 * MILLISECOND..=HOUR);
    let quorum_cell = table.key("quorum").or("majority");
    let quorum = quorum(&quorum_cell);
    let timeout = timeout(&table.key("timeout").or("5s"));
    let accept_special = table.key("accept_special").or(Vec::<String>::new()).list().map(|ranges| {
        let ranges = ranges.iter().filter_map(|range| range.parse(values::range).inspect(|net| doubt(range, *net)));
        ranges.collect()
    });
    let carrier_nat =
        table.key("carrier_nat").or("hold").one_of(&[("hold", CarrierNat::Hold), ("publish", CarrierNat::Publish)]);
    let push = table.key("push").or(true).flag();
    let return_after = table.key("return_after").or("10m").duration(MILLISECOND..=DAY);
    // A registry gives a provider 32 bits at the least (common practice), so a home's prefix is longer; and an interface
    // identifier has 64 bits (RFC 4291, section 2.5.1).
    let prefix_length = table.key("prefix_length").or(64).number(32..=64);
    let whole = (|| {
        Some(Watch {
            every: every?,
            settle: settle?,
            settle_every: settle_every?,
            quorum: quorum?,
            timeout: timeout?,
            carrier_nat: carrier_nat?,
            push: push?,
            return_after: return_after?,
            accept_special: accept_special?,
            prefix_length: prefix_length?,
        })
    })();
    Watching { whole, quorum: quorum.map(|quorum| (quorum, quorum_cell)), prefix_length }
}

fn doubt(range: &Cell<'_>, net: ipnet::IpNet) {
    if net.prefix_len() == 0 {
        range.note(
            "this accepts every address of the family, private and carrier-NAT ones too",
            "name only the ranges of your laboratory",
        );
    }
}

fn quorum(cell: &Cell<'_>) -> Option<Quorum> {
    if !cell.is_text() {
        return cell.number(1..=1000).map(Quorum::AtLeast);
    }
    cell.parse(|text| match text {
        "majority" => Ok(Quorum::Majority),
        _ => Err(Wrong {
            remedy: "write \"majority\", or a number without quotes".into(),
            ..not_one_of(text, &["majority"])
        }),
    })
}

pub(super) fn limits(table: &Table<'_>) -> Option<Limits> {
    let spacing = table.key("spacing").or("60s").duration(MILLISECOND..=DAY);
    let burst = table.key("burst").or(3).number(1..=1000);
    let daily = table.key("daily").or(100).number(1..=1_000_000);
    Some(Limits { spacing: spacing?, burst: burst?, daily: daily? })
}

pub(super) fn retry(table: &Table<'_>) -> Option<Retry> {
    let initial = table.key("initial").or("5s").duration(100 * MILLISECOND..=HOUR);
    let max_cell = table.key("max").or("15m");
    let max = max_cell.duration(100 * MILLISECOND..=DAY);
    if let (Some(initial), Some(max)) = (initial, max)
        && max < initial
    {
        max_cell.wrong("the longest wait is shorter than the first, `retry.initial`", "raise this or lower the first");
    }
    Some(Retry { initial: initial?, max: max? })
}

pub(super) fn audit(table: &Table<'_>) -> Option<Audit> {
    let max_bytes = table.key("max_bytes").or(1_048_576).integer(4096..=1 << 30);
    let keep = table.key("keep").or(24).number(1..=10_000);
    // Common practice, no source.
    let unknown_after = table.key("unknown_after").or("90d").duration(HOUR..=3650 * DAY);
    Some(Audit { max_bytes: max_bytes?, keep: keep?, unknown_after: unknown_after? })
}

pub(super) fn confirm(table: &Table<'_>) -> Option<Confirmation> {
    let every_cell = table.key("every").or("2s");
    let every = every_cell.duration(100 * MILLISECOND..=MINUTE);
    // Twenty minutes: common practice, no source.
    let deadline = table.key("deadline").or("20m").duration(SECOND..=DAY);
    let resolver_cell = table.key("resolver");
    let resolver = resolver_cell.parse(values::resolver);
    if let (Some(every), Some(deadline)) = (every, deadline)
        && deadline < every
    {
        every_cell.wrong("the pause is longer than `confirm.deadline`", "shorten this or lengthen the deadline");
    }
    Some(Confirmation { every: every?, deadline: deadline?, resolver })
}
