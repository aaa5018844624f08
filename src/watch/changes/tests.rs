use std::time::Duration;

use tokio::time::Instant;

use super::{Changes, PER_WINDOW, Ration, WINDOW};

#[tokio::test]
async fn it_listens_without_any_privilege() {
    Changes::listen().await.unwrap();
}

/// News each millisecond for ten seconds are read at once as far as the ration goes, then by the window.
#[test]
fn a_flood_is_read_by_the_window() {
    let start = Instant::now();
    let mut ration = Ration::new(start);
    let mut reads = Vec::new();
    for ms in 0..10_000 {
        let now = start + Duration::from_millis(ms);
        if ration.spent(now).is_none() {
            ration.take(now);
            reads.push(ms);
        }
    }
    assert_eq!(reads[..10], [0, 1, 2, 3, 4, 5, 6, 7, 250, 251]);
    assert_eq!(reads.len() as u128, u128::from(PER_WINDOW) * 10_000 / WINDOW.as_millis());
}
