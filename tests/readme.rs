//! What the README shows is so: its configuration loads, its key statements are taken by the servers, and what it
//! says the rehearsal prints, the rehearsal prints.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use fingerpost::config::load::{Sources, load};
use fingerpost::settings::Config;
use fingerpost::watch::vote::needed;
use rustix::process::{Pid, Signal, kill_process};

fn readme() -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap()
}

/// The fenced blocks of the README in `language`, without their indentation.
fn blocks(language: &str) -> Vec<String> {
    let (mut blocks, mut open): (Vec<String>, Option<usize>) = (Vec::new(), None);
    for line in readme().lines() {
        let bare = line.trim_start();
        match open {
            None if bare == format!("```{language}") => {
                blocks.push(String::new());
                open = Some(line.len() - bare.len());
            }
            Some(_) if bare == "```" => open = None,
            Some(indent) => {
                let block = blocks.last_mut().unwrap();
                block.push_str(line.get(indent..).unwrap_or_default());
                block.push('\n');
            }
            None => {}
        }
    }
    blocks
}

/// What this configuration amounts to. The key's credential is there; anything that is wrong or remarked on fails.
fn loaded(text: &str) -> Config {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("fingerpost.toml");
    fs::write(&file, text).unwrap();
    for secret in ["gauge.key", "dnshost.token"] {
        fs::write(dir.path().join(secret), "aGVyb24gbWlsbCwgZ2F1Z2U6IDMyIGJ5dGVzIGxvbmc=\n").unwrap();
    }
    fs::create_dir(dir.path().join("providers")).unwrap();
    let description = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/providers/record.toml");
    fs::copy(description, dir.path().join("providers/record.toml")).unwrap();
    let credentials_dir = Some(dir.path().to_owned());
    let loaded = load(&Sources { file, credentials_dir, ..Sources::default() }).unwrap();
    assert!(loaded.notes.is_empty(), "{:?}", loaded.notes);
    loaded.config
}

#[test]
fn the_configuration_loads_without_a_remark() {
    let config = loaded(&blocks("toml")[0]);
    assert_eq!(config.witnesses.len(), 3);
    assert_eq!(config.records.len(), 1);
    let rounds = 24 * 60 * 60 / config.watch.every.as_secs();
    let requests = rounds * needed(3, config.watch.quorum) as u64;
    for number in
        [format!("{rounds} rounds"), format!("{requests} small HTTPS"), format!("{} an operator", requests / 3)]
    {
        assert!(readme().contains(&number), "{number}");
    }
}

#[test]
fn the_provider_with_a_description_stands_beside_it() {
    let blocks = blocks("toml");
    assert_eq!(loaded(&format!("{}{}", blocks[0], blocks[1])).providers.len(), 2);
}

#[test]
fn what_the_outside_is_asked_stands_beside_it() {
    let [whole, _, _, _, _, exposure] = blocks("toml").try_into().unwrap();
    let [edge] = blocks("toml edge").try_into().unwrap();
    let config = loaded(&format!("{whole}{edge}{exposure}")).exposure;
    assert_eq!((config.services.len(), config.resolvers.len()), (1, 2));
    assert!(config.services.iter().all(|service| service.front.is_some()) && config.helper.is_some());
    assert_eq!(config.every.as_secs(), 6 * 60 * 60, "as the text says");
}

#[test]
fn the_lease_stands_beside_it() {
    let blocks = blocks("toml");
    let standby = loaded(&format!("{}{}", blocks[0], blocks[2])).standby.unwrap();
    assert_eq!((standby.holder.as_str(), standby.lease.as_secs(), standby.names.len()), ("pi", 300, 1));
}

#[test]
fn the_other_witnesses_stand_beside_it_and_the_lines_in_its_place() {
    let [whole, _, _, witnesses, lines, _] = blocks("toml").try_into().unwrap();
    // An interface that is asked for IPv6 is of use when a record wants that.
    let both = whole.replace("types = [\"A\"]", "types = [\"A\", \"AAAA\"]");
    let config = loaded(&format!("{both}{witnesses}"));
    assert_eq!(config.witnesses.len(), 6);
    // As the text says, only the first operator of each line is shown.
    let (_, provider) = whole.split_once("[provider.home]").unwrap();
    let provider = provider.split("[[record]]").next().unwrap();
    let more: String = ["ferryman", "quayside"]
        .iter()
        .flat_map(|operator| {
            ["fibre", "radio"].map(|line| {
                format!(
                    "[[witness]]\nname = \"{operator}-{line}\"\noperator = \"{operator}\"\nkind = \"http\"\n\
                 url = \"https://{operator}.example/\"\nline = \"{line}\"\n"
                )
            })
        })
        .collect();
    let config = loaded(&format!("[provider.home]{provider}{lines}{more}"));
    assert_eq!((config.lines.len(), config.witnesses.len()), (2, 6));
    assert_eq!(config.records[0].lines, [Some("fibre".to_owned()), Some("radio".to_owned())]);
    assert_eq!(config.watch.return_after.as_secs(), 600, "ten minutes");
}

