//! Somebody is told, or cannot be: the rounds go on.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::TcpListener;
use std::os::unix::fs::PermissionsExt as _;
use std::sync::mpsc;
use std::thread;

use serde_json::Value;

use crate::living::{Daemon, until};
use crate::{AWAY, Mill};

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
         headers = {{ X-Key = \"key {{secret}}\" }}\nbody = '{{ \"what\": \"{{event}}\", \"text\": \"{{text}}\" }}'\n\
         secret = {{ file = \"token\" }}\n"
    )
}

fn with_token(mill: &Mill) {
    let path = mill.dir().join("token");
    fs::write(&path, "s3cret-of-the-mill\n").unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
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
    assert!(body["text"].as_str().unwrap().starts_with("cam.heronmill.example A is blocked: "), "{body}");
    mill.moves_to(AWAY);
    let next = told.recv().unwrap();
    assert!(next.contains("gauge.heronmill.example A is 203.0.113.9 now, and was 203.0.113.77"), "{next}");
    until("the mail", || fs::read_to_string(&inbox).is_ok_and(|mail| mail.contains("was 203.0.113.77")));
    let mail = fs::read_to_string(&inbox).unwrap();
    assert!(mail.starts_with("From: mill@heronmill.example\r\nTo: keeper@heronmill.example\r\n"), "{mail}");
    // It is remembered, so that the next start says nothing of it.
    until("the memory", || {
        fs::read_to_string(mill.dir().join("state/state.json")).unwrap().contains("blocked cam.heronmill.example A")
    });
    let log = daemon.log();
    daemon.stop();
    let mut daemon = Daemon::start(mill.dir());
    until("the first round", || {
        daemon.is_up() && String::from_utf8_lossy(&mill.run(&["status"]).stdout).contains("is at 203.0.113.9 ")
    });
    mill.moves_to(crate::HOME);
    assert!(told.recv().unwrap().contains("A is 203.0.113.77 now"), "and not that cam is blocked");
    let everything = [log, daemon.log(), fs::read_to_string(mill.dir().join("state/audit.jsonl")).unwrap()].concat();
    daemon.stop();
    let shown = mill.run(&["config", "show"]);
    let everything = everything + &String::from_utf8_lossy(&shown.stdout);
    assert!(!everything.contains("s3cret"), "{everything}");
}

#[test]
fn a_server_that_is_down_or_slow_or_broken_delays_no_round() {
    let (slow, _slow) = hook(None);
    let (broken, _told) = hook(Some("500 Internal Server Error"));
    let down = {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        format!("http://{}", listener.local_addr().unwrap())
    };
    let mill = Mill::new("");
    with_token(&mill);
    mill.configure(&(webhook("slow", &slow) + &webhook("broken", &broken) + &webhook("down", &down)));
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
    let log = daemon.log();
    assert!(log.contains("it answers with status 500; it is tried again"), "{log}");
    assert!(!log.contains("s3cret") && !log.contains("message slow"), "{log}");
    mill.moves_to(AWAY);
    until("the record", || fs::read_to_string(mill.dir().join("zone")).unwrap().contains("203.0.113.9"));
    daemon.stop();
}
