//! System calls as strace tells them.

use std::path::Path;

/// Calls that change a file through a descriptor.
const THROUGH: &[&str] = &[
    "write",
    "writev",
    "pwrite64",
    "pwritev",
    "pwritev2",
    "sendfile",
    "copy_file_range",
    "splice",
    "ftruncate",
    "fallocate",
    "fchmod",
    "fchown",
    "fsetxattr",
    "fsync",
    "fdatasync",
];
/// Calls that change a name or what is behind it; and the one that could hide all of these.
const BY_NAME: &[&str] = &[
    "creat",
    "truncate",
    "rename",
    "renameat",
    "renameat2",
    "unlink",
    "unlinkat",
    "mkdir",
    "mkdirat",
    "rmdir",
    "link",
    "linkat",
    "symlink",
    "symlinkat",
    "mknod",
    "mknodat",
    "chmod",
    "fchmodat",
    "chown",
    "lchown",
    "fchownat",
    "utime",
    "utimes",
    "utimensat",
    "setxattr",
    "lsetxattr",
    "io_uring_setup",
];
const OPEN: &[&str] = &["open", "openat", "openat2"];

/// Every call by which a file could be written, and those that lock one.
pub(crate) fn writing() -> Vec<&'static str> {
    [THROUGH, BY_NAME, OPEN, &["flock", "fcntl"]].concat()
}

/// One finished call.
#[derive(Clone, Debug)]
pub(crate) struct Call {
    pub(crate) name: String,
    arguments: Vec<String>,
    result: String,
}

impl Call {
    pub(crate) fn is(&self, names: &[&str]) -> bool {
        names.contains(&self.name.as_str())
    }

    pub(crate) fn succeeded(&self) -> bool {
        !self.result.starts_with('-') && !self.result.starts_with('?')
    }

    /// What the descriptor in the first argument leads to: a path, or an address such as `TCP:[a:1->b:2]`.
    pub(crate) fn on(&self) -> String {
        descriptor(&self.arguments[0]).unwrap_or_default()
    }

    /// All strings among the arguments, one after the other: a buffer, or a path.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        self.strings().concat()
    }

    /// The last string among the arguments: of several paths, the one that is made.
    pub(crate) fn last_path(&self) -> String {
        let name = String::from_utf8(self.strings().pop().unwrap_or_default()).unwrap();
        // Beside a directory that is open, a name in it.
        let at = self.arguments.iter().rposition(|text| text.contains('"')).and_then(|at| at.checked_sub(1));
        match at.and_then(|at| descriptor(&self.arguments[at])) {
            Some(dir) if !name.starts_with('/') => format!("{dir}/{name}"),
            _ => name,
        }
    }

    fn strings(&self) -> Vec<Vec<u8>> {
        self.arguments.iter().flat_map(|text| text.split('"').skip(1).step_by(2)).map(unhex).collect()
    }

    /// Whether it writes a file, or would have if it had succeeded.
    pub(crate) fn writes_a_file(&self) -> bool {
        let to_write = || {
            let flags = self.arguments.iter().find(|text| text.contains("O_")).map_or("", String::as_str);
            let asks = ["O_WRONLY", "O_RDWR", "O_CREAT", "O_TRUNC", "O_APPEND", "O_TMPFILE"];
            flags.split(|c: char| !c.is_ascii_alphabetic() && c != '_').any(|flag| asks.contains(&flag))
                && self.last_path() != "/dev/null"
        };
        self.is(BY_NAME) || self.is(OPEN) && to_write() || self.is(THROUGH) && self.on().starts_with('/')
    }

    /// The DNS message that this call sends over TCP to `port`, without its length (RFC 1035, section 4.2.2).
    pub(crate) fn dns_sent_to(&self, port: u16) -> Option<Vec<u8>> {
        let out = self.is(&["sendto", "sendmsg", "write", "writev"]) && self.on().ends_with(&format!(":{port}]"));
        out.then(|| self.bytes().get(2..).unwrap_or_default().to_vec())
    }
}

/// Whether `message` is an UPDATE that changes something: opcode 5 and a record in the update section (RFC 2136, 2.2).
/// One without is a question about what stands.
pub(crate) fn is_update(message: &[u8]) -> bool {
    message.len() > 12 && message[2] & 0xf8 == 0x28 && message[8..10] != [0, 0]
}

/// The words that run a program under strace, which writes the named `calls` to `file`.
pub(crate) fn prefix(calls: &[&str], file: &Path) -> Vec<String> {
    // With the question mark, a call that this machine does not have is no error.
    let calls: Vec<_> = calls.iter().map(|call| format!("?{call}")).collect();
    let fixed = ["strace", "-f", "-yy", "-xx", "-s", "1000000", "-e", "signal=none", "-e"];
    let more = [format!("trace={}", calls.join(",")), "-o".to_owned(), file.display().to_string()];
    as_root().iter().copied().chain(fixed).map(str::to_owned).chain(more).collect()
}

/// The same, but the program, and not strace, is the child that is started, and gets the signals.
pub(crate) fn prefix_beside(calls: &[&str], file: &Path) -> Vec<String> {
    let mut words = prefix(calls, file);
    words.insert(as_root().len() + 1, "-D".to_owned());
    words
}

/// Only root sees into the program: an ordinary user is root in a user namespace of its own.
fn as_root() -> &'static [&'static str] {
    if rustix::process::geteuid().is_root() { &[] } else { &["unshare", "--map-root-user"] }
}

/// Reads what strace wrote. A call that was interrupted by another thread's stands where it ended.
pub(crate) fn parse(text: &str) -> Vec<Call> {
    let mut begun = std::collections::BTreeMap::new();
    let mut calls = Vec::new();
    for line in text.lines() {
        let Some((pid, line)) = line.split_once(' ') else { continue };
        let mut line = line.trim_start().to_owned();
        if let Some(start) = line.strip_suffix(" <unfinished ...>") {
            begun.insert(pid, start.to_owned());
            continue;
        }
        if let Some((_, end)) = line.strip_prefix("<... ").and_then(|line| line.split_once(" resumed>")) {
            line = begun.remove(pid).unwrap() + end;
        }
        let Some((head, result)) = line.rsplit_once(" = ") else { continue };
        let Some((name, arguments)) = head.trim_end().strip_suffix(')').and_then(|head| head.split_once('(')) else {
            continue;
        };
        let arguments = arguments.split(", ").map(str::to_owned).collect();
        calls.push(Call { name: name.to_owned(), arguments, result: result.to_owned() });
    }
    assert!(!calls.is_empty(), "strace saw nothing:\n{text}");
    calls
}

/// What the descriptor in this argument leads to.
fn descriptor(text: &str) -> Option<String> {
    String::from_utf8(unhex(text.split_once('<')?.1.strip_suffix('>')?)).ok()
}

/// Text in which bytes may be written `\x2f`.
fn unhex(text: &str) -> Vec<u8> {
    let mut parts = text.split("\\x");
    let mut bytes = parts.next().unwrap_or_default().as_bytes().to_vec();
    for part in parts {
        bytes.push(u8::from_str_radix(&part[..2], 16).unwrap());
        bytes.extend(part[2..].bytes());
    }
    bytes
}
