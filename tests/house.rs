//! The house has floors: what a room takes from the rest of the house comes from a floor below. The table of floors is the
//! one in DEVELOPERS.md; the arrows are what the sources themselves import, read with `syn`.
#![expect(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on has failed")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use syn::visit::Visit;
use syn::{Attribute, Item, ItemMod, ItemUse, UseTree};

/// What a room is imported for: from each file, the paths.
type Arrows = BTreeMap<(String, String), BTreeSet<String>>;

/// Whether an item is there for tests or fuzzing alone.
fn is_for_tests(attributes: &[Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        let syn::Meta::List(list) = &attribute.meta else { return false };
        let text = list.tokens.to_string();
        list.path.is_ident("cfg") && (text.contains("test") || text.contains("fuzzing")) && !text.contains("not")
    })
}

/// The paths that one file speaks of, from the root of the crate on, each as its segments.
struct Paths {
    /// Where the file's module is.
    module: Vec<String>,
    found: BTreeSet<Vec<String>>,
}

impl Paths {
    /// `segments` from the root of the crate on; `None` where they begin in a module or crate that they name.
    fn rooted(&self, segments: &[String]) -> Option<Vec<String>> {
        let mut here = self.module.clone();
        let mut rest = segments;
        match rest.split_first()? {
            // A room has one name, in whichever crate a part of it is.
            (first, tail) if ["crate", "fingerpost", "fingerpost_core"].contains(&first.as_str()) => {
                here.clear();
                rest = tail;
            }
            (first, tail) if first == "self" => rest = tail,
            (first, _) if first == "super" => {}
            _ => return None,
        }
        while let Some((first, tail)) = rest.split_first().filter(|(first, _)| *first == "super") {
            assert_eq!(first, "super");
            here.pop();
            rest = tail;
        }
        here.extend_from_slice(rest);
        Some(here)
    }

    fn tree(&mut self, tree: &UseTree, before: &mut Vec<String>) {
        match tree {
            UseTree::Path(path) => {
                before.push(path.ident.to_string());
                self.tree(&path.tree, before);
                before.pop();
            }
            UseTree::Group(group) => {
                for tree in &group.items {
                    self.tree(tree, before);
                }
            }
            UseTree::Name(name) => self.leaf(before, Some(name.ident.to_string())),
            UseTree::Rename(name) => self.leaf(before, Some(name.ident.to_string())),
            UseTree::Glob(_) => self.leaf(before, None),
        }
    }

    /// What stands in a macro or an attribute is not parsed; a path from the root of the crate shows all the same.
    fn tokens(&mut self, tokens: impl ToString) {
        let spaced =
            tokens.to_string().replace("::", " :: ").replace(['(', ')', '&', '[', ']', '{', '}', ',', ';'], " ");
        let words: Vec<&str> = spaced.split_whitespace().collect();
        for (at, _) in words.iter().enumerate().filter(|(_, word)| ["crate", "$crate"].contains(word)) {
            let path = words[at..].chunks(2).take_while(|pair| pair.get(1) == Some(&"::")).count();
            let segments: Vec<String> = words[at..].iter().step_by(2).take(path + 1).map(ToString::to_string).collect();
            self.found.extend(self.rooted(&segments));
        }
    }

    fn leaf(&mut self, before: &[String], name: Option<String>) {
        let mut path = before.to_vec();
        path.extend(name.filter(|name| name != "self"));
        self.found.extend(self.rooted(&path));
    }
}

impl<'ast> Visit<'ast> for Paths {
    fn visit_item(&mut self, item: &'ast Item) {
        let attributes = match item {
            Item::Fn(item) => &item.attrs,
            Item::Mod(item) => &item.attrs,
            Item::Use(item) => &item.attrs,
            Item::Impl(item) => &item.attrs,
            Item::Struct(item) => &item.attrs,
            _ => &Vec::new(),
        };
        if !is_for_tests(attributes) {
            syn::visit::visit_item(self, item);
        }
    }

    fn visit_item_mod(&mut self, item: &'ast ItemMod) {
        self.module.push(item.ident.to_string());
        syn::visit::visit_item_mod(self, item);
        self.module.pop();
    }

    fn visit_item_use(&mut self, item: &'ast ItemUse) {
        self.tree(&item.tree, &mut Vec::new());
    }

    fn visit_attribute(&mut self, attribute: &'ast Attribute) {
        if let syn::Meta::List(list) = &attribute.meta {
            self.tokens(&list.tokens);
        }
        syn::visit::visit_attribute(self, attribute);
    }

    fn visit_macro(&mut self, called: &'ast syn::Macro) {
        self.tokens(&called.tokens);
        syn::visit::visit_macro(self, called);
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let segments: Vec<String> = path.segments.iter().map(|segment| segment.ident.to_string()).collect();
        self.found.extend(self.rooted(&segments));
        syn::visit::visit_path(self, path);
    }
}

