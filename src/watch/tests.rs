use super::{Silence, Testimony, Watcher};
use crate::address::Family;
use crate::settings::{Extract, Quorum, Via, Witness, WitnessKind};
use crate::watch::vote::Outcome;
use std::net::{IpAddr, SocketAddr};
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Barrier;

const HOME: IpAddr = IpAddr::V4(std::net::Ipv4Addr::new(203, 0, 113, 7));
/// Nobody waits this long: tests of what times out run on paused time.
const LONG: Duration = Duration::from_secs(60);

fn witness(name: &str, operator: &str, url: &str) -> Witness {
    let kind = WitnessKind::Http { url: url.parse().unwrap(), extract: Extract::Body };
    Witness { name: name.into(), operator: operator.into(), line: None, families: vec![Family::Ipv4], kind }
}

fn watcher(witnesses: &[Witness], timeout: Duration) -> Watcher {
    Watcher::new(witnesses, &[], timeout, &["203.0.113.0/24".parse().unwrap()]).unwrap()
}

async fn ask(url: &str) -> Result<IpAddr, Silence> {
    watcher(&[witness("north", "north-collective", url)], LONG).ask(&[Family::Ipv4]).await.remove(0).said
}

/// Reads one request and gives its head.
async fn request(stream: &mut TcpStream) -> String {
    let mut head = Vec::new();
    while !head.ends_with(b"\r\n\r\n") {
        match stream.read_u8().await {
            Ok(byte) => head.push(byte),
            Err(_) => break,
        }
    }
    String::from_utf8(head).unwrap()
}

/// An echo service that answers each request by `answer`, given the path, and closes. Its address, and what it was asked.
async fn serve(answer: impl Fn(&str) -> String + Send + 'static) -> (SocketAddr, Arc<Mutex<Vec<String>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let (at, heard) = (listener.local_addr().unwrap(), Arc::new(Mutex::new(Vec::new())));
    let log = Arc::clone(&heard);
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let head = request(&mut stream).await;
            let answer = answer(head.split(' ').nth(1).unwrap_or_default());
            log.lock().unwrap().push(head);
            let _ = stream.write_all(answer.as_bytes()).await;
        }
    });
    (at, heard)
}

/// What comes of one answer, given as it goes over the wire.
async fn said(answer: impl Into<String>) -> Result<IpAddr, Silence> {
    let answer = answer.into();
    let (at, _) = serve(move |_| answer.clone()).await;
    ask(&format!("http://{at}/")).await
}

fn ok(body: &str) -> String {
    format!("HTTP/1.1 200 OK\r\nContent-Length: {}\r\n\r\n{body}", body.len())
}

#[tokio::test]
async fn answers_are_read_however_they_are_framed() {
    // RFC 9112, sections 6.3 and 7.1.
    assert_eq!(said(ok("203.0.113.7\n")).await, Ok(HOME));
    assert_eq!(said("HTTP/1.0 200 OK\r\n\r\n203.0.113.7").await, Ok(HOME));
    let chunks = "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n6\r\n203.0.\r\n5\r\n113.7\r\n0\r\n\r\n";
    assert_eq!(said(chunks).await, Ok(HOME));
}

#[tokio::test]
async fn a_broken_answer_is_no_answer() {
    for answer in [
        "",
        "hello\n",
        "HTTP/1.1 200 OK\r\nContent-Length: 12\r\n\r\n203.0.113.7",
        "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nb\r\n203.0.113.7\r\n",
        "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n203.0.113.7\r\n",
    ] {
        let said = said(answer).await;
        assert!(matches!(&said, Err(Silence::Unreachable(why)) if !why.is_empty() && !why.contains('\n')), "{said:?}");
    }
}

#[tokio::test]
async fn only_status_200_counts() {
    for status in [201, 204, 206, 302, 304, 400, 403, 404, 429, 500, 503] {
        let answer = format!("HTTP/1.1 {status} Whatever\r\nConnection: close\r\n\r\n203.0.113.7");
        assert_eq!(said(answer).await, Err(Silence::Status(status)));
    }
    // RFC 6585, section 6.
    let answer = "HTTP/1.1 511 Network Authentication Required\r\nConnection: close\r\n\r\n203.0.113.7";
    assert_eq!(said(answer).await, Err(Silence::CaptivePortal));
}

