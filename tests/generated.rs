//! The man pages and completions under `packaging/` come from the one command definition, from the README's table of exit
//! statuses and from the documented configuration. This test writes them anew and compares;
//! `TESTS_UPDATE=1 cargo test --test generated` puts what is new in their place.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use clap::CommandFactory as _;
use clap_complete::Shell;
use clap_mangen::Man;
use clap_mangen::roff::{Inline, Roff, bold, italic, roman};
use fingerpost::cli::Cli;

const CONFIGURATION: &str = include_str!("../config/fingerpost.toml");
const README: &str = include_str!("../README.md");
const CHANGELOG: &str = include_str!("../packaging/debian/changelog");

/// The date of the release that is being made, as its changelog has it (deb-changelog(5)).
fn date() -> String {
    let line = CHANGELOG.lines().find(|line| line.starts_with(" -- ")).unwrap();
    let (_, date) = line.split_once(">  ").unwrap();
    let parts: Vec<_> = date.split_whitespace().collect();
    let months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    let month = months.iter().position(|month| *month == parts[2]).unwrap() + 1;
    format!("{}-{month:02}-{:0>2}", parts[3], parts[1])
}

fn source() -> String {
    format!("fingerpost {}", env!("CARGO_PKG_VERSION"))
}

/// Text in which `code` stands between backticks.
fn prose(text: &str) -> Vec<Inline> {
    text.split('`').enumerate().map(|(at, part)| if at % 2 == 0 { roman(part) } else { bold(part) }).collect()
}

/// The README's table of exit statuses.
fn exit_statuses(roff: &mut Roff) {
    let (_, table) = README.split_once("## Exit status\n").unwrap();
    let rows = table.lines().skip_while(|line| !line.starts_with("| ---")).skip(1);
    roff.control("SH", ["EXIT STATUS"]);
    for row in rows.take_while(|line| line.starts_with('|')) {
        let (status, meaning) = row.trim_matches(['|', ' ']).split_once(" | ").unwrap();
        roff.control("TP", []);
        roff.text([bold(status)]);
        roff.text(prose(meaning));
    }
}

fn files(roff: &mut Roff) {
    roff.control("SH", ["FILES"]);
    for (file, what) in [
        ("/etc/fingerpost/fingerpost.toml", "The configuration, see fingerpost.toml(5)."),
        ("/etc/fingerpost/providers/", "Descriptions of HTTP APIs, for providers of the kind rest."),
        ("/var/lib/fingerpost/", "State and audit log, unless the configuration names another directory."),
        ("/usr/share/doc/fingerpost/", "README and documented examples."),
    ] {
        roff.control("TP", []);
        roff.text([italic(file)]);
        roff.text([roman(what)]);
    }
}

fn signals(roff: &mut Roff) {
    roff.control("SH", ["SIGNALS"]);
    for (signal, what) in [
        ("SIGHUP", "Takes a changed configuration over. One that does not hold is refused, and the old one stays."),
        ("SIGUSR1", "Asks the witnesses at once."),
        ("SIGTERM, SIGINT", "Ends; a write in flight has ten seconds, and is else resolved at the next start."),
    ] {
        roff.control("TP", []);
        roff.text([bold(signal)]);
        roff.text([roman(what)]);
    }
}

fn see_also(roff: &mut Roff, pages: &[String]) {
    roff.control("SH", ["SEE ALSO"]);
    for (at, page) in pages.iter().enumerate() {
        let (name, section) = page.rsplit_once('.').unwrap();
        let comma = if at + 1 == pages.len() { "" } else { "," };
        roff.text([bold(name), roman(format!("({section}){comma}"))]);
    }
}

