//! Work that may take longer than the loop can wait, on a thread of its own. Touches the runtime, and nothing else.

/// What `work` brings. The loop goes on meanwhile; a panic in it is the caller's.
pub(crate) async fn aside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> T {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(error) => match error.try_into_panic() {
            Ok(panic) => std::panic::resume_unwind(panic),
            // The runtime ends, and nobody waits for this any more.
            Err(_) => std::future::pending().await,
        },
    }
}

/// What `work` brings, which must not come before another thread is free for it: until then all goes on but this.
#[cfg(test)]
pub(crate) fn only_aside<T>(work: impl Future<Output = T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(1).build().unwrap();
    runtime.block_on(async {
        let (free, busy) = std::sync::mpsc::channel::<()>();
        let other = tokio::task::spawn_blocking(move || busy.recv());
        let mut work = std::pin::pin!(work);
        for _ in 0..100 {
            tokio::select! {
                biased;
                _ = &mut work => panic!("it was done on the loop"),
                () = tokio::task::yield_now() => {}
            }
        }
        free.send(()).unwrap();
        other.await.unwrap().unwrap();
        work.await
    })
}