#[tokio::test]
async fn a_page_is_told_by_its_type_however_long_it_is() {
    for length in [10, 10_000] {
        let (page, kind) = ("x".repeat(length), "Content-Type: text/html\r\n");
        assert_eq!(said(format!("HTTP/1.0 200 OK\r\n{kind}\r\n{page}")).await, Err(Silence::CaptivePortal));
    }
}

#[tokio::test]
async fn a_long_answer_is_cut_off() {
    let padded = |length| format!("{:<length$}", "203.0.113.7");
    assert_eq!(said(ok(&padded(4096))).await, Ok(HOME));
    assert_eq!(said(ok(&padded(4097))).await, Err(Silence::TooLong(4096)));
}

#[tokio::test]
async fn nothing_beyond_the_limit_is_waited_for() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = listener.local_addr().unwrap();
    let server = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        request(&mut stream).await;
        let answer = format!("HTTP/1.1 200 OK\r\nContent-Length: 9999\r\n\r\n{}", "7".repeat(4097));
        stream.write_all(answer.as_bytes()).await.unwrap();
        // Nothing more comes from here until the other side has closed.
        let _ = stream.read_u8().await;
    });
    assert_eq!(ask(&format!("http://{at}/")).await, Err(Silence::TooLong(4096)));
    tokio::time::timeout(LONG, server).await.expect("the connection stayed open").unwrap();
}

#[tokio::test]
async fn an_endless_answer_is_hung_up_on() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = listener.local_addr().unwrap();
    let server = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        request(&mut stream).await;
        stream.write_all(b"HTTP/1.1 200 OK\r\n\r\n").await.unwrap();
        while stream.write_all(&[b'7'; 1024]).await.is_ok() {}
    });
    assert_eq!(ask(&format!("http://{at}/")).await, Err(Silence::TooLong(4096)));
    tokio::time::timeout(LONG, server).await.expect("the connection stayed open").unwrap();
}

#[tokio::test(start_paused = true)]
async fn a_slow_answer_times_out() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = listener.local_addr().unwrap();
    tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        request(&mut stream).await;
        for byte in ok("203.0.113.7").bytes() {
            tokio::time::sleep(Duration::from_secs(1)).await;
            stream.write_all(&[byte]).await.unwrap();
        }
    });
    let slow = watcher(&[witness("north", "north-collective", &format!("http://{at}/"))], Duration::from_secs(5));
    let testimony = slow.ask(&[Family::Ipv4]).await.remove(0);
    assert_eq!(testimony.said, Err(Silence::TimedOut(Duration::from_secs(5))));
    assert_eq!(testimony.said.unwrap_err().to_string(), "no answer within 5s");
}

#[tokio::test]
async fn redirects_are_followed_within_the_origin_only() {
    let found =
        |to: &str| format!("HTTP/1.1 302 Found\r\nLocation: {to}\r\nSet-Cookie: a=b\r\nConnection: close\r\n\r\n");
    let (at, heard) = serve(move |path| match path {
        "/3" => found("/2"),
        "/2" => found("./1"),
        "/1" => found("/0"),
        "/0" => ok("203.0.113.7"),
        "/4" => found("/3"),
        "/loop" => found("/loop"),
        "/port" => found("http://127.0.0.1:9/"),
        "/secure" => found("https://127.0.0.1/login?token=7"),
        _ => found("//portal.example/"),
    })
    .await;
    let ask = async |path: &str| ask(&format!("http://{at}{path}")).await;
    assert_eq!(ask("/3").await, Ok(HOME));
    for told in ["cookie", "referer"] {
        assert!(heard.lock().unwrap().iter().all(|head| !head.to_lowercase().contains(told)), "a {told} was sent");
    }
    assert_eq!(ask("/4").await, Err(Silence::TooManyRedirects(3)));
    assert_eq!(ask("/loop").await, Err(Silence::TooManyRedirects(3)));
    for (path, origin) in
        [("/port", "http://127.0.0.1:9"), ("/secure", "https://127.0.0.1"), ("/away", "http://portal.example")]
    {
        assert_eq!(ask(path).await, Err(Silence::RedirectedAway(origin.into())));
    }
}

