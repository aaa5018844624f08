//! What is amiss, entered when it begins and when it is over, once each.

use std::collections::BTreeSet;
use std::net::IpAddr;

use super::Home;
use crate::address::Family;
use crate::aside::aside;
use crate::audit::Event;
use crate::exposure::look::recall;
use crate::exposure::{self, news};
use crate::round::reach::Reach;
use crate::watch::diagnose;

impl Home {
    /// Enters what is newly amiss, and what is no more, once each. For who looks again and again: one look alone shows
    /// what is amiss now, and not that something has passed.
    pub fn enter_findings(&mut self) {
        let mut now: BTreeSet<_> = self.found.iter().map(|found| (found.line.clone(), found.finding.key())).collect();
        if self.rounds < diagnose::ROUNDS {
            // What shows only over many rounds has not passed because this process is young.
            let asked: BTreeSet<(&Option<String>, String)> = self
                .means
                .config
                .witnesses
                .iter()
                .flat_map(|one| Family::BOTH.map(|family| (&one.line, diagnose::dissenter(&one.operator, family))))
                .collect();
            let lasting = |(line, about): &&(Option<String>, String)| asked.contains(&(line, about.clone()));
            now.extend(self.books.borrow_mut().state.findings.iter().filter(lasting).cloned());
        }
        let before = self.books.borrow_mut().state.findings.clone();
        let mut news = Vec::new();
        for found in &self.found {
            let (line, about) = (found.line.clone(), found.finding.key());
            if !before.contains(&(line.clone(), about.clone())) {
                news.push((
                    (line.clone(), about.clone()),
                    Event::Found { line, about, text: found.finding.to_string() },
                ));
            }
        }
        for (line, about) in before.difference(&now) {
            let gone = Event::Gone { line: line.clone(), about: about.clone() };
            news.push(((line.clone(), about.clone()), gone));
        }
        for (key, event) in news {
            let is_new = matches!(event, Event::Found { .. });
            // What cannot be written now is news in the next round too; that nothing can be written is told elsewhere.
            if let Err(error) = self.books.borrow_mut().log.append(self.means.clock.now(), event) {
                tracing::debug!("{}", crate::text::chain_of(&error));
            } else if is_new {
                self.books.borrow_mut().state.findings.insert(key);
            } else {
                self.books.borrow_mut().state.findings.remove(&key);
            }
        }
        if let Err(error) = self.books.borrow_mut().save() {
            tracing::debug!("{}", crate::text::chain_of(&error));
        }
    }

    /// What the outside can see, to be looked at beside all else; `None` while the home's address is not known. It brings
    /// nothing where the log cannot be read.
    pub fn exposing(&self) -> Option<impl Future<Output = Option<Vec<exposure::Finding>>> + use<>> {
        let config = &self.means.config;
        let settled: Vec<IpAddr> = self.state().settled.values().copied().collect();
        if config.exposure.services.is_empty() || settled.is_empty() {
            return None;
        }
        let (dir, prefix_length) = (config.state_dir.clone(), config.watch.prefix_length);
        let look = self.means.onlooker();
        // The log may be long.
        let recalling = aside(move || recall(&dir, settled, prefix_length));
        Some(async move {
            match recalling.await {
                Ok(home) => Some(look(home).await),
                Err(error) => {
                    tracing::debug!("{}", crate::text::chain_of(&error));
                    None
                }
            }
        })
    }

    /// Enters what is newly amiss in `found`, and what is no more, once each.
    pub fn enter_exposure(&mut self, found: &[exposure::Finding]) {
        self.reach = Reach::of(found);
        let before = self.state().exposed.clone();
        let changes = news::news(&before, found);
        if changes.is_empty() {
            return;
        }
        for change in changes {
            let event = match &change {
                news::News::Amiss(finding) => {
                    Event::Found { line: None, about: finding.key(), text: finding.to_string() }
                }
                news::News::Gone(about) => Event::Gone { line: None, about: about.clone() },
            };
            // As with the other findings: news again next time.
            if let Err(error) = self.books.borrow_mut().log.append(self.means.clock.now(), event) {
                tracing::debug!("{}", crate::text::chain_of(&error));
                continue;
            }
            let exposed = &mut self.books.borrow_mut().state.exposed;
            match change {
                news::News::Amiss(finding) => {
                    tracing::warn!("{finding}");
                    exposed.insert(finding.key());
                }
                news::News::Gone(about) => {
                    tracing::info!("no more: {about}");
                    exposed.remove(&about);
                }
            }
        }
        self.save();
    }
}
