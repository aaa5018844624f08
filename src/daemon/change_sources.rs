//! What may tell of a change before the next round: the kernel's news, and the routers' announcements.
//!
//! None of it is ever taken for the address; it is a reason to look. Listens on sockets, and says so when it cannot:
//! then the change is seen in the next round, as without it.

use std::io;
use std::net::Ipv4Addr;

use futures_util::FutureExt as _;
use futures_util::future::{BoxFuture, select_all};

use crate::settings::{Bind, Config, WitnessKind};
use crate::watch::changes::{self, Changes};
use crate::watch::router::announce::Announcements;

/// A router whose announcements are listened to.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Router {
    gateway: Option<Ipv4Addr>,
    interface: Option<String>,
}

/// Everything that pushes.
#[derive(Debug, Default)]
pub(super) struct ChangeSources {
    changes: Option<Changes>,
    routers: Vec<Router>,
    announcements: Vec<Announcements>,
}

/// What came first.
enum Came {
    Change(io::Result<changes::Push>),
    Announcement(usize, io::Result<()>),
}

impl ChangeSources {
    /// Listens to what `config` names: the kernel, unless `watch.push` is off, and every router that is a witness.
    pub(super) async fn listen(config: &Config) -> Self {
        if !config.watch.push {
            return Self::default();
        }
        let changes = Changes::listen().await.inspect_err(|error| {
            tracing::warn!(
                "the kernel's news of addresses cannot be heard ({error}); changes are seen by the rounds only"
            );
        });
        let mut pushes = Self { changes: changes.ok(), routers: routers(config), announcements: Vec::new() };
        pushes.listen_to_routers();
        pushes
    }

    /// Listens anew: which router is the gateway may have changed. One that cannot be heard now, because there is no
    /// route yet perhaps, is tried again with the next change of routes.
    fn listen_to_routers(&mut self) {
        self.announcements.clear();
        for Router { gateway, interface } in &self.routers {
            match Announcements::listen(*gateway, interface.as_deref()) {
                Ok(announcements) => self.announcements.push(announcements),
                Err(error) => tracing::debug!("a router's announcements cannot be heard: {error}"),
            }
        }
    }

    /// Whether nothing can push.
    pub(super) fn silent(&self) -> bool {
        self.changes.is_none() && self.announcements.is_empty()
    }

    /// Waits for the next push, and tells what it was. Safe to drop at any point.
    pub(super) async fn next(&mut self) -> String {
        loop {
            if self.silent() {
                std::future::pending::<()>().await;
            }
            match self.first().await {
                Came::Change(Ok(push)) => {
                    if matches!(push, changes::Push::Route(_) | changes::Push::Missed) {
                        self.listen_to_routers();
                    }
                    return push.to_string();
                }
                Came::Change(Err(error)) => {
                    tracing::warn!("the kernel's news of addresses are heard no more ({error}); the rounds go on");
                    self.changes = None;
                }
                Came::Announcement(_, Ok(())) => return "the router announced a change".to_owned(),
                Came::Announcement(which, Err(error)) => {
                    tracing::debug!("a router's announcements are heard no more: {error}");
                    self.announcements.remove(which);
                }
            }
        }
    }

    /// What comes first. Something must be listened to.
    async fn first(&mut self) -> Came {
        let mut waiting: Vec<BoxFuture<'_, Came>> = Vec::new();
        if let Some(changes) = &mut self.changes {
            waiting.push(async { Came::Change(changes.next().await) }.boxed());
        }
        for (which, announcements) in self.announcements.iter_mut().enumerate() {
            waiting.push(async move { Came::Announcement(which, announcements.next().await.map(drop)) }.boxed());
        }
        select_all(waiting).await.0
    }
}

/// The routers that are witnesses, each once.
fn routers(config: &Config) -> Vec<Router> {
    let mut routers = Vec::new();
    for witness in &config.witnesses {
        let WitnessKind::Router { gateway } = witness.kind else { continue };
        let line = config.lines.iter().find(|line| Some(&line.name) == witness.line.as_ref());
        let interface = line.and_then(|line| match &line.bind {
            Bind::Interface(interface) => Some(interface.clone()),
            Bind::Sources(_) => None,
        });
        let router = Router { gateway, interface };
        if !routers.contains(&router) {
            routers.push(router);
        }
    }
    routers
}
