//! What every request of the program over HTTP has in common, whatever it is for.
//!
//! No proxy, whatever the environment says: it would be told of what is asked, and answer with its own address. No kept
//! connection: it would be reset, or answer for the old address, when the WAN address moves. No repetition and no
//! redirect of which the caller does not know, and no word of where a redirect came from.

use reqwest::{Client, ClientBuilder, redirect, retry};

use crate::aside::aside;

/// A client to be. Only a `secure` one can speak HTTPS: the others need not load the platform's certificates.
///
/// A caller that follows redirects or keeps connections says so itself.
pub(crate) fn client(secure: bool) -> ClientBuilder {
    // An error means that a provider is installed already: as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let builder = Client::builder()
        .no_proxy()
        .pool_max_idle_per_host(0)
        .retry(retry::never())
        .referer(false)
        .redirect(redirect::Policy::none())
        .user_agent(concat!("fingerpost/", env!("CARGO_PKG_VERSION")));
    if secure { builder } else { builder.tls_certs_only([]) }
}

/// The client that `builder` makes. The certificates that a platform trusts are many files: they are read beside the loop.
///
/// # Errors
/// They cannot be used.
pub(crate) async fn build(builder: ClientBuilder) -> reqwest::Result<Client> {
    aside(|| builder.build()).await
}
