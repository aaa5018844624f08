//! The page in a real browser, looked at by axe-core.

use std::fs;

use fingerpost::status::{Status, page};
use serde_json::{Value, json};

use crate::chromium::Browser;
use crate::living::until;
use crate::{AWAY, Mill, page_of};

/// The rules of axe-core, which tests/all.sh gets from the registry.
fn axe() -> String {
    let path = std::env::var_os("TESTS_AXE").expect("TESTS_AXE names axe.min.js of axe-core");
    fs::read_to_string(path).unwrap()
}

/// What axe finds: the rule, and where it is broken.
fn violations(browser: &Browser) -> Vec<String> {
    browser.run(&axe());
    let script = "const done = arguments[arguments.length - 1]; axe.run(document).then(found => \
                  done(found.violations.map(one => one.id + ': ' + one.nodes.map(node => node.html).join(' | '))))";
    let found = browser.call("POST", "/execute/async", json!({ "script": script, "args": [] }));
    found.as_array().unwrap().iter().map(|one| one.as_str().unwrap().to_owned()).collect()
}

#[test]
#[ignore = "needs chromium, chromedriver and axe-core: tests/all.sh runs it"]
fn a_change_appears_by_itself_and_everybody_can_read_it() {
    let mill = Mill::new("[status]\nlisten = \"127.0.0.1:0\"\n");
    let daemon = mill.daemon();
    let url = format!("http://{}/", page_of(&daemon));
    let browser = Browser::start(&[]);
    browser.open(&url);
    let text = || browser.run("return document.body.innerText").as_str().unwrap().to_owned();
    assert!(text().contains("The home is at 203.0.113.77 since "), "{}", text());
    browser.run("window.marked = true; document.querySelector('main').dataset.old = 'yes'");
    mill.moves_to(AWAY);
    until("the change", || text().contains("The home is at 203.0.113.9 since "));
    // The same document, with another inside.
    assert_eq!(browser.run("return [window.marked, document.querySelector('main').dataset.old]"), json!([true, null]));
    assert_eq!(violations(&browser), Vec::<String>::new());
    // Everything came from here, and nothing was refused by the page's own policy.
    let foreign = "return performance.getEntriesByType('resource').map(one => one.name)";
    let names = browser.run(foreign);
    assert!(names.as_array().unwrap().iter().all(|name| name.as_str().unwrap().starts_with(&url)), "{names}");
    daemon.stop();
    until("the word that it is old", || text().contains("The daemon does not answer"));
}

#[test]
#[ignore = "needs chromium and chromedriver: tests/all.sh runs it"]
fn it_is_whole_without_a_script() {
    let mill = Mill::new("[status]\nlisten = \"127.0.0.1:0\"\n");
    let daemon = mill.daemon();
    let browser = Browser::start(&["--blink-settings=scriptEnabled=false"]);
    browser.open(&format!("http://{}/", page_of(&daemon)));
    let source = browser.call("GET", "/source", Value::Null).as_str().unwrap().to_owned();
    assert!(source.contains("The home is at 203.0.113.77 since "), "{source}");
    assert!(source.contains("class=\"arm hanging\"") && source.contains("class=\"agreed\""), "{source}");
    daemon.stop();
}

/// A page with everything on it, and every text in it hostile.
#[test]
#[ignore = "needs chromium, chromedriver and axe-core: tests/all.sh runs it"]
fn every_width_and_every_word() {
    let mut status: Status = serde_json::from_str(include_str!("status.json")).unwrap();
    let hostile = "\"><script>window.evil=1</script><img src=x onerror=window.evil=1>'{{7*7}}";
    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(dir.path().join(name), text).unwrap();
    write("style.css", page::STYLE);
    write("plain.html", &page::render(&status));
    status.sentence = hostile.to_owned();
    status.needs = vec![hostile.to_owned()];
    for record in &mut status.records {
        (record.note, record.behind) = (hostile.to_owned(), vec![hostile.to_owned()]);
        record.at_provider = vec![hostile.to_owned()];
    }
    for home in &mut status.homes {
        home.agreed = vec![hostile.to_owned()];
        home.dissent.iter_mut().for_each(|said| said.operator = hostile.to_owned());
    }
    for witness in &mut status.witnesses {
        (witness.name, witness.operator) = (hostile.to_owned(), hostile.to_owned());
    }
    for check in &mut status.exposure {
        (check.seen, check.todo, check.about) = (hostile.to_owned(), hostile.to_owned(), hostile.to_owned());
    }
    for provider in &mut status.providers {
        (provider.name, provider.trouble) = (hostile.to_owned(), Some(hostile.to_owned()));
    }
    for line in &mut status.log.last {
        line.text = hostile.to_owned();
    }
    for stay in &mut status.stays {
        stay.address = Some(hostile.to_owned());
    }
    status.log.flaw = Some(hostile.to_owned());
    write("hostile.html", &page::render(&status));
    let url = |name: &str| format!("file://{}/{name}", dir.path().display());

    for (scheme, setting) in
        [("light", "--blink-settings=preferredColorScheme=1"), ("dark", "--blink-settings=preferredColorScheme=0")]
    {
        let browser = Browser::start(&[setting]);
        for width in [390, 768, 1280] {
            browser.resize(width, 1600);
            browser.open(&url("plain.html"));
            assert_eq!(violations(&browser), Vec::<String>::new(), "{width} {scheme}");
            // Nothing is wider than the window.
            let wide =
                browser.run("return document.documentElement.scrollWidth - document.documentElement.clientWidth");
            assert_eq!(wide, json!(0), "{width} {scheme}");
            let seen = browser.run("return matchMedia('(prefers-color-scheme: dark)').matches");
            assert_eq!(seen, json!(scheme == "dark"));
            browser.shoot(&format!("{width}-{scheme}.png"));
            // On paper it is dark on light, whatever the screen is, and no wider than the sheet.
            browser.media("print");
            let paper = "return [getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color, \
                         document.documentElement.scrollWidth - document.documentElement.clientWidth]";
            assert_eq!(browser.run(paper), json!(["rgb(255, 255, 255)", "rgb(0, 0, 0)", 0]), "{width} {scheme}");
            assert_eq!(violations(&browser), Vec::<String>::new(), "{width} {scheme}, printed");
            browser.shoot(&format!("{width}-{scheme}-print.png"));
            browser.media("");
            browser.open(&url("hostile.html"));
            let evil = "return [window.evil, document.querySelectorAll('img, main script').length, \
                        document.documentElement.scrollWidth - document.documentElement.clientWidth]";
            assert_eq!(browser.run(evil), json!([null, 0, 0]), "{width} {scheme}");
            let text = browser.run("return document.body.innerText");
            assert!(
                text.as_str().unwrap().contains("<script>window.evil=1</script>")
                    && !text.as_str().unwrap().contains("49")
            );
        }
    }
}
