use std::fs;

use super::*;
use crate::config::load::{Sources, load};

const TEXT: &str = "[[witness]]\nname = \"echo\"\noperator = \"ferryman\"\nkind = \"http\"\n\
                    url = \"http://127.0.0.1:1/\"\nfamilies = [\"ipv4\"]\n";

/// What the loop does next when `changed` is all there is to hear.
async fn next(changed: impl FnOnce(&mut Ears)) -> (Result<Act, DaemonError>, Result<Option<()>, DaemonError>) {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("fingerpost.toml");
    fs::write(&file, TEXT).unwrap();
    let config = load(&Sources { file, state_dir: Some(dir.path().to_owned()), ..Sources::default() }).unwrap().config;
    let (_tell, triggers) = mpsc::channel(1);
    let mut ears = Ears::new(triggers, Notifier::Nobody, &config);
    changed(&mut ears);
    let later = Instant::now() + Duration::from_secs(3600);
    let during = ears.during(std::future::pending(), Duration::ZERO).await;
    (ears.next(Due { round: later, publish: None, show: None, expose: None, fetch: None }).await, during)
}

#[tokio::test(flavor = "local")]
async fn whatever_ends_by_itself_is_told_by_its_own_name() {
    // They are polled twice, which a plain future does not bear.
    let ended = || -> Showing { Box::pin(std::future::poll_fn(|_| std::task::Poll::Ready(()))) };
    let told = next(|ears| ears.telling = Some(ended())).await;
    assert!(matches!(told, (Err(DaemonError::Mute), Err(DaemonError::Mute))), "{told:?}");
    let shown = next(|ears| ears.showing = Some((Vec::new(), ended()))).await;
    assert!(matches!(shown, (Err(DaemonError::Blind), Err(DaemonError::Blind))), "{shown:?}");
    // This one drops what has ended.
    let kept = next(|ears| ears.leases = [ended(), ended()].into_iter().collect()).await;
    assert!(matches!(kept, (Err(DaemonError::Unkept), Err(DaemonError::Unkept))), "{kept:?}");
}