#[tokio::test]
async fn a_request_says_who_asks_and_asks_for_nothing_kept() {
    let (at, heard) = serve(|_| ok("203.0.113.7")).await;
    ask(&format!("http://{at}/ip?v=4")).await.unwrap();
    let heard = heard.lock().unwrap()[0].to_lowercase();
    assert!(heard.starts_with("get /ip?v=4 http/1.1\r\n"), "{heard}");
    for line in [
        format!("host: {at}"),
        "accept: text/plain, */*;q=0.1".into(),
        "cache-control: no-cache".into(),
        format!("user-agent: fingerpost/{}", env!("CARGO_PKG_VERSION")),
    ] {
        assert!(heard.contains(&format!("\r\n{line}\r\n")), "{line} is not in {heard}");
    }
    assert_eq!(heard.lines().count(), 6, "{heard}");
}

#[tokio::test]
async fn every_question_has_a_connection_of_its_own() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/", listener.local_addr().unwrap());
    tokio::spawn(async move {
        let mut kept = Vec::new();
        // One answer a connection, and none is closed from here.
        while let Ok((mut stream, _)) = listener.accept().await {
            request(&mut stream).await;
            stream.write_all(ok("203.0.113.7").as_bytes()).await.unwrap();
            kept.push(stream);
        }
    });
    let watcher = watcher(&[witness("north", "north-collective", &url)], LONG);
    for _ in 0..2 {
        assert_eq!(watcher.ask(&[Family::Ipv4]).await[0].said, Ok(HOME));
    }
}

#[tokio::test]
async fn nobody_there_is_said_shortly() {
    let closed = TcpListener::bind("127.0.0.1:0").await.unwrap().local_addr().unwrap();
    let silence = ask(&format!("http://{closed}/")).await.unwrap_err();
    assert_eq!(silence.to_string(), "not reached: Connection refused");
    let silence = ask("http://[::1]/").await.unwrap_err();
    assert_eq!(silence.to_string(), "not reached: its host has no IPv4 address");
    let mut over_ipv6 = witness("north", "north-collective", "http://127.0.0.1/");
    over_ipv6.families = vec![Family::Ipv6];
    let said = watcher(&[over_ipv6], LONG).ask(&Family::BOTH).await.remove(0).said;
    assert_eq!(said.unwrap_err().to_string(), "not reached: its host has no IPv6 address");
}

#[tokio::test]
async fn https_is_never_plain() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = listener.local_addr().unwrap();
    tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        // A TLS handshake record (RFC 8446, section 5.1).
        assert_eq!(stream.read_u8().await.unwrap(), 22);
        stream.write_all(ok("203.0.113.7").as_bytes()).await.unwrap();
    });
    let silence = ask(&format!("https://{at}/")).await.unwrap_err().to_string();
    assert!(silence.starts_with("not reached: ") && !silence.contains('\n'), "{silence}");
}

#[tokio::test]
async fn all_are_asked_at_once_and_answer_in_order() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = listener.local_addr().unwrap();
    let all_in = Arc::new(Barrier::new(3));
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let all_in = Arc::clone(&all_in);
            tokio::spawn(async move {
                let path = request(&mut stream).await.split(' ').nth(1).unwrap().to_owned();
                all_in.wait().await;
                let _ = stream.write_all(ok(path.trim_start_matches('/')).as_bytes()).await;
            });
        }
    });
    let witnesses: Vec<_> = ["203.0.113.9", "203.0.113.7", "100.64.0.1"]
        .iter()
        .map(|answer| witness(&format!("says {answer}"), "weir", &format!("http://{at}/{answer}")))
        .collect();
    let testimony = watcher(&witnesses, LONG).ask(&Family::BOTH).await;
    let order: Vec<_> = testimony.iter().map(|one| one.witness.as_str()).collect();
    assert_eq!(order, ["says 203.0.113.9", "says 203.0.113.7", "says 100.64.0.1"]);
    assert_eq!(testimony[0].said, Ok([203, 0, 113, 9].into()));
    assert_eq!(testimony[1].said, Ok(HOME));
    assert!(matches!(testimony[2].said, Err(Silence::NotPublishable(_))));
}

