//! What a process of the program takes at most when somebody sends it as much as it takes: less than the unit lets it have.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/transfer.rs"]
mod transfer;

use std::borrow::Cow;
use std::fs::{self, File, Permissions};
use std::io::{BufRead as _, BufReader, BufWriter, Write as _};
use std::mem::MaybeUninit;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::process::Command;
use std::thread;

use fingerpost::address::Family;
use fingerpost::provider::listing::{Part, ROOM, ZoneRecord};
use fingerpost::settings::Via;
use fingerpost::state::State;
use transfer::serve;

/// What the unit lets the daemon have, in KiB.
fn allowed() -> u64 {
    let unit = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/systemd/fingerpost.service")).unwrap();
    let megabytes = unit.lines().find_map(|line| line.strip_prefix("MemoryMax=")?.strip_suffix('M')).unwrap();
    megabytes.parse::<u64>().unwrap() * 1024
}

/// The most that any child so far had resident, in KiB.
#[expect(unsafe_code, reason = "the standard library does not ask for it")]
fn peak() -> u64 {
    let mut usage = MaybeUninit::zeroed();
    // SAFETY: getrusage(2) fills what it is given, of which all zeros is a value too.
    let usage: libc::rusage = unsafe {
        assert_eq!(libc::getrusage(libc::RUSAGE_CHILDREN, usage.as_mut_ptr()), 0);
        usage.assume_init()
    };
    usage.ru_maxrss.try_into().unwrap()
}

/// What `fingerpost exposure` says where the zone is what `provider` says, a relative path in `dir`.
fn exposure(dir: &Path, provider: &str) -> String {
    let mut text = format!(
        "state_dir = \"state\"\n[provider.home]\nzone = \"heronmill.example\"\nconfirm = \"off\"\n{provider}\n\
         [exposure]\nresolvers = [\"127.0.0.1:9\", \"127.0.0.2:9\"]\n[[exposure.service]]\nname = \"gauge.heronmill.example\"\n\
         edge_ranges = [\"198.51.100.64/28\"]\norigin = \"127.0.0.1:9\"\n"
    );
    for at in 0..3 {
        text += &format!(
            "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"http://127.0.0.1:9/\"\n\
             families = [\"ipv4\"]\n"
        );
    }
    fs::write(dir.join("fingerpost.toml"), text).unwrap();
    fs::create_dir_all(dir.join("state")).unwrap();
    let mut state = State::default();
    state.settled.insert(Via::only(Family::Ipv4), "203.0.113.77".parse().unwrap());
    fs::write(dir.join("state/state.json"), serde_json::to_string(&state).unwrap()).unwrap();
    let mut command = Command::new(std::env::var_os("TESTS_BINARY").unwrap_or(env!("CARGO_BIN_EXE_fingerpost").into()));
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("FINGERPOST_")) {
        command.env_remove(name);
    }
    let output = command.args(["--config", "fingerpost.toml", "exposure"]).current_dir(dir).output().unwrap();
    String::from_utf8(output.stdout).unwrap() + &String::from_utf8_lossy(&output.stderr)
}

/// Listens for whoever comes, and serves each.
fn server(serve: impl Fn(TcpStream) + Send + 'static) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    thread::spawn(move || listener.incoming().map_while(Result::ok).for_each(serve));
    address
}

/// A DNS server that transfers so many records.
fn transferred(count: usize) -> String {
    let dir = tempfile::tempdir().unwrap();
    let server = server(move |stream| serve(&stream, count * 16));
    exposure(dir.path(), &format!("kind = \"rfc2136\"\nserver = \"{server}\"\nunsigned = true\ntimeout = \"1m\""))
}