#[test]
fn the_page_and_the_message_stand_beside_it() {
    let [status] = blocks("toml status").try_into().unwrap();
    let config = loaded(&format!("{}{status}", blocks("toml")[0]));
    assert!(config.status.listen.is_some() && config.messages.len() == 1);
    assert_eq!(config.messages[0].quiet.unwrap().until, 7 * 60);
    let image = Path::new(env!("CARGO_MANIFEST_DIR")).join("packaging/page.png");
    assert!(readme().contains("](packaging/page.png)") && image.exists());
}

/// The firewall is a listing in a file, in which one rule was forgotten and one range is missing.
#[test]
fn the_comparison_prints_what_is_shown() {
    let [edge] = blocks("toml edge").try_into().unwrap();
    let whole = blocks("toml")[0].clone();
    let config = loaded(&format!("{whole}{edge}"));
    assert_eq!((config.edges.len(), config.edges[0].sources.len()), (1, 2));
    let every = config.allowlist.map(|allowlist| allowlist.every.as_secs());
    assert!(every == Some(86_400) && readme().contains("by itself once a day"));

    let dir = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| fs::write(dir.path().join(name), text).unwrap();
    let here = edge
        .replace("url = \"https://weir.example/ranges.txt\"", "file = \"ranges.txt\"")
        .replace("/etc/fingerpost/", "")
        .replace("\"/usr/sbin/nft\", \"-j\", \"list\", \"ruleset\"", "\"cat\", \"ruleset.json\"");
    let lab =
        "state_dir = \"state\"\n[watch]\naccept_special = [\"192.0.2.0/24\", \"203.0.113.0/24\", \"2001:db8::/32\"]\n";
    write("fingerpost.toml", &format!("{lab}{whole}{here}"));
    write("gauge.key", "aGVyb24gbWlsbCwgZ2F1Z2U6IDMyIGJ5dGVzIGxvbmc=\n");
    write("ranges.txt", "192.0.2.0/24\n2001:db8:e::/48\n");
    write("friends.txt", "# nobody else\n203.0.113.200\n");
    let rule = |handle: u32, comment: &str, protocol: &str, address: &str, length: u8| {
        let left = serde_json::json!({ "payload": { "protocol": protocol, "field": "saddr" } });
        let right = serde_json::json!({ "prefix": { "addr": address, "len": length } });
        let expr = serde_json::json!([{ "match": { "op": "==", "left": left, "right": right } }, { "accept": null }]);
        let mut rule = serde_json::json!({ "family": "inet", "table": "filter", "chain": "input", "handle": handle, "expr": expr });
        if !comment.is_empty() {
            rule["comment"] = comment.into();
        }
        serde_json::json!({ "rule": rule })
    };
    let chain = serde_json::json!({ "chain": { "family": "inet", "table": "filter", "name": "input", "handle": 1, "type": "filter", "hook": "input", "prio": 0, "policy": "drop" } });
    let ruleset = serde_json::json!({ "nftables": [
        chain,
        rule(7, "only for a test", "ip", "203.0.113.0", 25),
        rule(4, "", "ip", "192.0.2.0", 25),
        rule(5, "", "ip", "203.0.113.200", 32),
        rule(6, "", "ip6", "2001:db8:e::", 48),
    ] });
    write("ruleset.json", &ruleset.to_string());
    let run = |command: &str| {
        let mut program = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
        program.args(["--config", "fingerpost.toml", "allowlist", command]).current_dir(dir.path());
        program.env("CREDENTIALS_DIRECTORY", dir.path()).output().unwrap()
    };
    let fetched = run("fetch");
    assert!(fetched.status.success(), "{fetched:?}");
    let compared = run("compare");
    assert_eq!(compared.status.code(), Some(1), "{compared:?}");
    assert_eq!(String::from_utf8(compared.stdout).unwrap(), blocks("text compare").concat());
}

#[test]
fn the_rehearsal_prints_what_is_shown() {
    let output = Command::new(env!("CARGO_BIN_EXE_fingerpost")).arg("rehearse").output().unwrap();
    assert!(output.status.success());
    let printed = String::from_utf8(output.stdout).unwrap();
    let blocks = blocks("text");
    assert_eq!(blocks.len(), 1);
    for line in blocks[0].lines() {
        assert!(printed.lines().any(|printed| printed == line), "not printed: {line:?}\nin:\n{printed}");
    }
    let last = printed.lines().last().unwrap();
    assert!(readme().contains(&format!("It ends with `{last}`")), "{last}");
}

