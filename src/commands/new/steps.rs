//! What is to be done after a first configuration is written, in words. Pure.

use std::fmt::Write as _;
use std::path::Path;

use crate::cli::Common;
use crate::config::draft::{Draft, Kept, Place};
use crate::config::load::Problem;

/// What is known when the file is written.
pub(super) struct Written<'a> {
    pub(super) draft: &'a Draft,
    pub(super) file: &'a Path,
    /// The file, as it is called from anywhere.
    pub(super) absolute: &'a Path,
    pub(super) common: &'a Common,
    /// What the daemon's own check remarks on.
    pub(super) notes: &'a [Problem],
    /// What it refuses.
    pub(super) problems: &'a [Problem],
}

/// Where the service looks.
const SERVICE: &str = "/etc/fingerpost/fingerpost.toml";

impl Written<'_> {
    pub(super) fn text(&self) -> String {
        let file = self.file.display();
        let mut text = match self.problems {
            [] => format!("{file} is written, and holds.\n"),
            _ => format!("{file} is written. Before it holds:\n"),
        };
        for problem in self.problems {
            let _ = writeln!(text, "  {problem}");
        }
        for note in self.notes {
            let _ = writeln!(text, "note: {note}");
        }
        let grant = self.draft.grant();
        let _ = write!(text, "\n{}\n", grant.prose);
        if !grant.statement.is_empty() {
            text.push('\n');
        }
        for line in grant.statement.lines() {
            let _ = writeln!(text, "{}", format!("    {line}").trim_end());
        }
        text.push_str("\nNext:\n");
        for (at, step) in self.steps().iter().enumerate() {
            let _ = writeln!(text, "  {}. {step}", at + 1);
        }
        text
    }

    pub(super) fn document(&self) -> serde_json::Value {
        let grant = self.draft.grant();
        serde_json::json!({
            "file": self.file.display().to_string(),
            "holds": self.problems.is_empty(),
            "problems": self.problems,
            "notes": self.notes,
            "grant": { "prose": grant.prose, "statement": grant.statement },
            "next": self.steps(),
        })
    }

    fn steps(&self) -> Vec<String> {
        let is_default = self.file == Path::new(SERVICE);
        let state = self.common.state_dir.as_ref().map(|dir| format!(" --state-dir {}", dir.display()));
        let state = state.unwrap_or_default();
        let by = |file: &Path, command: &str| match is_default {
            true => format!("fingerpost{state} {command}"),
            false => format!("fingerpost --config {}{state} {command}", file.display()),
        };
        let command = |command: &str| by(self.file, command);
        let mut steps = Vec::new();
        match super::operators(self.draft) {
            0 | 1 => steps.push("Name witnesses of two more operators: the word of one alone decides.".to_owned()),
            2 => {
                steps.push("Name a witness of one more operator: of two, one that is away stops everything.".to_owned())
            }
            _ => {}
        }
        let kept = match &self.draft.place {
            Place::Rfc2136 { secret, .. } => Some(("the key's secret alone, in Base64,", secret)),
            Place::Rest { token, .. } => Some(("the API's token alone", token)),
            Place::Zonefile { .. } | Place::Program { .. } => None,
        };
        // What the configuration names starts at its directory, and whoever reads this may be elsewhere.
        let dir = self.absolute.parent().unwrap_or(Path::new("/"));
        match &self.draft.place {
            Place::Rest { description, .. } => steps.push(format!(
                "Make {} say what the API's own pages say; where there is none yet, begin with record.toml or rrset.toml.",
                dir.join(description).display()
            )),
            Place::Zonefile { file, .. } => {
                let file = dir.join(file);
                let zones = file.parent().unwrap_or(dir).display();
                steps.push(format!(
                    "Let the service write there: ReadWritePaths={zones} and SupplementaryGroups= with the file's group, below \
                     [Service]: sudo systemctl edit fingerpost"
                ));
            }
            Place::Rfc2136 { .. } | Place::Program { .. } => {}
        }
        let mut handed = None;
        match kept {
            None => {}
            Some((what, Kept::File(path))) => {
                let other = match is_default {
                    true => " The service runs as another user: for it write --secret systemd.",
                    false => "",
                };
                let path = dir.join(path);
                steps.push(format!("Put {what} into {}, for its owner only (chmod 600).{other}", path.display()));
            }
            Some((what, Kept::Credential(name))) => {
                let load = format!("LoadCredential={name}:/etc/fingerpost/{name}");
                steps.push(format!("Put {what} into /etc/fingerpost/{name}, for its owner only (chmod 600)."));
                steps.push(format!("Write {load} below [Service]: sudo systemctl edit fingerpost"));
                handed = Some(load);
            }
        }
        steps.push(format!("Check it: {}", command("config check")));
        steps.push(format!("Ask the witnesses: {}", command("locate")));
        steps.push(match handed {
            None => format!("See what would be written; nothing is: {}", command("preview")),
            Some(load) => format!(
                "See what would be written; nothing is:\n     sudo systemd-run --pipe --wait --property={load} /usr/bin/{}",
                by(self.absolute, "preview")
            ),
        });
        steps.push(if is_default {
            "Start it: sudo systemctl enable --now fingerpost".to_owned()
        } else {
            let how = if state.is_empty() { " as root, or with a --state-dir of yours" } else { "" };
            format!("Start it{how}: {}; the service reads {SERVICE}", command("daemon"))
        });
        steps
    }
}
