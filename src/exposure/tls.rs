//! A server's certificates, as it shows them in a handshake; nothing is sent after it.
//!
//! Whatever it shows is taken, and judged later: that it is wrong is what shall be told. A certificate is public, and anybody
//! can show it; whose it is is proven by the handshake's signature, which is held against it here.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{WebPkiSupportedAlgorithms, ring, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::{ClientConfig, DigitallySignedStruct, SignatureScheme};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

use super::allowed::Permit;
use crate::name::DnsName;
use crate::text::root_cause;

/// Why a server's certificates were not seen.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Unseen {
    /// Nothing could be asked there.
    NotReached(String),
    /// It was reached, and there was no handshake.
    NoHandshake(String),
}

/// What a server showed.
#[derive(Debug)]
pub(super) struct Shown {
    /// The chain, its own certificate first.
    pub(super) chain: Vec<CertificateDer<'static>>,
    /// Why the handshake does not prove that the server has the certificate's key, if it does not.
    pub(super) unproven: Option<String>,
}

/// What the server at `at` shows for `name`.
pub(super) async fn look(at: Permit, name: &DnsName, patience: Duration) -> Result<Shown, Unseen> {
    let late = || "no answer in time".to_owned();
    let stream = match timeout(patience, TcpStream::connect(at.address())).await {
        Ok(stream) => stream.map_err(|error| Unseen::NotReached(root_cause(&error)))?,
        Err(_) => return Err(Unseen::NotReached(late())),
    };
    let handshake = async {
        let server = ServerName::try_from(name.as_str().to_owned()).map_err(io::Error::other)?;
        let provider = Arc::new(ring::default_provider());
        let verifier = Arc::new(Witness { by: provider.signature_verification_algorithms, unproven: Mutex::default() });
        let mut config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(io::Error::other)?
            .dangerous()
            .with_custom_certificate_verifier(Arc::clone(&verifier) as _)
            .with_no_client_auth();
        // A resumed session shows no certificates.
        config.resumption = rustls::client::Resumption::disabled();
        let stream = TlsConnector::from(Arc::new(config)).connect(server, stream).await?;
        Ok::<_, io::Error>((stream, verifier))
    };
    let (stream, verifier) = match timeout(patience, handshake).await {
        Ok(stream) => stream.map_err(|error| Unseen::NoHandshake(root_cause(&error)))?,
        Err(_) => return Err(Unseen::NoHandshake(late())),
    };
    let (_, session) = stream.get_ref();
    let chain = session.peer_certificates().unwrap_or_default();
    let chain = chain.iter().map(|certificate| certificate.clone().into_owned()).collect();
    Ok(Shown { chain, unproven: verifier.unproven() })
}

/// Takes any certificate, and any signature too, but remembers which was none: the connection carries nothing, and is
/// closed at once.
#[derive(Debug)]
struct Witness {
    by: WebPkiSupportedAlgorithms,
    unproven: Mutex<Option<String>>,
}

impl Witness {
    fn unproven(&self) -> Option<String> {
        self.unproven.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn note(&self, verified: Result<HandshakeSignatureValid, rustls::Error>) -> HandshakeSignatureValid {
        verified.unwrap_or_else(|error| {
            *self.unproven.lock().unwrap_or_else(PoisonError::into_inner) = Some(error.to_string());
            HandshakeSignatureValid::assertion()
        })
    }
}

impl ServerCertVerifier for Witness {
    fn verify_server_cert(
        &self,
        _end_entity: &CertificateDer<'_>,
        _intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        _now: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(self.note(verify_tls12_signature(message, certificate, signature, &self.by)))
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(self.note(verify_tls13_signature(message, certificate, signature, &self.by)))
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.by.supported_schemes()
    }
}
