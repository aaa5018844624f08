//! The secret stays in its file.

use std::fs;

use data_encoding::{HEXLOWER, HEXUPPER};

use crate::background::Daemon;
use crate::common::{SECRET, SECRET_BASE64, set};
use crate::mill::{HOME, Mill, wait_until};
use crate::trace;

/// Whether `bytes` hold the secret in any form in which it could get out.
fn tells(bytes: &[u8]) -> bool {
    let forms = [SECRET.to_vec(), SECRET_BASE64.into(), HEXLOWER.encode(SECRET).into(), HEXUPPER.encode(SECRET).into()];
    // As Rust shows bytes to those who debug.
    let listed = format!("{SECRET:?}");
    let listed = listed.trim_matches(['[', ']']).as_bytes().to_vec();
    forms.into_iter().chain([listed]).any(|form| bytes.windows(form.len()).any(|window| window == form))
}

#[track_caller]
fn kept_in(mill: &Mill, outputs: &[String]) {
    for output in outputs {
        assert!(!tells(output.as_bytes()), "{output}");
    }
    let files: Vec<_> = mill.listing().into_keys().filter(|path| path.is_file()).collect();
    let telling: Vec<_> = files.iter().filter(|path| tells(&fs::read(path).unwrap())).collect();
    assert_eq!(telling, [&mill.path("gauge.key")]);
}

#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn no_command_tells_the_secret() {
    let mill = Mill::new();
    let commands: [&[&str]; 12] = [
        &["config", "show"],
        &["config", "show", "--json"],
        &["config", "check", "-vv"],
        &["locate", "-vv"],
        &["preview", "-vv"],
        &["preview", "--json", "-vv"],
        &["sync", "-vv"],
        &["sync", "--json", "-vv"],
        &["audit", "show"],
        &["audit", "show", "--json"],
        &["audit", "verify", "-vv"],
        &["preview", "-vv"],
    ];
    let mut said = Vec::new();
    for command in commands {
        let done = mill.run(command).exits(0);
        said.extend([done.stdout, done.stderr]);
    }
    assert!(said[0].contains("provider.home.key.secret") && said[0].contains("gauge.key"), "{}", said[0]);

    // Refused by the server, in every way that concerns the key.
    for edit in
        [("\"gauge-key\"", "\"gouge-key\""), ("hmac-sha256", "hmac-sha512"), ("gauge.heronmill", "mill.heronmill")]
    {
        mill.configure(&[edit]);
        let done = mill.run(&["sync", "-vv"]).exits(77);
        said.extend([done.stdout, done.stderr]);
    }
    // A key where no key belongs.
    mill.configure(&[("kind = \"rfc2136\"", "kind = \"rfc2137\"")]);
    let done = mill.run(&["config", "check", "-vv"]).exits(78);
    said.extend([done.stdout, done.stderr]);

    mill.configure(&[]);
    mill.home_is("203.0.113.78");
    let daemon = Daemon::spawn(&mut mill.command(&[], &["daemon", "-vv"]));
    wait_until("the name", Some(set(120, &["203.0.113.78"])), || mill.gauge());
    said.push(String::from_utf8_lossy(&fs::read(format!("/proc/{}/cmdline", daemon.pid())).unwrap()).into_owned());
    daemon.signal(rustix::process::Signal::HUP);
    daemon.says("configuration reloaded");
    said.push(daemon.stop());
    kept_in(&mill, &said);
}

/// A secret from the environment is not handed on to a reload command either.
#[test]
#[ignore = "needs named and nginx: tests/all.sh runs it"]
fn a_secret_from_the_environment_stays_with_the_program() {
    let mill = Mill::new();
    let shown = mill.path("environment");
    fs::write(
        mill.path("shelf.zone"),
        "$ORIGIN shelf.example.\n$TTL 300\n@ SOA ns h 1 2 3 4 5\n@ NS ns\nns A 127.0.0.1\n",
    )
    .unwrap();
    let reload = format!("reload = [\"sh\", \"-c\", \"env > '{}'\"]", shown.display());
    let shelf = format!(
        "[provider.shelf]\nkind = \"zonefile\"\nconfirm = \"off\"\nzone = \"shelf.example\"\nfile = \"shelf.zone\"\n{reload}\n\
         [[record]]\nname = \"low.shelf.example\"\ntypes = [\"A\"]\nprovider = \"shelf\"\nttl = \"1m\"\n[[record]]"
    );
    mill.configure(&[("{ file = \"gauge.key\" }", "{ env = \"GAUGE_SECRET\" }"), ("[[record]]", &shelf)]);
    let file = tempfile::NamedTempFile::new().unwrap();
    let prefix = trace::prefix(&["execve"], file.path());
    let mut command = mill.command(&crate::mill::words(&prefix), &["sync", "-vv"]);
    let output = command.env("GAUGE_SECRET", SECRET_BASE64).output().unwrap();
    let said = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap());
    assert_eq!(output.status.code(), Some(0), "{said:?}");
    assert_eq!(mill.gauge(), Some(set(120, &[HOME])));
    assert!(fs::read_to_string(shown).unwrap().contains("PATH="), "the reload command ran");
    // No argument of any program that was run.
    let calls = trace::parse(&fs::read_to_string(file.path()).unwrap());
    assert!(calls.len() > 1 && calls.iter().all(|call| !tells(&call.bytes())));
    kept_in(&mill, &said);
}
