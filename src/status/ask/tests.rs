use tokio::sync::{mpsc, watch};
use tokio::task::spawn_blocking;
use tokio::time::timeout;

use super::*;
use crate::status::Snapshot;
use crate::status::request::Door;
use crate::status::serve::serve;

const LONG: Duration = Duration::from_secs(20);

#[tokio::test]
async fn who_follows_is_told_on_after_a_stream_has_ended_until_the_daemon_does() {
    let dir = tempfile::tempdir().unwrap();
    let (show, snapshot) = watch::channel(Snapshot::default());
    // Each stream ends with the first thing that happens.
    let doors = vec![Door::control(dir.path().join(SOCKET))];
    let daemon = tokio::spawn(serve(doors, snapshot, Duration::ZERO));
    let (heard, mut hears) = mpsc::unbounded_channel();
    let at = dir.path().to_owned();
    let following = spawn_blocking(move || {
        while matches!(status(&at), Err(AskError::Nobody { .. })) {
            std::thread::yield_now();
        }
        follow(&at, || {
            heard.send(status(&at)?.rounds).unwrap();
            Ok(true)
        })
    });
    for rounds in 0..4 {
        show.send_modify(|seen| seen.rounds = rounds);
        assert_eq!(timeout(LONG, hears.recv()).await, Ok(Some(rounds)));
    }
    daemon.abort();
    timeout(LONG, following).await.unwrap().unwrap().unwrap();
    assert_eq!(hears.recv().await, None, "nothing is told twice");
    assert!(matches!(follow(dir.path(), || Ok(true)), Err(AskError::Nobody { .. })));
}