#[tokio::test]
async fn a_witness_is_asked_for_its_families_only() {
    let mut both = witness("both", "weir", "http://127.0.0.1:9/");
    both.families = vec![Family::Ipv6, Family::Ipv4];
    let watcher = watcher(&[both, witness("four", "weir", "http://127.0.0.1:9/")], LONG);
    let asked = async |families: &[Family]| -> Vec<(String, Family)> {
        watcher.ask(families).await.into_iter().map(|one| (one.witness, one.family)).collect()
    };
    let (four, six) = (Family::Ipv4, Family::Ipv6);
    assert_eq!(asked(&[six, four]).await, [("both".into(), four), ("both".into(), six), ("four".into(), four)]);
    assert_eq!(asked(&[six]).await, [("both".into(), six)]);
    assert_eq!(asked(&[]).await, []);
}

#[test]
fn each_family_is_ruled_on_by_the_operators_configured_for_it() {
    let mut both = witness("both", "weir", "http://127.0.0.1:9/");
    both.families = Family::BOTH.to_vec();
    let watcher = watcher(&[both, witness("four", "sluice", "http://127.0.0.1:9/")], LONG);
    let says = |operator: &str, family, said: &str| Testimony {
        witness: "any".into(),
        operator: operator.into(),
        line: None,
        family,
        said: Ok(said.parse().unwrap()),
        alone: false,
        took: Duration::from_millis(12),
    };
    let testimony = [says("weir", Family::Ipv4, "203.0.113.7"), says("weir", Family::Ipv6, "2001:db8::7")];
    let rulings = watcher.rule(&testimony, &Family::BOTH, Quorum::Majority);
    assert_eq!(rulings[&Via::only(Family::Ipv4)].outcome, Outcome::TooFew);
    assert_eq!(rulings[&Via::only(Family::Ipv6)].outcome, Outcome::Agreed("2001:db8::7".parse().unwrap()));
    assert_eq!(
        serde_json::to_value(&testimony[0]).unwrap(),
        serde_json::json!({"witness": "any", "operator": "weir", "family": "ipv4", "address": "203.0.113.7",
            "silence": null, "took_ms": 12})
    );
}

/// Runs `test` again in a process of its own with `set` in its environment: changing one's own is not safe beside other
/// threads. In that process itself it says so and does nothing.
fn again(test: &str, set: &[(&str, String)]) -> bool {
    const CHILD: &str = "FINGERPOST_TEST_CHILD";
    if std::env::var_os(CHILD).is_some() {
        return true;
    }
    let mut child = Command::new(std::env::current_exe().unwrap());
    child.args(["--exact", &format!("watch::tests::{test}")]).env(CHILD, "1").envs(set.iter().cloned());
    let output = child.env_remove("no_proxy").env_remove("NO_PROXY").output().unwrap();
    let shown = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success() && shown.contains("1 passed"), "{shown}");
    false
}

#[test]
fn proxies_in_the_environment_are_ignored() {
    let closed = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let names = ["http_proxy", "https_proxy", "all_proxy", "HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"];
    let proxies = names.map(|name| (name, format!("http://{closed}/")));
    if again("proxies_in_the_environment_are_ignored", &proxies) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        assert_eq!(runtime.block_on(said(ok("203.0.113.7"))), Ok(HOME));
    }
}

#[test]
fn certificates_are_needed_by_https_witnesses_only() {
    let none = [("SSL_CERT_FILE", "/dev/null".to_owned()), ("SSL_CERT_DIR", "/dev/null".to_owned())];
    if again("certificates_are_needed_by_https_witnesses_only", &none) {
        let build = |url| Watcher::new(&[witness("north", "north-collective", url)], &[], LONG, &[]);
        assert!(build("http://echo.north.example/").is_ok());
        let error = build("https://echo.north.example/").unwrap_err().to_string();
        assert!(error.contains("No CA certificates") && error.contains("install"), "{error}");
    }
}
