//! Somebody is told, or cannot be: the rounds go on.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{IpAddr, TcpListener};
use std::os::unix::fs::PermissionsExt as _;
use std::sync::mpsc;
use std::thread;

use serde_json::{Value, json};

use crate::living::{Daemon, until};
use crate::{AWAY, HOME, Mill};

/// A server that gives this status to every request and hands it on; none to those it leaves waiting.
fn hook(answer: Option<&'static str>) -> (String, mpsc::Receiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    let (tell, told) = mpsc::channel();
    thread::spawn(move || {
        let mut kept = Vec::new();
        for stream in listener.incoming() {
            let mut stream = stream.unwrap();
            let Some(answer) = answer else {
                kept.push(stream);
                continue;
            };
            let mut text = String::new();
            let mut chunk = [0; 4096];
            while !text.contains("\r\n\r\n") || !text.ends_with('}') {
                match stream.read(&mut chunk) {
                    Ok(count) if count > 0 => text.push_str(&String::from_utf8_lossy(&chunk[..count])),
                    _ => break,
                }
            }
            let _ = write!(stream, "HTTP/1.1 {answer}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
            if tell.send(text).is_err() {
                return;
            }
        }
    });
    (url, told)
}

fn webhook(name: &str, url: &str) -> String {
    format!(
        "[[message]]\nname = \"{name}\"\nby = \"webhook\"\nurl = \"{url}/{{secret}}\"\ntimeout = \"20s\"\n\
         headers = {{ X-Key = \"key {{secret}}\" }}\nbody = '{{ \"what\": \"{{event}}\", \"say\": \"{{text}}\" }}'\n\
         secret = {{ file = \"token\" }}\n"
    )
}

fn with_token(mill: &Mill) {
    let path = mill.dir().join("token");
    fs::write(&path, "s3cret-of-the-mill\n").unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
}

/// Waits until the next start will know that the keeper was told of the blocked record, and where gauge leads.
#[track_caller]
fn is_remembered(mill: &Mill, gauge: IpAddr) {
    until("the memory", || {
        let text = fs::read_to_string(mill.dir().join("state/state.json")).unwrap();
        let past = &serde_json::from_str::<Value>(&text).unwrap()["told"]["keeper"];
        past["causes"] == json!([{ "cause": "blocked", "record": "cam.heronmill.example A" }])
            && past["published"]["gauge.heronmill.example A"] == json!([gauge])
    });
}

#[test]
fn a_person_is_told_once_and_no_secret_is_anywhere() {
    let (url, told) = hook(Some("204 No Content"));
    let mill = Mill::new("");
    with_token(&mill);
    let inbox = mill.dir().join("inbox");
    let mail = format!(
        "[[message]]\nname = \"post\"\nby = \"mail\"\nto = \"keeper@heronmill.example\"\n\
         from = \"mill@heronmill.example\"\ncommand = [\"tee\", \"-a\", {inbox:?}]\nevents = [\"changed\"]\n"
    );
    mill.configure(&(webhook("keeper", &url) + &mail));
    let daemon = mill.daemon();
    let first = told.recv().unwrap();
    assert!(first.starts_with("POST /s3cret-of-the-mill HTTP/1.1\r\n"), "{first}");
    assert!(first.contains("x-key: key s3cret-of-the-mill\r\n"), "{first}");
    let body: Value = serde_json::from_str(first.split("\r\n\r\n").nth(1).unwrap()).unwrap();
    assert_eq!(body["what"], "blocked");
    assert!(body["say"].as_str().unwrap().starts_with("cam.heronmill.example A is blocked: "), "{body}");
    mill.moves_to(AWAY);
    let next = told.recv().unwrap();
    assert!(next.contains("gauge.heronmill.example A is 203.0.113.9 now, and was 203.0.113.77"), "{next}");
    until("the mail", || fs::read_to_string(&inbox).is_ok_and(|mail| mail.contains("was 203.0.113.77")));
    let mail = fs::read_to_string(&inbox).unwrap();
    assert!(mail.starts_with("From: mill@heronmill.example\r\nTo: keeper@heronmill.example\r\n"), "{mail}");
    // It is remembered, so that the next start says nothing of it.
    is_remembered(&mill, AWAY);
    let log = daemon.log();
    daemon.stop();
    let mut daemon = Daemon::start(mill.dir());
    until("the first round", || {
        daemon.is_up() && String::from_utf8_lossy(&mill.run(&["status"]).stdout).contains("is at 203.0.113.9 ")
    });
    mill.moves_to(HOME);
    let next = told.recv().unwrap();
    assert!(next.contains("A is 203.0.113.77 now"), "and not that cam is blocked: {next}");
    // What changed while it was down is told when it is back.
    is_remembered(&mill, HOME);
    let log = log + &daemon.log();
    daemon.stop();
    mill.moves_to(AWAY);
    let daemon = Daemon::start(mill.dir());
    assert!(told.recv().unwrap().contains("A is 203.0.113.9 now, and was 203.0.113.77"));
    let everything = [log, daemon.log(), fs::read_to_string(mill.dir().join("state/audit.jsonl")).unwrap()].concat();
    daemon.stop();
    let shown = mill.run(&["config", "show"]);
    let everything = everything + &String::from_utf8_lossy(&shown.stdout);
    assert!(!everything.contains("s3cret"), "{everything}");
}

#[test]
fn a_server_that_is_down_or_slow_or_broken_delays_nobody_else() {
    let (slow, _slow) = hook(None);
    let (broken, _told) = hook(Some("500 Internal Server Error"));
    let down = {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        format!("http://{}", listener.local_addr().unwrap())
    };
    let mill = Mill::new("");
    with_token(&mill);
    let (good, told) = hook(Some("204 No Content"));
    let all = [("slow", slow), ("broken", broken), ("down", down), ("good", good)];
    mill.configure(&all.iter().map(|(name, url)| webhook(name, url)).collect::<String>());
    let daemon = mill.daemon();
    let rounds = || {
        let said: Value = serde_json::from_slice(&mill.run(&["status", "--json"]).stdout).unwrap();
        said["rounds"].as_u64().unwrap()
    };
    // The slow one takes all of its twenty seconds meanwhile.
    let before = rounds();
    until("five more rounds", || rounds() >= before + 5);
    until("the failures", || {
        let log = daemon.log();
        log.matches("message broken: ").count() == 1 && log.matches("message down: ").count() == 1
    });
    mill.moves_to(AWAY);
    until("the record", || fs::read_to_string(mill.dir().join("zone")).unwrap().contains("203.0.113.9"));
    // Whom it is not slow for hears of it meanwhile.
    assert!(told.recv().unwrap().contains("cam.heronmill.example A is blocked"));
    assert!(told.recv().unwrap().contains("gauge.heronmill.example A is 203.0.113.9 now"));
    let log = daemon.log();
    assert!(log.contains("it answers with status 500; it is tried again"), "{log}");
    assert!(!log.contains("s3cret") && !log.contains("message slow"), "{log}");
    daemon.stop();
}

#[test]
fn neither_a_start_nor_a_reload_takes_what_it_has_not_seen_for_over() {
    let (url, told) = hook(Some("204 No Content"));
    let mill = Mill::new("");
    with_token(&mill);
    mill.configure(&webhook("keeper", &url));
    // So that no record has been looked at when the first round is told of.
    let path = mill.dir().join("fingerpost.toml");
    let text = fs::read_to_string(&path).unwrap().replace("settle = 1", "settle = 3\nsettle_every = \"500ms\"");
    fs::write(&path, text).unwrap();
    let rounds = || {
        let output = mill.run(&["status", "--json"]).stdout;
        serde_json::from_slice::<Value>(&output).ok().and_then(|status| status["rounds"].as_u64())
    };
    let daemon = Daemon::start(mill.dir());
    assert!(told.recv().unwrap().contains("cam.heronmill.example A is blocked"));
    is_remembered(&mill, HOME);
    daemon.stop();
    mill.moves_to(AWAY);
    let daemon = Daemon::start(mill.dir());
    assert!(told.recv().unwrap().contains("A is 203.0.113.9 now, and was 203.0.113.77"));
    is_remembered(&mill, AWAY);
    daemon.reload();
    until("the reload", || daemon.log().contains("configuration reloaded"));
    let before = rounds().unwrap();
    until("three more rounds", || rounds().is_some_and(|now| now >= before + 3));
    mill.moves_to(HOME);
    let next = told.recv().unwrap();
    assert!(next.contains("A is 203.0.113.77 now"), "{next}");
    daemon.stop();
}