/// A master file that holds `line` again and again.
fn kept(line: &str, bytes: usize) -> String {
    let dir = tempfile::tempdir().unwrap();
    let head = "$ORIGIN heronmill.example.\n$TTL 300\n@ SOA ns1 hostmaster 1 3600 900 604800 300\n@ NS ns1\n";
    let mut file = BufWriter::new(File::create(dir.path().join("zone")).unwrap());
    file.write_all(head.as_bytes()).unwrap();
    (0..(bytes - head.len()) / line.len()).for_each(|_| file.write_all(line.as_bytes()).unwrap());
    drop(file);
    exposure(dir.path(), "kind = \"zonefile\"\nfile = \"zone\"")
}

/// An API whose answer, between `begin` and `end`, holds `item` again and again.
fn listed([begin, item, end]: [&'static str; 3], bytes: usize) -> String {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("record.toml"), include_str!("../config/providers/record.toml")).unwrap();
    fs::write(dir.path().join("token"), "a-token-of-the-mill").unwrap();
    fs::set_permissions(dir.path().join("token"), Permissions::from_mode(0o600)).unwrap();
    let server = server(move |stream| {
        let mut lines = BufReader::new(&stream).lines();
        let is_list = lines.next().unwrap().unwrap().contains("/cards");
        while lines.next().is_some_and(|line| !line.unwrap().is_empty()) {}
        let mut out = BufWriter::new(&stream);
        // Who has had enough goes.
        let _ = out.write_all(b"HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n").and_then(|()| match is_list {
            true => {
                write!(out, "{begin}{item}")?;
                (1..(bytes - 100) / (item.len() + 1)).try_for_each(|_| write!(out, ",{item}"))?;
                write!(out, "{end}")
            }
            false => write!(out, r#"{{"shelves":[{{"label":"heronmill.example","shelf":"1"}}]}}"#),
        });
    });
    let values = format!("values = {{ server = \"http://{server}\" }}");
    exposure(
        dir.path(),
        &format!(
            "kind = \"rest\"\ndescription = \"record.toml\"\n{values}\ntoken = {{ file = \"token\" }}\ntimeout = \"1m\""
        ),
    )
}

/// A zone as large as is looked through, and one that would be larger, of the smallest pieces there are.
#[test]
fn the_largest_zone_takes_less_than_the_unit_allows() {
    let is_taken = |shown: &str| {
        assert!(shown.contains("leaks        good ") || shown.contains("leaks        unknown "), "{shown}");
        shown.contains("leaks        good ")
    };
    assert!(is_taken(&transferred(4000)));
    println!("a zone of 4,000 records: {} KiB resident at most", peak());
    let one = ZoneRecord {
        name: "heronmill.example".to_owned(),
        rtype: Cow::Borrowed("A"),
        data: vec![Part::Address([198, 51, 100, 7].into())],
    };
    // In memory one takes a little more than is counted here: so it is tried.
    let count = ROOM / one.weight();
    let largest =
        (1..=10).rev().map(|tenths| count * tenths / 10).find(|count| is_taken(&transferred(*count))).unwrap();
    println!("a transfer of {largest} records: {} KiB", peak());
    assert!(largest > count / 2, "{largest}");
    assert!(!is_taken(&transferred(1 << 20)));
    println!("a transfer of 16 MiB: {} KiB", peak());
    for (name, pieces) in [
        ("numbers", [r#"{"leaf":{"of":1},"cards":["#, "0", "]}"]),
        ("members", ["{", r#""":0"#, "}"]),
        ("lists", [r#"{"leaf":{"of":1},"cards":["#, "[]", "]}"]),
    ] {
        // These are no records; and the second is more than is taken.
        assert!(!is_taken(&listed(pieces, 4 << 20)) && !is_taken(&listed(pieces, 40 << 20)));
        println!("an answer of {name}: {} KiB", peak());
    }
    for (name, line) in [("records", "\tA 198.51.100.7\n"), ("text", "a TXT a\n"), ("words", " a"), ("nothing", "\n")] {
        let taken = is_taken(&kept(line, 8 << 20));
        assert_eq!(taken, name == "nothing", "{name}");
        println!("a master file of {name}: {} KiB", peak());
    }
    // As the unit says.
    assert!(peak() < allowed() / 4 * 3, "{} KiB of {}", peak(), allowed());
}
