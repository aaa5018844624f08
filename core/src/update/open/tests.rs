use super::*;
use crate::name::DnsName;
use crate::provider::Standing;
use crate::record::{RecordType, RrSet};
use Ending::{Conflict, Done, Failed, Overtaken, Refused};
use Grace::{Arrival, Visibility};
use WriteAnswer::{Said, Taken, Unknown};

const SECOND: Duration = Duration::from_secs(1);
const MINUTE: Duration = Duration::from_secs(60);

fn set(addresses: &[u8]) -> Option<RrSet> {
    let addresses = addresses.iter().map(|host| [203, 0, 113, *host].into()).collect::<BTreeSet<IpAddr>>();
    (!addresses.is_empty()).then_some(RrSet { ttl: 120, addresses })
}

fn change(before: &[u8], after: &[u8]) -> Change {
    let name = DnsName::parse("gauge.heronmill.example").unwrap();
    Change { name, rtype: RecordType::A, before: set(before), after: set(after).unwrap() }
}

fn showing(addresses: &[u8]) -> Observed {
    let sets = set(addresses).map(|set| (RecordType::A, set)).into_iter().collect();
    let names = [(change(&[], &[1]).name, Standing { sets, ..Standing::default() })].into();
    Observed { names, serial: None }
}

#[test]
fn a_write_ends_by_what_is_seen_what_was_answered_and_its_age() {
    let (before, after, other): (&[u8], &[u8], &[u8]) = (&[9], &[77], &[66]);
    for (grace, answer, shown, age, expected) in [
        // What is intended stands, whatever was said, and however long ago.
        (Arrival(MINUTE), Unknown, after, SECOND, Some(Done)),
        (Arrival(MINUTE), Said(Refused), after, SECOND, Some(Done)),
        (Visibility(MINUTE), Unknown, after, SECOND, Some(Done)),
        (Visibility(MINUTE), Said(Refused), after, 9 * MINUTE, Some(Done)),
        // Where the other side compares, only a lost answer leaves anything open.
        (Arrival(MINUTE), Unknown, before, Duration::ZERO, None),
        (Arrival(MINUTE), Unknown, before, MINUTE - Duration::from_millis(1), None),
        (Arrival(MINUTE), Unknown, before, MINUTE, Some(Failed)),
        (Arrival(MINUTE), Taken, before, Duration::ZERO, Some(Failed)),
        (Arrival(MINUTE), Unknown, other, Duration::ZERO, Some(Overtaken)),
        (Arrival(MINUTE), Taken, other, Duration::ZERO, Some(Overtaken)),
        (Arrival(Duration::ZERO), Unknown, before, Duration::ZERO, Some(Failed)),
        // Where nobody does, also a success that is not to be seen is open.
        (Visibility(MINUTE), Unknown, before, SECOND, None),
        (Visibility(MINUTE), Taken, before, SECOND, None),
        (Visibility(MINUTE), Taken, other, SECOND, None),
        (Visibility(MINUTE), Unknown, before, MINUTE, Some(Failed)),
        (Visibility(MINUTE), Taken, before, MINUTE, Some(Failed)),
        (Visibility(MINUTE), Taken, other, MINUTE, Some(Overtaken)),
        (Visibility(Duration::ZERO), Unknown, before, Duration::ZERO, Some(Failed)),
        (Visibility(Duration::ZERO), Taken, other, Duration::ZERO, Some(Overtaken)),
        // A refusal is believed when what is shown cannot be of before any more.
        (Visibility(MINUTE), Said(Refused), before, SECOND, None),
        (Visibility(MINUTE), Said(Refused), before, MINUTE, Some(Refused)),
        (Visibility(Duration::ZERO), Said(Refused), before, Duration::ZERO, Some(Refused)),
        (Visibility(MINUTE), Said(Refused), other, SECOND, None),
        (Visibility(MINUTE), Said(Refused), other, MINUTE, Some(Overtaken)),
        (Visibility(MINUTE), Said(Conflict), before, SECOND, None),
        (Visibility(MINUTE), Said(Conflict), before, MINUTE, Some(Conflict)),
        // Something else may be what stood there earlier still, shown by another machine.
        (Visibility(MINUTE), Said(Conflict), other, SECOND, None),
        (Visibility(MINUTE), Said(Conflict), other, MINUTE, Some(Conflict)),
        (Visibility(Duration::ZERO), Said(Conflict), other, Duration::ZERO, Some(Conflict)),
        // Half of it stands: the first of two requests was done, whatever was said.
        (Visibility(MINUTE), Said(Conflict), &[9, 77], SECOND, None),
        (Visibility(MINUTE), Said(Conflict), &[9, 77], MINUTE, Some(Overtaken)),
        // Ours stands, and beside it what somebody else put there: all or nothing where the other side compares.
        (Visibility(MINUTE), Said(Conflict), &[66, 77], SECOND, Some(Overtaken)),
        (Visibility(MINUTE), Said(Conflict), &[9, 66, 77], SECOND, None),
        (Visibility(MINUTE), Said(Conflict), &[9, 66, 77], MINUTE, Some(Conflict)),
        (Arrival(MINUTE), Said(Conflict), &[66, 77], SECOND, Some(Conflict)),
        (Arrival(MINUTE), Said(Conflict), other, SECOND, Some(Conflict)),
        (Arrival(MINUTE), Said(Conflict), before, SECOND, Some(Conflict)),
        (Arrival(MINUTE), Said(Conflict), &[9, 77], SECOND, Some(Conflict)),
        (Arrival(MINUTE), Said(Refused), other, SECOND, Some(Refused)),
    ] {
        let open = [Open { intent: 7, changes: vec![change(before, after)], answer, age }];
        let ended = endings(&open, &showing(shown), grace);
        let found = ended.first().map(|ended| ended.ending);
        assert_eq!(found, expected, "{grace:?} {answer:?} {shown:?} {age:?}");
    }
}