/// Ends with this value, however the test ends.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn kept_running_it_says_how_to_query_it_in_the_one_document() {
    let mut command = Command::new(env!("CARGO_BIN_EXE_fingerpost"));
    let mut rehearsal = Running(command.args(["rehearse", "--keep", "--json"]).stdout(Stdio::piped()).spawn().unwrap());
    let mut stdout = rehearsal.0.stdout.take().unwrap();
    let (mut printed, mut chunk) = (Vec::new(), [0; 4096]);
    let document = loop {
        let count = stdout.read(&mut chunk).unwrap();
        assert!(count > 0, "it ended");
        printed.extend(&chunk[..count]);
        if let Ok(document) = serde_json::from_slice::<serde_json::Value>(&printed) {
            break document;
        }
    };
    let look = document["look"].as_array().unwrap();
    let ours = || look.iter().filter_map(|command| command.as_str()?.strip_prefix("fingerpost "));
    let preview = ours().find(|command| command.ends_with(" preview")).unwrap();
    let looked = Command::new(env!("CARGO_BIN_EXE_fingerpost")).args(preview.split(' ')).output().unwrap();
    let told = String::from_utf8(looked.stdout).unwrap();
    assert!(told.contains("gauge.heronmill.example") && told.ends_with("Nothing was written.\n"), "{told}");
    // The page, as a browser gets it.
    let page = look.iter().find_map(|line| line.as_str()?.strip_prefix("http://")).unwrap().trim_end_matches('/');
    let mut stream = std::net::TcpStream::connect(page).unwrap();
    std::io::Write::write_all(&mut stream, format!("GET / HTTP/1.1\r\nHost: {page}\r\n\r\n").as_bytes()).unwrap();
    let mut told = String::new();
    stream.read_to_string(&mut told).unwrap();
    assert!(told.starts_with("HTTP/1.1 200 ") && told.contains("<h1>fingerpost</h1>"), "{told}");
    kill_process(Pid::from_child(&rehearsal.0), Signal::INT).unwrap();
    assert!(rehearsal.0.wait().unwrap().success());
    stdout.read_to_end(&mut printed).unwrap();
    assert!(serde_json::from_slice::<serde_json::Value>(&printed).is_ok());
}

#[test]
fn every_command_line_shown_is_one_that_the_program_takes() {
    use clap::Parser as _;
    let text = readme();
    let shown: Vec<&str> = text
        .split('`')
        .skip(1)
        .step_by(2)
        .filter_map(|code| code.strip_prefix("sudo ").unwrap_or(code).strip_prefix("fingerpost "))
        .collect();
    assert!(shown.len() > 5, "{shown:?}");
    for arguments in shown {
        let line = std::iter::once("fingerpost").chain(arguments.split_whitespace());
        assert!(fingerpost::cli::Cli::try_parse_from(line).is_ok(), "fingerpost {arguments}");
    }
}

fn in_temp(name: &str, text: &str) -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(name);
    fs::write(&path, text).unwrap();
    (dir, path)
}

#[test]
#[ignore = "needs named: tests/all.sh runs it"]
fn bind_takes_the_key_statement() {
    let blocks = blocks("bind");
    assert_eq!(blocks.len(), 1);
    let key = Command::new("tsig-keygen").args(["-a", "hmac-sha256", "gauge-key"]).output().expect("tsig-keygen");
    assert!(key.status.success());
    let (_dir, path) = in_temp("named.conf", &(String::from_utf8(key.stdout).unwrap() + &blocks[0]));
    let checked = Command::new("named-checkconf").arg(&path).output().expect("named-checkconf");
    assert!(checked.status.success() && checked.stdout.is_empty(), "{checked:?}");
}

#[test]
#[ignore = "needs knotd: tests/all.sh runs it"]
fn knot_takes_the_key_statement() {
    let blocks = blocks("knot");
    assert_eq!(blocks.len(), 1);
    let key = Command::new("keymgr").args(["-t", "gauge-key", "hmac-sha256"]).output().expect("keymgr");
    assert!(key.status.success());
    let (_dir, path) = in_temp("knot.conf", &(String::from_utf8(key.stdout).unwrap() + &blocks[0]));
    let checked = Command::new("knotc").arg("-c").arg(&path).arg("conf-check").output().expect("knotc");
    assert!(checked.status.success(), "{checked:?}");
}

/// Whoever opens the source for the first time finds each room of it on the map, and in the table.
#[test]
fn every_room_is_on_the_map_and_in_the_table() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let text = |file: &str| fs::read_to_string(root.join(file)).unwrap();
    let table = text("DEVELOPERS.md");
    let names = |directory: &str| -> Vec<String> {
        let entries = fs::read_dir(root.join(directory)).unwrap();
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
    };
    // A name as it stands between the marks of code, alone or at the beginning of a path.
    let told = |text: &str, name: &str| ["`", "/", ".rs"].iter().any(|end| text.contains(&format!("`{name}{end}")));
    for crate_of in ["src", "core/src"] {
        let map: String = text(&format!("{crate_of}/lib.rs")).lines().filter(|line| line.starts_with("//!")).collect();
        for entry in names(crate_of) {
            let room = entry.trim_end_matches(".rs");
            if !["lib", "main"].contains(&room) {
                assert!(told(&map, room), "{room} is not on the map of {crate_of}/lib.rs");
                assert!(told(&table, room), "{room} is not in DEVELOPERS.md");
            }
        }
    }
    for entry in names("packaging").iter().filter(|entry| !entry.ends_with(".png")) {
        assert!(told(&table, entry), "packaging/{entry} is not in DEVELOPERS.md");
    }
}
