//! Sockets from a service manager.

use std::process::Command;

use fingerpost::address::Family;
use fingerpost::watch::stun::ask;

use crate::LONG;
use crate::program::{Echo, command, get, run, until};

/// `fingerpost echo` behind systemd-socket-activate, which starts it when the first question comes.
fn activated(options: &[&str]) -> Command {
    let plain = command(&[]);
    let mut command = Command::new("systemd-socket-activate");
    // Within an empty network, as PrivateNetwork=yes has it.
    command.args(options).args(["unshare", "-Urn"]).arg(plain.get_program()).args(plain.get_args());
    command
}

#[test]
#[ignore = "needs systemd-socket-activate and unshare: tests/all.sh runs it"]
fn sockets_of_the_service_manager_are_taken_over() {
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let at = free.to_string();
    // The outer one hands its socket through the inner one; the first datagram starts that, the next one the program.
    let inner = activated(&["-l", &at]);
    let mut both = Command::new("systemd-socket-activate");
    both.args(["-d", "-l", &at]).arg(inner.get_program()).args(inner.get_args());
    let stun = std::thread::spawn({
        let at = at.clone();
        // A port that nobody has yet refuses: asked again until it is there.
        move || until("an answer over STUN", || run(ask(&at, Family::Ipv4, LONG)) == Ok([127, 0, 0, 1].into()))
    });
    let echo = Echo::run(both, 2);
    stun.join().unwrap();
    assert_eq!((&echo.http[..], &echo.stun[..]), (&[free][..], &[free][..]));
    assert_eq!(get("127.0.0.1", free.port(), "/", "").body, "127.0.0.1\n");
    echo.stop();
}

#[test]
#[ignore = "needs systemd-socket-activate and unshare: tests/all.sh runs it"]
fn a_socket_of_another_kind_is_told() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("socket");
    let activator = activated(&["-l", path.to_str().unwrap()]).stderr(std::process::Stdio::piped()).spawn().unwrap();
    until("a connection", || std::os::unix::net::UnixStream::connect(&path).is_ok());
    let output = activator.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(78), "{said}");
    let told = "socket 0 of the socket unit is of no use: it takes ListenStream=PORT and ListenDatagram=PORT";
    assert!(said.contains(told), "{said}");
}