#[test]
fn nothing_is_concluded_of_names_that_were_not_read() {
    let mut changes = vec![change(&[9], &[77]), change(&[9], &[77])];
    changes[1].name = DnsName::parse("mill.heronmill.example").unwrap();
    let open = [Open { intent: 7, changes, answer: Unknown, age: 9 * MINUTE }];
    assert_eq!(endings(&open, &showing(&[77]), Visibility(MINUTE)), []);
}

/// By its prerequisites an update is taken only where things are as it expects them (RFC 2136, section 3.2): of several that
/// expected the same, one was.
#[test]
fn of_several_writes_that_began_alike_one_was_made() {
    let open = |intent, after, answer| Open { intent, changes: vec![change(&[9], &[after])], answer, age: SECOND };
    let plain = |ended: Vec<Ended>| ended.into_iter().map(|one| (one.intent, one.ending)).collect::<Vec<_>>();
    for (writes, shown, expected) in [
        (vec![open(1, 77, Unknown), open(2, 77, Taken)], 77, vec![(1, Failed), (2, Done)]),
        (vec![open(1, 77, Unknown), open(2, 77, Unknown)], 77, vec![(1, Failed), (2, Done)]),
        (vec![open(1, 78, Unknown), open(2, 77, Taken)], 77, vec![(1, Failed), (2, Done)]),
        // It was taken, and somebody else wrote since.
        (vec![open(1, 77, Unknown), open(2, 77, Taken)], 66, vec![(1, Failed), (2, Overtaken)]),
        (vec![open(1, 77, Unknown), open(2, 78, Unknown)], 9, vec![]),
        (vec![open(1, 77, Unknown), open(2, 78, Said(Conflict))], 77, vec![(1, Done), (2, Conflict)]),
        // The earlier arrived late, and before the later.
        (vec![open(1, 77, Unknown), open(2, 78, Unknown)], 77, vec![(1, Done), (2, Failed)]),
        // It says that it took what it ignores: the other may still come.
        (vec![open(1, 77, Unknown), open(2, 78, Taken)], 9, vec![(2, Failed)]),
    ] {
        assert_eq!(plain(endings(&writes, &showing(&[shown]), Arrival(MINUTE))), expected, "{writes:?} {shown}");
    }
    // A change of the TTL leaves the addresses, by which is compared: another may have been made before it, and after.
    let mut retimed = open(1, 9, Unknown);
    retimed.changes[0].after.ttl = 60;
    let writes = [retimed, open(2, 77, Taken)];
    assert_eq!(plain(endings(&writes, &showing(&[77]), Arrival(MINUTE))), [(1, Overtaken), (2, Done)]);
    // Where nobody compares, all of them may have been.
    let writes = [open(1, 77, Unknown), open(2, 77, Taken)];
    assert_eq!(plain(endings(&writes, &showing(&[77]), Visibility(MINUTE))), [(1, Done), (2, Done)]);
}

