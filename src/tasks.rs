//! What goes on beside each other within one task of the runtime, each under its name. Touches nothing.

use std::future::Future;
use std::pin::Pin;
use std::task::{Context, Poll, ready};

use futures_util::StreamExt as _;
use futures_util::stream::FuturesUnordered;
use tokio::time::Instant;

/// Something that goes on, and brings a `T` when it ends.
type Going<T> = Pin<Box<dyn Future<Output = T>>>;

/// What goes on, by name. It goes on while [`Self::next`] is polled, and is given up when dropped.
pub(crate) struct Tasks<N, T>(FuturesUnordered<Task<N, T>>);

struct Task<N, T> {
    /// `None` once it has ended.
    name: Option<N>,
    begun: Instant,
    going: Going<T>,
}

/// The library keeps no names beside its futures.
impl<N: Unpin, T> Future for Task<N, T> {
    type Output = Option<(N, T)>;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Self::Output> {
        let came = ready!(self.going.as_mut().poll(context));
        Poll::Ready(self.name.take().map(|name| (name, came)))
    }
}

impl<N, T> Default for Tasks<N, T> {
    fn default() -> Self {
        Self(FuturesUnordered::new())
    }
}

impl<N: Eq + Unpin, T> Tasks<N, T> {
    /// From now on `task` goes on as `name`, in the place of what did before.
    pub(crate) fn start(&mut self, name: N, task: impl Future<Output = T> + 'static) {
        // The one before ends first: both may be in the same place.
        self.keep_only(|other| *other != name);
        self.0.push(Task { name: Some(name), begun: Instant::now(), going: Box::pin(task) });
    }

    /// Gives up all but those for whose names `stays` holds.
    pub(crate) fn keep_only(&mut self, stays: impl Fn(&N) -> bool) {
        if self.0.iter().all(|task| task.name.as_ref().is_some_and(&stays)) {
            return;
        }
        let all = std::mem::take(&mut self.0);
        self.0 = all.into_iter().filter(|task| task.name.as_ref().is_some_and(&stays)).collect();
    }

    /// Since when `name` goes on, if it does.
    pub(crate) fn begun(&self, name: &N) -> Option<Instant> {
        self.0.iter().find(|task| task.name.as_ref() == Some(name)).map(|task| task.begun)
    }

    /// The next that ends, and what it brings; `None` when nothing goes on. Safe to drop at any point.
    pub(crate) async fn next(&mut self) -> Option<(N, T)> {
        self.0.next().await.flatten()
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;
    use std::future::{pending, ready};
    use std::rc::Rc;

    use super::*;

    /// Says when it is given up.
    struct Held(Rc<Cell<u32>>);

    impl Drop for Held {
        fn drop(&mut self) {
            self.0.set(self.0.get() + 1);
        }
    }

    #[tokio::test]
    async fn what_ends_is_told_by_its_name_and_is_over() {
        let mut tasks = Tasks::default();
        assert_eq!(tasks.next().await, None);
        tasks.start("look", ready(1));
        assert!(tasks.begun(&"look").is_some());
        assert_eq!(tasks.next().await, Some(("look", 1)));
        assert_eq!((tasks.next().await, tasks.begun(&"look")), (None, None));
    }

    #[tokio::test]
    async fn one_takes_the_place_of_another_of_its_name_which_ends_at_once() {
        let (mut tasks, given_up) = (Tasks::default(), Rc::new(Cell::new(0)));
        let held = |brings: Option<u32>| {
            let held = Held(Rc::clone(&given_up));
            async move {
                let _held = held;
                match brings {
                    Some(what) => what,
                    None => pending().await,
                }
            }
        };
        tasks.start("status", held(None));
        tasks.start("lease", held(None));
        tasks.start("status", held(Some(7)));
        assert_eq!(given_up.get(), 1);
        assert_eq!(tasks.next().await, Some(("status", 7)));
        tasks.keep_only(|name| *name != "lease");
        assert_eq!((given_up.get(), tasks.next().await), (3, None));
    }
}