/// Reads the module `module` at `file`, and all beneath it. `children` is where its own modules have their files.
fn walk(file: &Path, children: &Path, module: &[String], arrows: &mut Arrows, seen: &mut BTreeSet<PathBuf>) {
    seen.insert(file.to_owned());
    let text = fs::read_to_string(file).unwrap();
    let parsed = syn::parse_file(&text).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    let mut paths = Paths { module: module.to_vec(), found: BTreeSet::new() };
    paths.visit_file(&parsed);
    if let Some(room) = module.first() {
        for path in paths.found {
            if let Some(other) = path.first().filter(|other| *other != room) {
                let told = format!("{}: {}", file.display(), path.join("::"));
                arrows.entry((room.clone(), other.clone())).or_default().insert(told);
            }
        }
    }
    for item in &parsed.items {
        let Item::Mod(item) = item else { continue };
        if item.content.is_some() || is_for_tests(&item.attrs) {
            continue;
        }
        let name = item.ident.to_string();
        let (flat, folder) = (children.join(format!("{name}.rs")), children.join(&name));
        let path = if flat.exists() { flat } else { folder.join("mod.rs") };
        let inner: Vec<String> = module.iter().cloned().chain([name]).collect();
        walk(&path, &folder, &inner, arrows, seen);
    }
}

/// Every arrow between two rooms, from the sources.
fn arrows() -> (BTreeSet<String>, Arrows) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (source, core) = (root.join("src"), root.join("core/src"));
    let (mut arrows, mut seen) = (Arrows::new(), BTreeSet::new());
    walk(&core.join("lib.rs"), &core, &[], &mut arrows, &mut seen);
    walk(&source.join("lib.rs"), &source, &[], &mut arrows, &mut seen);
    let main = ["main".to_owned()];
    walk(&source.join("main.rs"), &source.join("main"), &main, &mut arrows, &mut seen);
    let rooms = seen.iter().filter_map(|file| {
        let inner = file.strip_prefix(&source).or_else(|_| file.strip_prefix(&core)).ok()?;
        let first = inner.components().next()?.as_os_str().to_str()?;
        let room = first.trim_end_matches(".rs");
        (room != "lib").then(|| room.to_owned())
    });
    (rooms.collect(), arrows)
}

/// The table of floors in DEVELOPERS.md: each room with its floor, the lowest is 1.
fn floors() -> BTreeMap<String, u32> {
    let text = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md")).unwrap();
    let rows = text.lines().skip_while(|line| !line.starts_with("| floor |")).skip(2);
    let mut floors = BTreeMap::new();
    for row in rows.take_while(|line| line.starts_with('|')) {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let [floor, rooms] = cells[..] else { panic!("no floor and rooms: {row}") };
        let floor: u32 = floor.parse().expect("a floor is a number");
        for room in rooms.split(',') {
            let room = room.trim().trim_matches('`').to_owned();
            assert!(floors.insert(room.clone(), floor).is_none(), "{room} stands on two floors");
        }
    }
    floors
}

#[test]
fn every_arrow_leads_down() {
    let ((rooms, arrows), floors) = (arrows(), floors());
    assert_eq!(floors.keys().cloned().collect::<BTreeSet<_>>(), rooms, "the table of floors and the rooms of src");
    let mut up = Vec::new();
    for ((from, to), paths) in &arrows {
        // What is no room stands in the root of the crate itself.
        let to_floor = floors.get(to).unwrap_or_else(|| panic!("{to} is no room: {paths:?}"));
        if to_floor >= &floors[from] {
            up.push(format!("{from} ({}) takes from {to} ({to_floor}): {paths:#?}", floors[from]));
        }
    }
    assert!(up.is_empty(), "{}", up.join("\n"));
    assert!(arrows.len() > 100, "only {} arrows were found: are the sources read?", arrows.len());
}

/// A table with a room higher than it need be says less than it could: each stands right above the highest that it needs.
#[test]
fn every_room_stands_as_low_as_it_can() {
    let ((rooms, arrows), floors) = (arrows(), floors());
    for room in rooms {
        let highest = arrows.keys().filter(|(from, _)| *from == room).map(|(_, to)| floors[to]).max().unwrap_or(0);
        assert_eq!(floors[&room], highest + 1, "the floor of {room}");
    }
}

/// The reader of arrows sees an import, a path in the middle of code, and one that climbs; and not those of tests.
#[test]
fn an_arrow_is_seen_however_it_is_written() {
    let parsed = syn::parse_file(
        "use crate::{audit::{self, Event as E}, text::*}; mod inner { use super::super::watch::vote; } \
         fn f() -> crate::clock::Timestamp { super::name::g() } use super::own; use std::fmt; \
         #[arg(value_parser = crate::audit::EVENTS)] struct S; fn h() { matches!(x, crate::update::Trouble::Hold(_)); } \
         #[cfg(test)] mod tests { use crate::daemon; } #[cfg(test)] use crate::round;",
    )
    .unwrap();
    let mut paths = Paths { module: vec!["state".into()], found: BTreeSet::new() };
    paths.visit_file(&parsed);
    let found: Vec<String> = paths.found.iter().map(|path| path.join("::")).collect();
    assert_eq!(
        found,
        [
            "audit",
            "audit::EVENTS",
            "audit::Event",
            "clock::Timestamp",
            "name::g",
            "own",
            "text",
            "update::Trouble::Hold",
            "watch::vote"
        ]
    );
}
