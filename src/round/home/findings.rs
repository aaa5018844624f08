//! What is amiss, entered when it begins and when it is over, once each.

use std::net::IpAddr;

use super::Home;
use crate::about::About;
use crate::aside::aside;
use crate::audit::Event;
use crate::exposure::look::recall;
use crate::exposure::{self, news};
use crate::household::FindingNews;

impl Home {
    /// Enters what is newly amiss, and what is no more, once each. For who looks again and again: one look alone shows
    /// what is amiss now, and not that something has passed.
    pub(crate) fn enter_findings(&mut self) {
        let news = self.household.news(&self.actors.config, &self.books.borrow().state);
        for FindingNews { key, event, begins } in news {
            // What cannot be written now is news in the next round too; that nothing can be written is told elsewhere.
            if let Err(error) = self.books.borrow_mut().log.append(self.actors.clock.now(), event) {
                tracing::debug!("{}", crate::text::chain_of(&error));
            } else if begins {
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
        let config = &self.actors.config;
        let settled: Vec<IpAddr> = self.state().settled.values().copied().collect();
        if config.exposure.services.is_empty() || settled.is_empty() {
            return None;
        }
        let (dir, prefix_length) = (config.state_dir.clone(), config.watch.prefix_length);
        let look = self.actors.onlooker();
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
    pub(crate) fn enter_exposure(&mut self, found: &[exposure::Finding]) {
        self.household.has_looked(found);
        let before = self.state().exposed.clone();
        let changes = news::news(&before, found);
        if changes.is_empty() {
            return;
        }
        for change in changes {
            let event = match &change {
                news::News::Amiss(finding) => {
                    Event::Found { line: None, about: About::Exposure(finding.key()), text: finding.to_string() }
                }
                news::News::Gone(about) => Event::Gone { line: None, about: About::Exposure(about.clone()) },
            };
            // As with the other findings: news again next time.
            if let Err(error) = self.books.borrow_mut().log.append(self.actors.clock.now(), event) {
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