/// The page of this command. The man pages of `under` are the ones of its own commands.
fn page(command: &clap::Command, under: &[String]) -> (String, Vec<u8>) {
    let main = !command.get_display_name().unwrap_or(command.get_name()).contains('-');
    let man = Man::new(command.clone()).date(date()).source(source()).manual("fingerpost");
    let mut text = Vec::new();
    man.render_title(&mut text).unwrap();
    man.render_name_section(&mut text).unwrap();
    man.render_synopsis_section(&mut text).unwrap();
    man.render_description_section(&mut text).unwrap();
    man.render_options_section(&mut text).unwrap();
    if command.has_subcommands() {
        man.render_subcommands_section(&mut text).unwrap();
    }
    let mut roff = Roff::new();
    if main {
        exit_statuses(&mut roff);
        files(&mut roff);
    }
    if command.get_name() == "daemon" {
        signals(&mut roff);
    }
    let mut others = under.to_vec();
    if !main {
        others.push("fingerpost.1".to_owned());
    }
    others.push("fingerpost.toml.5".to_owned());
    see_also(&mut roff, &others);
    roff.to_writer(&mut text).unwrap();
    (man.get_filename(), text)
}

/// The pages of this command and of all below it; the name of its own page first.
fn pages(command: &clap::Command, into: &mut BTreeMap<PathBuf, Vec<u8>>) -> String {
    let under: Vec<_> = command.get_subcommands().map(|under| pages(under, into)).collect();
    let (name, text) = page(command, &under);
    into.insert(Path::new("man").join(&name), text);
    name
}

/// `fingerpost.toml(5)`: the documented configuration, its prose filled and its keys as they stand there.
fn configuration() -> Vec<u8> {
    let mut roff = Roff::new();
    roff.control("TH", ["fingerpost.toml", "5", &date(), &source(), "fingerpost"]);
    roff.control("SH", ["NAME"]);
    roff.text([roman("fingerpost.toml - the configuration of fingerpost")]);
    roff.control("SH", ["SYNOPSIS"]);
    roff.text([italic("/etc/fingerpost/fingerpost.toml")]);
    roff.control("SH", ["DESCRIPTION"]);
    roff.text([roman("This is the documented example, /usr/share/doc/fingerpost/examples/fingerpost.toml.")]);
    let mut last = Kind::Nothing;
    // The file's first line is its title.
    for line in CONFIGURATION.lines().skip(1) {
        let (kind, text) = kind_of(line);
        if last == Kind::Literal && kind != Kind::Literal {
            roff.control("EE", []);
            roff.control("RE", []);
        }
        match kind {
            Kind::Heading => {
                roff.control("SH", [text.to_uppercase().as_str()]);
            }
            Kind::Prose => {
                if last != Kind::Prose && last != Kind::Heading {
                    roff.control("PP", []);
                }
                roff.text([roman(text)]);
            }
            Kind::Literal => {
                if last != Kind::Literal {
                    roff.control("PP", []);
                    roff.control("RS", ["4"]);
                    roff.control("EX", []);
                }
                roff.text([roman(text)]);
            }
            Kind::Nothing => {}
        }
        last = kind;
    }
    if last == Kind::Literal {
        roff.control("EE", []);
        roff.control("RE", []);
    }
    see_also(&mut roff, &["fingerpost.1".to_owned(), "fingerpost-config-check.1".to_owned()]);
    let mut text = Vec::new();
    roff.to_writer(&mut text).unwrap();
    text
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Nothing,
    Heading,
    Prose,
    /// A key, a table, or prose that is laid out in columns.
    Literal,
}

fn kind_of(line: &str) -> (Kind, &str) {
    match line.strip_prefix("# ") {
        _ if line.is_empty() || line == "#" => (Kind::Nothing, ""),
        Some(rest) if rest.starts_with("---- ") => (Kind::Heading, rest.trim_matches(['-', ' '])),
        Some(rest) if rest.starts_with("  ") => (Kind::Literal, rest.strip_prefix("  ").unwrap_or(rest)),
        Some(rest) => (Kind::Prose, rest),
        None => (Kind::Literal, line),
    }
}

