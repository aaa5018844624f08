//! Certificates made here, each shown by a server, and told rightly.

use std::fs;
use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use fingerpost::clock::Timestamp;
use fingerpost::exposure::certificate::{Roots, read};
use fingerpost::exposure::{Check, Finding, Grade};
use rcgen::{BasicConstraints, CertificateParams, DnType, IsCa, Issuer, KeyPair};
use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;

use crate::common::nginx::{Nginx, Service};
use crate::{NAME, home, of, run, see};

const DAY: Duration = Duration::from_secs(86_400);

/// A CA of the household.
pub(crate) struct Ca {
    issuer: Issuer<'static, KeyPair>,
    pub(crate) pem: String,
}

impl Ca {
    pub(crate) fn new() -> Self {
        let mut params = CertificateParams::default();
        params.distinguished_name.push(DnType::CommonName, "Heron Mill CA");
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let key = KeyPair::generate().unwrap();
        let pem = params.self_signed(&key).unwrap().pem();
        Self { issuer: Issuer::new(params, key), pem }
    }

    /// A certificate for `name` and its key.
    pub(crate) fn sign(&self, name: &str) -> (CertificateDer<'static>, PrivateKeyDer<'static>) {
        let mut params = CertificateParams::new(vec![name.to_owned()]).unwrap();
        params.distinguished_name.push(DnType::CommonName, name);
        let key = KeyPair::generate().unwrap();
        let certificate = params.signed_by(&key, &self.issuer).unwrap().der().clone();
        (certificate, PrivateKeyDer::Pkcs8(key.serialize_der().into()))
    }
}

/// Serves HTTPS on `listener` with this certificate, answering every request with `status`, until the runtime ends.
pub(crate) fn serve(
    listener: TcpListener,
    (chain, key): (CertificateDer<'static>, PrivateKeyDer<'static>),
    status: &str,
) {
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![chain], key)
        .unwrap();
    answer(listener, config, status);
}

