//! A server's certificates, as it shows them in a handshake; nothing is sent after it.
//!
//! Whatever it shows is taken, and judged later: that it is wrong is what shall be told.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::ring;
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

/// The chain that the server at `at` shows for `name`, its own certificate first.
pub(super) async fn chain(
    at: Permit,
    name: &DnsName,
    patience: Duration,
) -> Result<Vec<CertificateDer<'static>>, Unseen> {
    let late = || "no answer in time".to_owned();
    let stream = match timeout(patience, TcpStream::connect(at.address())).await {
        Ok(stream) => stream.map_err(|error| Unseen::NotReached(root_cause(&error)))?,
        Err(_) => return Err(Unseen::NotReached(late())),
    };
    let handshake = async {
        let server = ServerName::try_from(name.as_str().to_owned()).map_err(io::Error::other)?;
        let provider = Arc::new(ring::default_provider());
        let schemes = provider.signature_verification_algorithms.supported_schemes();
        let mut config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(io::Error::other)?
            .dangerous()
            .with_custom_certificate_verifier(Arc::new(Anything(schemes)))
            .with_no_client_auth();
        // A resumed session shows no certificates.
        config.resumption = rustls::client::Resumption::disabled();
        TlsConnector::from(Arc::new(config)).connect(server, stream).await
    };
    let stream = match timeout(patience, handshake).await {
        Ok(stream) => stream.map_err(|error| Unseen::NoHandshake(root_cause(&error)))?,
        Err(_) => return Err(Unseen::NoHandshake(late())),
    };
    let (_, session) = stream.get_ref();
    let chain = session.peer_certificates().unwrap_or_default();
    Ok(chain.iter().map(|certificate| certificate.clone().into_owned()).collect())
}

/// Takes any certificate and any signature: the connection carries nothing, and is closed at once.
#[derive(Debug)]
struct Anything(Vec<SignatureScheme>);

impl ServerCertVerifier for Anything {
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
        _message: &[u8],
        _certificate: &CertificateDer<'_>,
        _signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn verify_tls13_signature(
        &self,
        _message: &[u8],
        _certificate: &CertificateDer<'_>,
        _signature: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Ok(HandshakeSignatureValid::assertion())
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.0.clone()
    }
}