/// Every file that is made from the command definition, by its place under `packaging/`.
fn generated() -> BTreeMap<PathBuf, Vec<u8>> {
    let mut command = Cli::command();
    command.build();
    let mut files = BTreeMap::new();
    pages(&command, &mut files);
    files.insert("man/fingerpost.toml.5".into(), configuration());
    for (shell, name) in
        [(Shell::Bash, "fingerpost.bash"), (Shell::Zsh, "_fingerpost"), (Shell::Fish, "fingerpost.fish")]
    {
        let mut text = Vec::new();
        clap_complete::generate(shell, &mut Cli::command(), "fingerpost", &mut text);
        files.insert(Path::new("completions").join(name), text);
    }
    files
}

#[test]
fn what_is_generated_is_current() {
    let packaging = Path::new(env!("CARGO_MANIFEST_DIR")).join("packaging");
    let wanted = generated();
    let mut there = BTreeMap::new();
    for dir in ["man", "completions"] {
        for entry in fs::read_dir(packaging.join(dir)).into_iter().flatten() {
            let name = Path::new(dir).join(entry.unwrap().file_name());
            there.insert(name.clone(), fs::read(packaging.join(name)).unwrap());
        }
    }
    if std::env::var_os("TESTS_UPDATE").is_some() {
        there.keys().filter(|name| !wanted.contains_key(*name)).for_each(|name| {
            fs::remove_file(packaging.join(name)).unwrap();
        });
        for (name, text) in &wanted {
            fs::create_dir_all(packaging.join(name.parent().unwrap())).unwrap();
            fs::write(packaging.join(name), text).unwrap();
        }
        return;
    }
    let stale: Vec<_> =
        wanted.keys().chain(there.keys()).filter(|name| wanted.get(*name) != there.get(*name)).collect();
    assert!(
        stale.is_empty(),
        "run TESTS_UPDATE=1 cargo test --test generated, look at the difference, commit: {stale:?}"
    );
}

/// The pages say what the program knows: each command has one, and each key of the example stands in its page.
#[test]
fn nothing_is_left_out() {
    let files = generated();
    let text = |name: &str| String::from_utf8(files[Path::new(name)].clone()).unwrap().replace('\\', "");
    for command in ["daemon", "sync", "preview", "audit-show", "allowlist-compare", "config-check"] {
        assert!(text("man/fingerpost.1").contains(command.split('-').next().unwrap()), "{command}");
        assert!(text(&format!("man/fingerpost-{command}.1")).contains("state-dir"), "{command}");
    }
    for status in ["0", "64", "69", "78"] {
        assert!(text("man/fingerpost.1").contains(&format!(".TP\nfB{status}fR\n")), "{status}");
    }
    let page = text("man/fingerpost.toml.5");
    for line in CONFIGURATION.lines().filter(|line| !line.is_empty() && !line.starts_with("# ") && *line != "#") {
        // The signs that roff has other names for.
        let line = line.replace('\\', "").replace('\'', "*(Aq");
        assert!(page.contains(&line), "{line}");
    }
}

/// So that nothing is cut in a terminal, nor wrapped in the middle of a word.
#[test]
fn every_help_fits_into_a_hundred_columns() {
    let mut commands = vec![Cli::command()];
    let mut seen = 0;
    while let Some(mut command) = commands.pop() {
        for help in [command.render_help(), command.render_long_help()] {
            let wide: Vec<_> =
                help.to_string().lines().filter(|line| line.chars().count() > 100).map(str::to_owned).collect();
            assert!(wide.is_empty(), "{}: {wide:#?}", command.get_name());
            // What a command has for itself comes first.
            let help = help.to_string();
            let (own, every) = help.split_once("\nOptions of every command:\n").unwrap();
            assert!(!own.contains("  --config ") && every.contains("  --config "), "{help}");
        }
        commands.extend(command.get_subcommands().cloned());
        seen += 1;
    }
    assert!(seen > 15, "{seen}");
}
