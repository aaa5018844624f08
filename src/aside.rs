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
