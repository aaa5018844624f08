//! The providers that are being worked on, beside each other: none waits for another, and nothing else waits for them.
//!
//! One that is worked on learns what is wanted of it by now: a write that nobody wants any more is not sent.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::pin::Pin;
use std::rc::Rc;

use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;

use super::Means;
use crate::audit::Word;
use crate::reconcile::Desired;
use crate::settings::Via;
use crate::update::{self, Books, Report, Trouble};

/// Providers that are worked on at the same time. One that is silent costs hardly more than its socket, and a process may
/// have 1024 open (`RLIMIT_NOFILE`, the soft limit of systemd and Linux).
const AT_ONCE: usize = 256;

/// Of those, at one target: servers take so many connections at a time (BIND 150, its `tcp-clients`), and memory goes with
/// how much is answered at a time.
const AT_ONE_TARGET: usize = 8;

/// The providers that are being worked on.
#[derive(Default)]
pub struct Work {
    running: FuturesUnordered<Running>,
    waiting: VecDeque<Running>,
    wishes: BTreeMap<String, Rc<RefCell<Wish>>>,
    /// To be worked on once more.
    again: BTreeSet<String>,
    /// These answered when they were last asked: they go first.
    answering: BTreeSet<String>,
}

/// What came of working on one provider.
#[derive(Clone, Debug)]
pub struct Done {
    /// The provider.
    pub provider: String,
    /// What it came to; `None` where nothing was wanted any more.
    pub report: Option<Report>,
    /// Whether there was reason meanwhile to work on it once more.
    pub again: bool,
}

/// What is wanted of a provider that is worked on.
struct Wish {
    desired: Rc<Vec<Desired>>,
    words: Rc<BTreeMap<Via, Word>>,
    /// Nothing more is sent.
    is_over: bool,
}

struct Running {
    provider: String,
    target: String,
    pass: Pin<Box<dyn Future<Output = Option<Report>>>>,
}

impl Future for Running {
    type Output = (String, Option<Report>);

    fn poll(mut self: Pin<&mut Self>, cx: &mut std::task::Context<'_>) -> std::task::Poll<Self::Output> {
        let report = std::task::ready!(self.pass.as_mut().poll(cx));
        std::task::Poll::Ready((std::mem::take(&mut self.provider), report))
    }
}

impl Work {
    /// Whether nothing is being worked on.
    pub fn is_idle(&self) -> bool {
        self.wishes.is_empty()
    }

    /// Whether `provider` is being worked on.
    pub fn is_busy(&self, provider: &str) -> bool {
        self.wishes.contains_key(provider)
    }

    /// What is wanted by now of each provider that is being worked on.
    pub fn wanted(&self) -> impl Iterator<Item = (&str, Rc<Vec<Desired>>)> {
        self.wishes.iter().map(|(provider, wish)| (provider.as_str(), Rc::clone(&wish.borrow().desired)))
    }

    pub(super) fn begin(
        &mut self,
        provider: &str,
        means: &Rc<Means>,
        books: &Rc<RefCell<Books>>,
        desired: Vec<Desired>,
        words: &Rc<BTreeMap<Via, Word>>,
    ) {
        let wish = Wish { desired: Rc::new(desired), words: Rc::clone(words), is_over: false };
        let wish = Rc::new(RefCell::new(wish));
        self.wishes.insert(provider.to_owned(), Rc::clone(&wish));
        let pass = pursue(provider.to_owned(), Rc::clone(means), Rc::clone(books), wish);
        let target = means.providers.get(provider).map(|provider| provider.target()).unwrap_or_default();
        let running = Running { provider: provider.to_owned(), target, pass: Box::pin(pass) };
        if self.answering.contains(provider) {
            self.waiting.push_front(running);
        } else {
            self.waiting.push_back(running);
        }
        self.fill();
    }

    /// This is wanted of a provider that is worked on, from now on; and, if `again`, to be looked after when that is done.
    pub(super) fn want(&mut self, provider: &str, desired: Vec<Desired>, words: &Rc<BTreeMap<Via, Word>>, again: bool) {
        if let Some(wish) = self.wishes.get(provider) {
            let mut wish = wish.borrow_mut();
            if *wish.desired != desired {
                wish.desired = Rc::new(desired);
            }
            wish.words = Rc::clone(words);
        }
        if again {
            self.again.insert(provider.to_owned());
        }
    }

    /// From now on what is worked on is read, and nothing more is sent.
    pub(super) fn only_look(&mut self) {
        self.wishes.values().for_each(|wish| wish.borrow_mut().is_over = true);
    }

    /// The next that is done; `None` when there is nothing to wait for.
    pub async fn next(&mut self) -> Option<Done> {
        let (provider, report) = self.running.next().await?;
        self.wishes.remove(&provider);
        let again = self.again.remove(&provider);
        match report.as_ref().map(|report| &report.trouble) {
            Some(Some(Trouble::Passing { .. })) => _ = self.answering.remove(&provider),
            Some(_) => _ = self.answering.insert(provider.clone()),
            None => {}
        }
        self.fill();
        Some(Done { provider, report, again })
    }

    /// Gives up what is worked on, but for the providers to which a write is under way: those are finished, and nothing
    /// more is sent to them.
    pub fn give_up(&mut self, writing: &BTreeSet<String>) {
        self.waiting.clear();
        let running = std::mem::take(&mut self.running);
        self.running = running.into_iter().filter(|running| writing.contains(&running.provider)).collect();
        let left: BTreeSet<&String> = self.running.iter().map(|running| &running.provider).collect();
        self.wishes.retain(|provider, _| left.contains(provider));
        self.only_look();
        self.again.clear();
    }

    fn fill(&mut self) {
        let mut targets: BTreeMap<String, usize> = BTreeMap::new();
        for running in &self.running {
            *targets.entry(running.target.clone()).or_default() += 1;
        }
        for running in std::mem::take(&mut self.waiting) {
            let there = targets.entry(running.target.clone()).or_default();
            if self.running.len() < AT_ONCE && *there < AT_ONE_TARGET {
                *there += 1;
                self.running.push(running);
            } else {
                self.waiting.push_back(running);
            }
        }
    }
}

impl Wish {
    /// On whose word `desired` is wanted; `None` when it is not, by now.
    fn words(&self, desired: &Rc<Vec<Desired>>) -> Option<Rc<BTreeMap<Via, Word>>> {
        (!self.is_over && Rc::ptr_eq(&self.desired, desired)).then(|| Rc::clone(&self.words))
    }
}

/// Passes over a provider until what was wanted when the pass began is what is wanted when it ends.
async fn pursue(
    provider: String,
    means: Rc<Means>,
    books: Rc<RefCell<Books>>,
    wish: Rc<RefCell<Wish>>,
) -> Option<Report> {
    loop {
        let desired = Rc::clone(&wish.borrow().desired);
        let is_open = || books.borrow().log.open_intents().values().any(|intent| intent.provider == provider);
        if desired.is_empty() && !is_open() {
            return None;
        }
        let words = || wish.borrow().words(&desired);
        let job = means.job(&provider, &desired, &words)?;
        let report = update::bring_in_step(&job, &books, &means.clock).await;
        let wish = wish.borrow();
        if wish.is_over || Rc::ptr_eq(&wish.desired, &desired) {
            return Some(report);
        }
    }
}
