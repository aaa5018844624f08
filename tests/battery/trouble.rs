//! What every provider does when the host does not let it in, is away, or does not go on.

use std::time::Duration;

use fingerpost::provider::FaultKind;
use fingerpost::record::RecordType::A;
use fingerpost::update::{RecordState, Report};

use crate::common::{ZONE, at, dns, set};
use crate::host::*;
use crate::updater::{Updater, wanted};

/// Refused: nothing is sent again until a person acts. And nothing was written.
pub(crate) async fn a_wrong_key_is_refused<H: Host>() {
    if H::cannot(Feature::Keys) {
        return;
    }
    let host = H::start(LINES);
    let before = host.others(&[]);
    let stranger = host.stranger().unwrap();
    let fault = stranger.apply(&[gauge("203.0.113.77")]).await.unwrap_err();
    // RFC 8945, section 5.3.2: that of an unknown key or a wrong secret cannot be signed, and so proves nothing.
    assert!(matches!(fault.kind, FaultKind::Refused | FaultKind::Unproven), "{fault}");
    assert!(!fault.remedy.is_empty(), "{fault}");
    assert_eq!(host.others(&[]), before);
    // The right key is let in all the same.
    host.provider(LONG).apply(&[gauge("203.0.113.77")]).await.unwrap();
}

/// The others are in step, and the one is blocked, by its name and with the reason. To look again costs nothing.
pub(crate) async fn one_of_several_is_forbidden<H: Host>() {
    if H::cannot(Feature::Forbidding) {
        return;
    }
    let lines: String = SEVERAL.iter().map(|label| format!("\n{label} 77 A 203.0.113.9")).collect();
    let mut host = H::start(&format!("{LINES}{lines}"));
    host.forbid();
    let (before, provider, updater) = (host.others(&[]), host.provider(LONG), Updater::new());
    let desired = SEVERAL.map(|label| wanted(at(label), "203.0.113.77"));
    let check = |report: &Report| {
        assert!(report.trouble.is_none(), "{:?}", report.trouble);
        assert!(updater.books.borrow().state.holds.is_empty());
        for record in &report.records {
            if record.name == at(FORBIDDEN) {
                let RecordState::Blocked { why } = &record.standing else { panic!("{record:?}") };
                let others = SEVERAL.into_iter().filter(|label| *label != FORBIDDEN);
                assert!(why.contains(at(FORBIDDEN).as_str()), "{why}");
                assert!(others.into_iter().all(|other| !why.contains(at(other).as_str())), "{why}");
            } else {
                assert_eq!(record.standing, RecordState::InStep, "{}", record.name);
            }
        }
    };
    check(&updater.pass(&*provider, &dns(ZONE), &desired).await);
    let sent = updater.sent();
    check(&updater.pass(&*provider, &dns(ZONE), &desired).await);
    assert_eq!(updater.sent(), sent);
    for label in SEVERAL {
        let stands = if label == FORBIDDEN { set(77, &["203.0.113.9"]) } else { set(120, &["203.0.113.77"]) };
        assert_eq!(host.rrset(&at(label), A), Some(stands), "{label}");
    }
    assert_eq!(host.others(&[]), before);
}

pub(crate) async fn an_outage_passes<H: Host>() {
    let mut host = H::start(LINES);
    let provider = host.provider(LONG);
    provider.apply(&[gauge("203.0.113.77")]).await.unwrap();
    host.stop();
    // First the write: a read in vain must not be what makes it fail.
    let plan = [change("gauge", A, Some(set(120, &["203.0.113.77"])), set(60, &["203.0.113.78"]))];
    let fault = provider.apply(&plan).await.unwrap_err();
    let in_doubt = fault.kind == FaultKind::InDoubt;
    if !in_doubt {
        is_passing(&fault);
    }
    is_passing(&read(&*provider, &["gauge"]).await.unwrap_err());
    host.start_again();
    if !in_doubt {
        assert_eq!(seen(&*provider, "gauge", A).await.as_ref(), plan[0].before.as_ref(), "it was written all the same");
    }
    settle(&*provider, ("gauge", A), |_| plan[0].after.clone()).await;
    assert_eq!(host.rrset(&at("gauge"), A).as_ref(), Some(&plan[0].after));
}

/// The time limit holds, a write that may have arrived is in doubt, and whatever comes of it is found out by reading.
pub(crate) async fn a_slow_host_is_not_waited_for<H: Host>() {
    let mut host = H::start(LINES);
    let hasty = host.provider(Duration::from_millis(300));
    host.pause(true);
    let fault = hasty.apply(&[gauge("203.0.113.77")]).await.unwrap_err();
    assert!(matches!(fault.kind, FaultKind::Passing { .. } | FaultKind::InDoubt), "{:?}: {fault}", fault.kind);
    is_passing(&read(&*hasty, &["gauge"]).await.unwrap_err());
    host.pause(false);
    let provider = host.provider(LONG);
    let late = seen(&*provider, "gauge", A).await;
    assert!(late == Some(set(120, &["203.0.113.9"])) || late == Some(set(120, &["203.0.113.77"])), "{late:?}");
    settle(&*provider, ("gauge", A), |_| set(120, &["203.0.113.78"])).await;
    assert_eq!(host.rrset(&at("gauge"), A), Some(set(120, &["203.0.113.78"])));
}
