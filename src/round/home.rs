//! The actors together with the books: settling, publishing, and what is entered about both.

mod clock;
mod findings;
mod leases;
mod start;

use std::cell::{Ref, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;
use std::sync::Arc;

use tokio::time::Instant;

use super::work::{Done, Work};
use super::{Actors, RoundError};
use crate::allowlist::{self, AllowlistError, Looked};
use crate::audit::{Event, file};
use crate::clock::{Setting, Timestamp};
use crate::confirm::{End, Verdict};
use crate::household::outages::Moment;
use crate::household::{self, Household};
use crate::settings::{Via, by_provider};
use crate::standby::{Lease, Leases};
use crate::state::{State, Told};
use crate::status::log_digest::LogDigest;
use crate::update::{Books, Report, Trouble};
use crate::watch::look::{HeldBack, Look};
use crate::watch::rota::Rota;
use crate::watch::settle::Heard;

/// What the witnesses said in one round.
pub struct Answers {
    looks: Vec<Look>,
    rota: Rota,
}

/// The actors together with the books: what the daemon and `sync` work with.
pub struct Home {
    /// What is configured, made able to act.
    pub actors: Rc<Actors>,
    books: Rc<RefCell<Books>>,
    household: Household,
    rota: Rota,
    /// How the clock was set when it was last followed.
    setting: Setting,
    /// What the times of the lines count from.
    began: Instant,
    /// Leases that are no longer configured, and not given back yet.
    former: Leases,
    /// The state could not be saved when that was last tried.
    is_unsaved: bool,
    memory: Arc<LogDigest>,
}

impl Home {
    /// Locks the state directory and opens the books. Holds whose configuration has changed end here.
    pub fn open(actors: Actors) -> Result<Self, RoundError> {
        let books = Books::open(&actors.config).map_err(RoundError::Books)?;
        let household = Household::new(&books.state, actors.clock.now());
        let mut home = Self {
            setting: actors.clock.setting(),
            actors: Rc::new(actors),
            books: Rc::new(RefCell::new(books)),
            household,
            rota: Rota::default(),
            began: Instant::now(),
            former: Leases::new(),
            is_unsaved: false,
            memory: Arc::default(),
        };
        home.after_start();
        Ok(home)
    }

    /// Goes on with other actors, after a reload. All holds end.
    pub(crate) fn refit(&mut self, actors: Actors) {
        self.books.borrow_mut().log.refit(actors.config.audit);
        let actors = actors.succeed(&self.actors);
        let before = std::mem::replace(&mut self.actors, Rc::new(actors));
        let goes_on = |provider: &String, lease: &Lease| {
            self.actors.leases.get(provider).is_some_and(|present| present.is_where(lease))
        };
        let left = before.leases.iter().filter(|(provider, lease)| !goes_on(provider, lease));
        self.former.extend(left.map(|(provider, lease)| (provider.clone(), Arc::clone(lease))));
        self.household.succeed(&before.config, &self.actors.config);
        self.after_start();
        self.release("the configuration was reloaded", |_, _| true);
    }

    /// Ends every hold, because a person asked for a write by hand.
    pub(crate) fn release_all(&mut self, why: &str) {
        self.release(why, |_, _| true);
    }

    /// What survives a restart.
    pub fn state(&self) -> Ref<'_, State> {
        Ref::map(self.books.borrow(), |books| &books.state)
    }

    /// Takes what is believed of the lists that were looked at.
    ///
    /// # Errors
    /// [`AllowlistError`] when it cannot be written down.
    pub(crate) fn take_ranges(&mut self, looked: Vec<Looked>) -> Result<Vec<allowlist::Report>, AllowlistError> {
        let now = self.actors.clock.now();
        allowlist::take(&self.actors.config, looked, &mut self.books.borrow_mut(), false, now)
    }

    /// What is known of the home.
    pub fn household(&self) -> &Household {
        &self.household
    }

    /// The records that the newest round holds back.
    pub fn held_back(&self) -> Vec<HeldBack> {
        household::held_back(&self.actors.config, self.household.looks(), self.household.found())
    }

    /// What time it is, by both clocks; the steady one counts since this was opened.
    pub fn moment(&self) -> Moment {
        Moment { time: self.actors.clock.now(), steady: self.began.elapsed() }
    }

    /// Enters that the waiting for a write to spread is over.
    pub fn confirmed(&mut self, verdict: Verdict) {
        let Verdict { provider, intent, records, took, serving: servers, end } = verdict;
        let took_ms = took.as_millis().try_into().unwrap_or(u64::MAX);
        let records = records.try_into().unwrap_or(u64::MAX);
        self.books.borrow_mut().state.end_spreading(&provider, intent);
        let unspread = |provider, missing, why| Event::Unspread {
            intent,
            provider,
            records,
            took_ms,
            servers: servers.clone(),
            missing,
            why,
        };
        self.enter(match end {
            End::Served => Event::Spread { intent, provider, records, took_ms, servers },
            End::Overdue(missing) => unspread(provider, missing, "the deadline passed".to_owned()),
            End::Lost(why) => unspread(provider, Vec::new(), format!("the servers of the zone are not known: {why}")),
        });
        self.save();
    }

    /// Asks the witnesses, to be carried out beside all else; [`Self::hear`] takes what that brings. Everybody is asked when
    /// the round is to be `thorough`, and where the newest round left any doubt.
    pub fn looking(&self, thorough: bool) -> impl Future<Output = Answers> + use<> {
        let certain = if thorough { BTreeMap::new() } else { self.household.certain() };
        let (actors, last, mut rota) = (Rc::clone(&self.actors), self.household.looks().to_vec(), self.rota.clone());
        async move {
            let looks = actors.poll_some(&certain, &last, &mut rota).await;
            Answers { looks, rota }
        }
    }

    /// Asks the witnesses, and settles by what they say.
    pub async fn look(&mut self, rounds: u32, thorough: bool) -> Vec<(Via, Heard)> {
        let answers = self.looking(thorough).await;
        self.hear(answers, rounds)
    }

    /// Settles: an address that has won `rounds` rounds in a row is the home's.
    pub fn hear(&mut self, answers: Answers, rounds: u32) -> Vec<(Via, Heard)> {
        self.rota = answers.rota;
        let round = self.household.hear(&self.actors.config, answers.looks, rounds, self.moment());
        for event in round.entries {
            // Nothing else is entered before it, and so nothing sent.
            if matches!(event, Event::Settled { .. }) { self.enter_first(event) } else { self.enter(event) }
        }
        self.keep_nats();
        self.keep_settled();
        round.heard
    }

    /// Where there is no ruling now, and since when.
    pub fn outages(&self) -> impl Iterator<Item = (&Via, Timestamp)> {
        self.household.outages(self.moment())
    }

    /// Reads what the log tells of earlier; from now on what is new is counted. Returns where its chain does not hold, if it
    /// does not.
    pub fn remember(&mut self) -> Option<String> {
        let mut memory = LogDigest::default();
        let followed = file::recall(&self.actors.config.state_dir, |entry| memory.hear(entry));
        memory.live();
        self.memory = Arc::new(memory);
        match followed {
            Ok(flaw) => flaw.map(|flaw| crate::text::chain_of(&flaw)),
            Err(error) => Some(crate::text::chain_of(&error)),
        }
    }

    /// What the log tells.
    pub fn memory(&mut self) -> Arc<LogDigest> {
        let fresh = self.books.borrow_mut().log.fresh();
        if !fresh.is_empty() {
            let memory = Arc::make_mut(&mut self.memory);
            fresh.into_iter().for_each(|entry| memory.hear(entry));
        }
        Arc::clone(&self.memory)
    }

    /// Keeps who was told of what.
    pub(crate) fn note_told(&mut self, told: Told) {
        if self.books.borrow_mut().state.told != told {
            self.books.borrow_mut().state.told = told;
            self.save();
        }
    }

    /// What the limits still leave today, and the daily limit, by provider.
    pub fn left_today(&self) -> BTreeMap<String, (u32, u32)> {
        let (books, limits, now) = (self.books.borrow(), &self.actors.config.limits, self.actors.clock.now());
        let left = |name: &String| (name.clone(), (books.state.ledger.left_today(now, limits, name), limits.daily));
        self.actors.config.providers.keys().map(left).collect()
    }

    /// Lets `work` bring the records of the providers for which `due` holds in step with the newest rulings. Those that are
    /// worked on already learn what is wanted of them now.
    pub fn publish(&mut self, work: &mut Work, due: impl Fn(&str) -> bool) {
        let (words, steady) = (Rc::new(household::words(self.household.looks())), self.began.elapsed());
        let open: BTreeSet<String> =
            self.books.borrow().log.open_intents().values().map(|intent| intent.provider.clone()).collect();
        let records = by_provider(&self.actors.config.records);
        let mut has_something: Vec<(&str, bool)> = Vec::new();
        for name in self.actors.providers.keys() {
            let (is_busy, is_due) = (work.is_busy(name), due(name));
            if !is_busy && !is_due {
                continue;
            }
            let records = records.get(name.as_str()).map_or(&[][..], Vec::as_slice);
            let desired = self.household.desired(&self.actors.config, name, records, steady);
            has_something.push((name, !desired.is_empty()));
            if is_busy {
                work.want(name, desired, &words, is_due);
            } else if !desired.is_empty() || open.contains(name) {
                work.begin(name, &self.actors, &self.books, desired, &words);
            }
        }
        for (name, has_something) in has_something {
            self.can_act(name, has_something);
        }
        self.rest_leases();
        self.keep_lines();
    }

    /// Brings the records of all providers in step with the newest rulings, and waits for the reports, which come in
    /// the order of the providers' names.
    pub(crate) async fn publish_all(&mut self) -> Vec<Report> {
        let mut work = Work::default();
        self.publish(&mut work, |_| true);
        self.finish(work).await
    }

    /// Reads once more what stands at those of the providers for which `due` holds, and enters what that shows of earlier
    /// writes. Nothing is sent.
    pub(crate) async fn look_back(&mut self, due: impl Fn(&str) -> bool) -> Vec<Report> {
        let mut work = Work::default();
        self.publish(&mut work, due);
        work.only_look();
        self.finish(work).await
    }

    async fn finish(&mut self, mut work: Work) -> Vec<Report> {
        let mut reports = BTreeMap::new();
        while let Some(Done { provider, report, .. }) = work.next().await {
            reports.extend(report.map(|report| (provider, report)));
        }
        self.after_work(reports.values());
        self.save();
        reports.into_values().collect()
    }

    /// Enters what work on the providers has shown of the leases, and of whoever answers for them.
    pub(crate) fn after_work<'a>(&mut self, reports: impl Iterator<Item = &'a Report>) {
        for report in reports {
            self.has_acted(report);
            self.note_refusal(report);
        }
        self.enter_leases();
        self.rest_leases();
    }

    /// Enters since when somebody refuses without proving who it is.
    fn note_refusal(&mut self, report: &Report) {
        let (now, mut books) = (self.actors.clock.now(), self.books.borrow_mut());
        let refused_since = &mut books.state.refused_since;
        match report.trouble {
            Some(Trouble::Unproven { .. }) => drop(refused_since.entry(report.provider.clone()).or_insert(now)),
            _ => drop(refused_since.remove(&report.provider)),
        }
    }

    /// The providers to which a write was begun whose end is not known.
    pub fn writing(&self) -> BTreeSet<String> {
        self.books.borrow().log.open_intents().values().map(|intent| intent.provider.clone()).collect()
    }

    /// Makes durable what is known by now.
    pub fn keep(&mut self) {
        self.save();
    }

    /// Keeps what is settled. First the reason in the log, then the state: what is missing after a crash settles anew.
    fn keep_settled(&mut self) {
        if let Err(error) = self.books.borrow_mut().log.pay() {
            tracing::debug!("{}", crate::text::chain_of(&error));
            return;
        }
        let is_new = self.household.keep_settled(&mut self.books.borrow_mut().state);
        if is_new {
            self.save();
        }
    }

    fn keep_lines(&mut self) {
        let moment = self.moment();
        let is_new = self.household.keep_lines(&mut self.books.borrow_mut().state, moment);
        if is_new {
            self.save();
        }
    }

    fn keep_nats(&mut self) {
        let is_new = self.household.keep_nats(&mut self.books.borrow_mut().state);
        if is_new {
            self.save();
        }
    }

    /// Enters `event` before all else: what cannot be written now is written first when it can.
    fn enter_first(&mut self, event: Event) {
        if let Err(error) = self.books.borrow_mut().log.append_or_owe(self.actors.clock.now(), event) {
            tracing::warn!("{}", crate::text::chain_of(&error));
        }
    }

    fn enter(&mut self, event: Event) {
        if let Err(error) = self.books.borrow_mut().log.append(self.actors.clock.now(), event) {
            tracing::warn!("{}", crate::text::chain_of(&error));
        }
    }

    fn save(&mut self) {
        let saved = self.books.borrow_mut().save();
        let Err(error) = &saved else {
            self.is_unsaved = false;
            return;
        };
        // Told when it begins; each try after that says no more.
        let why = crate::text::chain_of(error);
        if std::mem::replace(&mut self.is_unsaved, true) { tracing::debug!("{why}") } else { tracing::warn!("{why}") }
    }
}