/// The same with this configuration.
fn answer(listener: TcpListener, config: ServerConfig, status: &str) {
    let acceptor = TlsAcceptor::from(Arc::new(config));
    let answer = format!("HTTP/1.1 {status}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
    tokio::spawn(async move {
        loop {
            let (stream, _) = listener.accept().await.unwrap();
            let (acceptor, answer) = (acceptor.clone(), answer.clone());
            tokio::spawn(async move {
                let Ok(mut stream) = acceptor.accept(stream).await else { return };
                let mut head = [0; 4096];
                if stream.read(&mut head).await.is_ok_and(|length| length > 0) {
                    let _ = stream.write_all(answer.as_bytes()).await;
                    let _ = stream.shutdown().await;
                }
            });
        }
    });
}

fn service(origin: SocketAddr, ca: Option<&str>) -> String {
    let ca = ca.map(|file| format!("ca = \"{file}\"\n")).unwrap_or_default();
    format!("[[exposure.service]]\nname = \"{NAME}\"\norigin = \"{origin}\"\n{ca}")
}

fn now() -> Timestamp {
    Timestamp::from(SystemTime::now())
}

async fn certificate(dir: &Path, origin: SocketAddr, ca: Option<&str>, now: Timestamp) -> Finding {
    of(&see(dir, &service(origin, ca), &home(&["203.0.113.77"]), now).await, Check::Certificate).clone()
}

#[test]
fn a_servers_chain_is_seen_whatever_is_wrong_with_it() {
    run(async {
        let dir = tempfile::tempdir().unwrap();
        let ca = Ca::new();
        fs::write(dir.path().join("ca.pem"), &ca.pem).unwrap();
        for (name, file, grade, seen) in [
            (NAME, Some("ca.pem"), Grade::Good, "holds until "),
            (NAME, None, Grade::Amiss, "its issuer (CN=Heron Mill CA) does not lead to this system's roots"),
            (NAME, Some("missing.pem"), Grade::Unknown, "missing.pem cannot be used: "),
            ("cam.heronmill.example", Some("ca.pem"), Grade::Amiss, "it is for cam.heronmill.example, not for "),
        ] {
            let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
            let origin = listener.local_addr().unwrap();
            serve(listener, ca.sign(name), "200 OK");
            let finding = certificate(dir.path(), origin, file, now()).await;
            assert_eq!(finding.grade, grade, "{finding:?}");
            assert!(finding.seen.contains(seen), "{finding:?}");
        }
    });
}

/// Shows one certificate, and signs with the key of another.
#[derive(Debug)]
struct Impostor(Arc<CertifiedKey>);

impl ResolvesServerCert for Impostor {
    fn resolve(&self, _hello: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(Arc::clone(&self.0))
    }
}

/// A certificate is public: whoever answers in the origin's place can show it.
#[test]
fn who_shows_a_certificate_without_having_its_key_is_told() {
    run(async {
        let dir = tempfile::tempdir().unwrap();
        let ca = Ca::new();
        fs::write(dir.path().join("ca.pem"), &ca.pem).unwrap();
        let (certificate, own) = ca.sign(NAME);
        let (_, others) = ca.sign(NAME);
        for version in [&rustls::version::TLS12, &rustls::version::TLS13] {
            for (key, grade, seen) in [(&own, Grade::Good, "holds until"), (&others, Grade::Amiss, "is not proven")] {
                let provider = Arc::new(ring::default_provider());
                let key = provider.key_provider.load_private_key(key.clone_key()).unwrap();
                let shown = Arc::new(CertifiedKey::new(vec![certificate.clone()], key));
                let config = ServerConfig::builder_with_provider(provider).with_protocol_versions(&[version]).unwrap();
                let config = config.with_no_client_auth().with_cert_resolver(Arc::new(Impostor(shown)));
                let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
                let origin = listener.local_addr().unwrap();
                answer(listener, config, "200 OK");
                let finding = self::certificate(dir.path(), origin, Some("ca.pem"), now()).await;
                assert!(finding.grade == grade && finding.seen.contains(seen), "{version:?}: {finding:?}");
            }
        }
    });
}

#[test]
fn what_does_not_answer_is_not_known_and_what_is_no_tls_is_amiss() {
    run(async {
        let dir = tempfile::tempdir().unwrap();
        let down = tokio::net::TcpSocket::new_v4().unwrap();
        down.bind("127.0.0.1:0".parse().unwrap()).unwrap();
        let finding = certificate(dir.path(), down.local_addr().unwrap(), None, now()).await;
        assert_eq!(finding.grade, Grade::Unknown, "{finding:?}");
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let plain = listener.local_addr().unwrap();
        tokio::spawn(async move {
            let (mut stream, _) = listener.accept().await.unwrap();
            stream.write_all(b"HTTP/1.1 400 Bad Request\r\nContent-Length: 0\r\n\r\n").await.unwrap();
            // Closed once the other side has seen it: what was not read would reset the connection.
            while stream.read(&mut [0; 512]).await.is_ok_and(|length| length > 0) {}
        });
        let finding = certificate(dir.path(), plain, None, now()).await;
        assert_eq!(finding.grade, Grade::Amiss, "{finding:?}");
        assert!(finding.seen.contains("no TLS handshake"), "{finding:?}");
    });
}

fn openssl(dir: &Path, arguments: &str) {
    let made = Command::new("openssl").args(arguments.split(' ')).current_dir(dir).output().unwrap();
    assert!(made.status.success(), "openssl {arguments}: {}", String::from_utf8_lossy(&made.stderr));
}

/// `NAME.pem`: a certificate for `san` of 90 days and its key, by `ca`, or by itself.
fn make(dir: &Path, name: &str, san: &str, by_ca: bool, key: &str, digest: &str) {
    openssl(dir, &format!("req -new {key} -nodes -subj /CN={name} -keyout {name}.key -out {name}.csr"));
    fs::write(dir.join("ext"), format!("subjectAltName=DNS:{san}\nbasicConstraints=CA:FALSE\n")).unwrap();
    let signed =
        if by_ca { "-CA ca.crt -CAkey ca.key -CAcreateserial".to_owned() } else { format!("-signkey {name}.key") };
    openssl(dir, &format!("x509 -req -in {name}.csr {signed} {digest} -days 90 -extfile ext -out {name}.crt"));
    let both = [fs::read(dir.join(format!("{name}.crt"))).unwrap(), fs::read(dir.join(format!("{name}.key"))).unwrap()];
    fs::write(dir.join(format!("{name}.pem")), both.concat()).unwrap();
}

const EC: &str = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1";

/// Made by openssl and shown by nginx, with the look at a moment of choice.
#[test]
#[ignore = "needs nginx and openssl: tests/all.sh runs it"]
fn nginx_with_certificates_by_openssl() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    openssl(at, &format!("req -x509 {EC} -nodes -days 365 -subj /CN=MillCA -keyout ca.key -out ca.crt"));
    make(at, "right", NAME, true, EC, "-sha256");
    make(at, "rsa", "*.heronmill.example", true, "-newkey rsa:2048", "-sha256");
    make(at, "other", "cam.heronmill.example", true, EC, "-sha256");
    make(at, "deep", "*.example", true, EC, "-sha256");
    make(at, "self", NAME, false, EC, "-sha256");
    // What `openssl req -x509` makes of itself, a CA.
    openssl(
        at,
        &format!(
            "req -x509 {EC} -nodes -days 90 -subj /CN=own -addext subjectAltName=DNS:{NAME} -keyout own.key -out own.crt"
        ),
    );
    fs::write(
        at.join("own.pem"),
        [fs::read(at.join("own.crt")).unwrap(), fs::read(at.join("own.key")).unwrap()].concat(),
    )
    .unwrap();
    let names = ["right", "rsa", "other", "deep", "self", "own"];
    let services: Vec<Service> =
        names.iter().map(|name| Service::with("return 200 mill;").over_tls(&at.join(format!("{name}.pem")))).collect();
    let nginx = Nginx::start(&services);
    let begun = now();
    for (name, ca, day, grade, seen) in [
        ("right", Some("ca.crt"), 1_i32, Grade::Good, "holds until"),
        ("rsa", Some("ca.crt"), 1, Grade::Good, "holds until"),
        ("right", Some("ca.crt"), -1, Grade::Amiss, "it holds only from"),
        ("right", Some("ca.crt"), 91, Grade::Amiss, "it ran out on"),
        ("right", Some("ca.crt"), 80, Grade::Amiss, "of 90 days"),
        ("right", None, 1, Grade::Amiss, "its issuer (CN=MillCA) does not lead to this system's roots"),
        ("other", Some("ca.crt"), 1, Grade::Amiss, "it is for cam.heronmill.example, not for gauge.heronmill.example"),
        ("deep", Some("ca.crt"), 1, Grade::Amiss, "*.example stands for one label only"),
        ("self", None, 1, Grade::Amiss, "it is self-signed, and not among this system's roots"),
        ("self", Some("self.crt"), 1, Grade::Good, "holds until"),
        ("own", None, 1, Grade::Amiss, "it is self-signed, and not among this system's roots"),
        ("own", Some("own.crt"), 1, Grade::Good, "holds until"),
    ] {
        let index = names.iter().position(|other| *other == name).unwrap();
        let url: reqwest::Url = nginx.url(index).parse().unwrap();
        let origin = url.socket_addrs(|| None).unwrap()[0];
        let moment = if day < 0 { begun.minus(DAY) } else { begun.plus(DAY * day.unsigned_abs()) };
        let finding = run(certificate(at, origin, ca, moment));
        assert_eq!(finding.grade, grade, "{name} {ca:?} {day}: {finding:?}");
        assert!(finding.seen.contains(seen), "{name} {ca:?} {day}: {finding:?}");
    }
}