/// What a write of several has beside another tells which of them it was.
#[test]
fn of_two_writes_that_began_alike_the_one_was_made_that_has_all_that_stands() {
    let mill = |after| Change { name: DnsName::parse("mill.heronmill.example").unwrap(), ..change(&[9], &[after]) };
    let open = |intent, changes: &[Change]| Open { intent, changes: changes.to_vec(), answer: Unknown, age: SECOND };
    let stand = |gauge: u8, at_mill: u8| {
        let mut observed = showing(&[gauge]);
        observed.names.insert(mill(1).name, showing(&[at_mill]).names.into_values().next().unwrap());
        observed
    };
    let (both, one) = ([change(&[9], &[77]), mill(77)], [change(&[9], &[77])]);
    let plain = |ended: Vec<Ended>| ended.into_iter().map(|one| (one.intent, one.ending)).collect::<Vec<_>>();
    for (writes, (gauge, at_mill), expected) in [
        ([open(1, &both), open(2, &one)], (77, 77), vec![(1, Done), (2, Failed)]),
        ([open(1, &both), open(2, &one)], (77, 9), vec![(1, Failed), (2, Done)]),
        ([open(1, &one), open(2, &both)], (77, 77), vec![(1, Failed), (2, Done)]),
        ([open(1, &one), open(2, &both)], (77, 9), vec![(1, Done), (2, Failed)]),
        ([open(1, &one), open(2, &[mill(77)])], (77, 77), vec![(1, Done), (2, Done)]),
        ([open(1, &both), open(2, &one)], (9, 9), vec![]),
    ] {
        assert_eq!(plain(endings(&writes, &stand(gauge, at_mill), Arrival(MINUTE))), expected, "{writes:?}");
    }
}

#[test]
fn what_could_stand_there_twice_waits() {
    for (sent, read, wanted, is_taken, waits) in [
        // A record that is made.
        ((&[][..], &[77][..]), &[][..], &[77][..], false, true),
        ((&[], &[77]), &[], &[77], true, true),
        // Something else is wanted meanwhile: both would stand there.
        ((&[], &[77]), &[], &[78], false, true),
        // Somebody else's record is there meanwhile: ours may still come.
        ((&[], &[77]), &[66], &[77], false, true),
        // It is seen, and something else is wanted.
        ((&[], &[77]), &[77], &[78], false, false),
        // A member that joins.
        ((&[66], &[66, 77]), &[66], &[66, 77], false, true),
        ((&[66], &[66, 77]), &[66, 77], &[66, 78], false, false),
        // One takes the place of another: again is no harm, but for nothing once it was taken.
        ((&[9], &[77]), &[9], &[77], false, false),
        ((&[9], &[77]), &[9], &[77], true, true),
        ((&[9], &[77]), &[9], &[78], true, false),
        ((&[9], &[77]), &[66], &[77], true, false),
        // The record is gone: made anew while the other may still come, both may stand there.
        ((&[9], &[77]), &[], &[77], false, true),
        // Half of it is done.
        ((&[8, 9], &[77]), &[9, 77], &[77], true, false),
    ] {
        let (sent, wanted) = (change(sent.0, sent.1), change(read, wanted));
        assert_eq!(has_to_wait(&wanted, &sent, is_taken), waits, "{sent:?} {wanted:?} {is_taken}");
        let elsewhere = Change { rtype: RecordType::Aaaa, ..wanted };
        assert!(!has_to_wait(&elsewhere, &sent, is_taken));
    }
}
