//! The providers that are being worked on, beside each other: none waits for another, and nothing else waits for them.
//!
//! One that is worked on learns what is wanted of it by now: a write that nobody wants any more is not sent.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use super::Actors;
use crate::audit::Word;
use crate::household::queue::Queue;
use crate::reconcile::Desired;
use crate::settings::Via;
use crate::tasks::Tasks;
use crate::update::{self, Books, Report};

/// The providers that are being worked on.
#[derive(Default)]
pub struct Work {
    passes: Tasks<String, Option<Report>>,
    queue: Queue,
    wishes: BTreeMap<String, Wish>,
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

/// What is wanted of a provider that is worked on, and with what that is done.
struct Wish {
    wanted: Rc<RefCell<Wanted>>,
    actors: Rc<Actors>,
    books: Rc<RefCell<Books>>,
}

struct Wanted {
    desired: Rc<Vec<Desired>>,
    words: Rc<BTreeMap<Via, Word>>,
    /// Nothing more is sent.
    is_over: bool,
}

impl Work {
    /// Whether nothing is being worked on.
    pub(crate) fn is_idle(&self) -> bool {
        self.wishes.is_empty()
    }

    /// Whether `provider` is being worked on.
    pub(crate) fn is_busy(&self, provider: &str) -> bool {
        self.wishes.contains_key(provider)
    }

    /// What is wanted by now of each provider that is being worked on.
    pub fn wanted(&self) -> impl Iterator<Item = (&str, Rc<Vec<Desired>>)> {
        self.wishes.iter().map(|(provider, wish)| (provider.as_str(), Rc::clone(&wish.wanted.borrow().desired)))
    }

    pub(super) fn begin(
        &mut self,
        provider: &str,
        actors: &Rc<Actors>,
        books: &Rc<RefCell<Books>>,
        desired: Vec<Desired>,
        words: &Rc<BTreeMap<Via, Word>>,
    ) {
        let wanted = Wanted { desired: Rc::new(desired), words: Rc::clone(words), is_over: false };
        let wanted = Rc::new(RefCell::new(wanted));
        self.wishes.insert(provider.to_owned(), Wish { wanted, actors: Rc::clone(actors), books: Rc::clone(books) });
        let target = actors.providers.get(provider).map(|provider| provider.target()).unwrap_or_default();
        self.queue.add(provider, target);
        self.fill();
    }

    /// This is wanted of a provider that is worked on, from now on; and, if `again`, to be looked after when that is done.
    pub(super) fn want(&mut self, provider: &str, desired: Vec<Desired>, words: &Rc<BTreeMap<Via, Word>>, again: bool) {
        if let Some(wish) = self.wishes.get(provider) {
            let mut wanted = wish.wanted.borrow_mut();
            if *wanted.desired != desired {
                wanted.desired = Rc::new(desired);
            }
            wanted.words = Rc::clone(words);
        }
        if again {
            self.queue.once_more(provider);
        }
    }

    /// From now on what is worked on is read, and nothing more is sent.
    pub(super) fn only_look(&mut self) {
        self.wishes.values().for_each(|wish| wish.wanted.borrow_mut().is_over = true);
    }

    /// The next that is done; `None` when there is nothing to wait for.
    pub async fn next(&mut self) -> Option<Done> {
        let (provider, report) = self.passes.next().await?;
        self.wishes.remove(&provider);
        let again = self.queue.done(&provider, report.as_ref());
        self.fill();
        Some(Done { provider, report, again })
    }

    /// Gives up what is worked on, but for the providers to which a write is under way: those are finished, and nothing
    /// more is sent to them.
    pub(crate) fn give_up(&mut self, writing: &BTreeSet<String>) {
        self.passes.keep_only(|provider| writing.contains(provider));
        self.queue.keep_only(writing);
        let passes = &self.passes;
        self.wishes.retain(|provider, _| passes.begun(provider).is_some());
        self.only_look();
    }

    fn fill(&mut self) {
        for provider in self.queue.begin() {
            let Some(Wish { wanted, actors, books }) = self.wishes.get(&provider) else { continue };
            let pass = pursue(provider.clone(), Rc::clone(actors), Rc::clone(books), Rc::clone(wanted));
            self.passes.start(provider, pass);
        }
    }
}

impl Wanted {
    /// On whose word `desired` is wanted; `None` when it is not, by now.
    fn words(&self, desired: &Rc<Vec<Desired>>) -> Option<Rc<BTreeMap<Via, Word>>> {
        (!self.is_over && Rc::ptr_eq(&self.desired, desired)).then(|| Rc::clone(&self.words))
    }
}

/// Passes over a provider until what was wanted when the pass began is what is wanted when it ends.
async fn pursue(
    provider: String,
    actors: Rc<Actors>,
    books: Rc<RefCell<Books>>,
    wanted: Rc<RefCell<Wanted>>,
) -> Option<Report> {
    loop {
        let desired = Rc::clone(&wanted.borrow().desired);
        let is_open = || books.borrow().log.open_intents().values().any(|intent| intent.provider == provider);
        if desired.is_empty() && !is_open() {
            return None;
        }
        let words = || wanted.borrow().words(&desired);
        let job = actors.job(&provider, &desired, &words)?;
        let report = update::bring_in_step(&job, &books, &actors.clock).await;
        let wanted = wanted.borrow();
        if wanted.is_over || Rc::ptr_eq(&wanted.desired, &desired) {
            return Some(report);
        }
    }
}
