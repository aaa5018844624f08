//! The daemon looks by itself: what is amiss is entered once, and its end once.

use std::fs;
use std::net::{IpAddr, Ipv4Addr};
use std::path::Path;
use std::time::Duration;

use fingerpost::audit::Event;
use fingerpost::audit::chain::Known;
use fingerpost::audit::file::read_all;
use fingerpost::clock;
use fingerpost::config::load::{Sources, load};
use fingerpost::daemon::{self, Notifier, Surroundings, Trigger};
use fingerpost::exposure::{Check, Grade};
use fingerpost::rehearsal::echo::Echo;
use fingerpost::status::Snapshot;
use tokio::sync::{mpsc, watch};

use crate::common::{ZONE, ZoneSetup};
use crate::{NAME, run};

const HOME: IpAddr = IpAddr::V4(Ipv4Addr::new(203, 0, 113, 77));

fn zone(dir: &Path, leak: &str) {
    fs::write(dir.join("zone"), ZoneSetup::new(&format!("weir A {HOME}\n{leak}")).master_file()).unwrap();
}

fn configure(dir: &Path, echoes: &[Echo], service: &str) {
    let mut text = format!(
        "state_dir = \"state\"\n[watch]\nevery = \"1h\"\nsettle = 1\naccept_special = [\"203.0.113.0/24\"]\n\
         [provider.home]\nkind = \"zonefile\"\nzone = \"{ZONE}\"\nfile = \"zone\"\nconfirm = \"off\"\n\
         [[record]]\nname = \"weir.{ZONE}\"\ntypes = [\"A\"]\nprovider = \"home\"\nttl = \"5m\"\n{service}"
    );
    for (at, echo) in echoes.iter().enumerate() {
        text += &format!(
            "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"{}\"\nfamilies = [\"ipv4\"]\n",
            echo.url()
        );
    }
    fs::write(dir.join("fingerpost.toml"), text).unwrap();
}

/// The snapshot in which the leaks are `grade`; none is looked for when that is `None`.
async fn shown(snapshot: &mut watch::Receiver<Snapshot>, grade: Option<Grade>) -> Snapshot {
    let leaks = |shown: &Snapshot| shown.exposure.iter().find(|f| f.check == Check::Leaks).map(|f| f.grade);
    let waiting = snapshot.wait_for(|shown| leaks(shown) == grade && shown.rounds > 0);
    tokio::time::timeout(Duration::from_secs(30), waiting).await.unwrap().unwrap().clone()
}

fn entered(dir: &Path) -> Vec<String> {
    let entries = read_all(&dir.join("state")).unwrap();
    let about = |event| match event {
        Known::Yes(Event::Found { about, text, .. }) if about.to_string().contains("leaks") => {
            Some(format!("found {text}"))
        }
        Known::Yes(Event::Gone { about, .. }) if about.to_string().contains("leaks") => Some(format!("gone {about}")),
        _ => None,
    };
    entries.into_iter().filter_map(|entry| about(entry.event)).collect()
}

#[test]
fn a_leak_is_entered_once_and_its_end_once() {
    let (dir, local) = (tempfile::tempdir().unwrap(), tokio::task::LocalSet::new());
    let at = dir.path().to_owned();
    run(local.run_until(async move {
        let mut echoes = Vec::new();
        for _ in 0..3 {
            echoes.push(Echo::start(HOME).await.unwrap());
        }
        let service = format!(
            "[[exposure.service]]\nname = \"{NAME}\"\nedge_ranges = [\"198.51.100.64/28\"]\norigin = \"127.0.0.1:9\"\n"
        );
        zone(&at, "ftp A 203.0.113.77");
        configure(&at, &echoes, &service);
        let (tell, triggers) = mpsc::channel(8);
        let (show, mut snapshot) = watch::channel(Snapshot::default());
        let file = at.join("fingerpost.toml");
        let load = move || load(&Sources { file: file.clone(), ..Sources::default() });
        let random = fastrand::Rng::with_seed(7);
        let around =
            Surroundings { triggers, notifier: Notifier::Nobody, snapshot: show, clock: clock::system(), random };
        let task = tokio::task::spawn_local(daemon::run(load, around));

        let amiss = shown(&mut snapshot, Some(Grade::Amiss)).await;
        assert!(amiss.sentence().contains("; heronmill.example: leaks amiss"), "{}", amiss.sentence());
        let found = entered(&at);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(
            found[0].starts_with("found heronmill.example: leaks amiss: ftp.heronmill.example A holds 203.0.113.77; ")
        );
        // One more is seen, and no news: it is amiss already.
        zone(&at, "ftp A 203.0.113.77\nnas A 203.0.113.77");
        tell.send(Trigger::Reload).await.unwrap();
        let seen = |shown: &Snapshot| shown.exposure.iter().any(|finding| finding.seen.contains("nas."));
        tokio::time::timeout(Duration::from_secs(30), snapshot.wait_for(seen)).await.unwrap().unwrap();
        assert_eq!(entered(&at), found);
        zone(&at, "ftp A 198.51.100.5");
        tell.send(Trigger::Reload).await.unwrap();
        shown(&mut snapshot, Some(Grade::Good)).await;
        let gone = "gone exposure: leaks, heronmill.example".to_owned();
        assert_eq!(entered(&at), [found[0].clone(), gone.clone()]);
        // Without a service nothing is looked at.
        configure(&at, &echoes, "");
        tell.send(Trigger::Reload).await.unwrap();
        shown(&mut snapshot, None).await;
        assert_eq!(entered(&at), [found[0].clone(), gone]);
        tell.send(Trigger::Stop).await.unwrap();
        task.await.unwrap().unwrap();
    }));
}