#[test]
#[ignore = "needs openssl: tests/all.sh runs it"]
fn what_openssl_makes_weak_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let at = dir.path();
    openssl(at, "req -x509 -newkey rsa:2048 -nodes -days 365 -subj /CN=MillCA -keyout ca.key -out ca.crt");
    for (name, key, digest, weak) in [
        ("sha256", "-newkey rsa:2048", "-sha256", &[][..]),
        ("pss", "-newkey rsa:2048", "-sha256 -sigopt rsa_padding_mode:pss", &[]),
        ("p384", "-newkey ec -pkeyopt ec_paramgen_curve:secp384r1", "-sha384", &[]),
        ("ed25519", "-newkey ed25519", "-sha256", &[]),
        ("small", "-newkey rsa:1024", "-sha256", &["RSA of 1024 bits"]),
        ("odd", "-newkey rsa:2047", "-sha256", &["RSA of 2047 bits"]),
        ("sha1", EC, "-sha1", &["it is signed by RSA with SHA-1"]),
        ("md5", EC, "-md5", &["it is signed by RSA with MD5"]),
        (
            "psssha1",
            EC,
            "-sha1 -sigopt rsa_padding_mode:pss",
            &["it is signed by RSASSA-PSS with the hash 1.3.14.3.2.26"],
        ),
        ("curve", "-newkey ec -pkeyopt ec_paramgen_curve:secp256k1", "-sha256", &["the elliptic curve 1.3.132.0.10"]),
        ("both", "-newkey rsa:1024", "-sha1", &["RSA of 1024 bits", "it is signed by RSA with SHA-1"]),
    ] {
        make(at, name, NAME, true, key, digest);
        let der = CertificateDer::from_pem_file(at.join(format!("{name}.crt"))).unwrap();
        let ca = CertificateDer::from_pem_file(at.join("ca.crt")).unwrap();
        let seen = read(&[der], &Roots::new(vec![ca], false), now()).unwrap();
        assert_eq!(seen.weak, weak, "{name}");
    }
}
