//! A small tree of XML elements, read in one pass by a pull parser. Pure.
//!
//! Only names and text are kept: attributes and namespaces are not even looked at, for resolving them can cost the
//! square of a hostile document's length or worse. A DTD is an error, so no entity expands; nothing recurses; the number
//! of elements is bounded.

use quick_xml::escape::resolve_predefined_entity;
use quick_xml::events::{BytesStart, Event};
use quick_xml::{Reader, errors};

/// The most elements of a document: what a description needs many times over.
const ELEMENTS: usize = 8192;

/// Why a document cannot be read.
#[derive(Debug, thiserror::Error)]
pub(super) enum Unreadable {
    /// It is not well-formed.
    #[error("{0}")]
    Xml(#[from] errors::Error),
    /// It has a document type, which may define entities.
    #[error("it has a DTD")]
    Dtd,
    /// A reference to an entity that is not XML's own.
    #[error("it refers to an unknown entity")]
    Entity,
    /// It has more than [`ELEMENTS`].
    #[error("it has more than {ELEMENTS} elements")]
    TooMany,
    /// Not exactly one element at the top, or one that does not end.
    #[error("it is not one whole XML document")]
    NotWhole,
}

/// A document that holds one element at least.
#[derive(Debug)]
pub(super) struct Tree {
    /// In the order of their start tags: the children of one follow it, up to its end.
    elements: Vec<Stored>,
}

#[derive(Debug)]
struct Stored {
    name: String,
    /// Its own text, without that of its children.
    text: String,
    /// The index after its last descendant.
    end: usize,
}

/// One element of a tree.
#[derive(Clone, Copy, Debug)]
pub(super) struct Element<'a> {
    tree: &'a Tree,
    index: usize,
    stored: &'a Stored,
}

impl Tree {
    /// # Errors
    /// [`Unreadable`].
    pub(super) fn parse(text: &str) -> Result<Self, Unreadable> {
        let mut reader = Reader::from_str(text.strip_prefix('\u{feff}').unwrap_or(text));
        let mut elements: Vec<Stored> = Vec::new();
        let mut open: Vec<usize> = Vec::new();
        loop {
            match reader.read_event()? {
                Event::Start(tag) => {
                    add(&mut elements, &open, &tag)?;
                    open.push(elements.len() - 1);
                }
                Event::Empty(tag) => add(&mut elements, &open, &tag)?,
                Event::End(_) => {
                    let end = elements.len();
                    if let Some(ended) = open.pop().and_then(|index| elements.get_mut(index)) {
                        ended.end = end;
                    }
                }
                Event::Text(text) => write(&mut elements, &open, &text)?,
                Event::CData(text) => write(&mut elements, &open, &text)?,
                Event::GeneralRef(reference) => {
                    let mut character = [0; 4];
                    let text = match reference.resolve_char_ref()? {
                        Some(c) => &*c.encode_utf8(&mut character),
                        None => resolve_predefined_entity(&reference).ok_or(Unreadable::Entity)?,
                    };
                    write(&mut elements, &open, text)?;
                }
                Event::DocType(_) => return Err(Unreadable::Dtd),
                Event::Comment(_) | Event::Decl(_) | Event::PI(_) => {}
                Event::Eof if elements.is_empty() || !open.is_empty() => return Err(Unreadable::NotWhole),
                Event::Eof => return Ok(Self { elements }),
            }
        }
    }

    pub(super) fn root(&self) -> Element<'_> {
        Element { tree: self, index: 0, stored: &self.elements[0] }
    }

    /// All elements of that name, wherever they are.
    pub(super) fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = Element<'a>> {
        let elements = self.elements.iter().enumerate().map(|(index, stored)| Element { tree: self, index, stored });
        elements.filter(move |element| element.name() == name)
    }
}

fn add(elements: &mut Vec<Stored>, open: &[usize], tag: &BytesStart<'_>) -> Result<(), Unreadable> {
    if open.is_empty() && !elements.is_empty() {
        return Err(Unreadable::NotWhole);
    }
    if elements.len() == ELEMENTS {
        return Err(Unreadable::TooMany);
    }
    let name = tag.local_name().as_ref().to_owned();
    elements.push(Stored { name, text: String::new(), end: elements.len() + 1 });
    Ok(())
}

fn write(elements: &mut [Stored], open: &[usize], text: &str) -> Result<(), Unreadable> {
    match open.last().and_then(|index| elements.get_mut(*index)) {
        Some(element) => element.text.push_str(text),
        None if text.trim_ascii().is_empty() => {}
        None => return Err(Unreadable::NotWhole),
    }
    Ok(())
}

impl<'a> Element<'a> {
    /// Its name without a prefix.
    pub(super) fn name(self) -> &'a str {
        &self.stored.name
    }

    /// Its own text, without white space around it.
    pub(super) fn text(self) -> &'a str {
        self.stored.text.trim_ascii()
    }

    pub(super) fn has_children(self) -> bool {
        self.stored.end > self.index + 1
    }

    /// Its child of that name, if there is exactly one.
    pub(super) fn child(self, name: &str) -> Option<Self> {
        let mut only = None;
        let mut index = self.index + 1;
        while index < self.stored.end {
            let stored = self.tree.elements.get(index)?;
            if stored.name == name && only.replace(Element { tree: self.tree, index, stored }).is_some() {
                return None;
            }
            index = stored.end;
        }
        only
    }
}
