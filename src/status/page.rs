//! The status as a page: HTML and SVG from the server, with nothing from elsewhere and nothing that needs a script. Pure.
//!
//! [`view`] chooses the words and does the sums; the template beside it only puts them in their places, and the template
//! language escapes whatever it puts there.

pub mod view;

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, escape_formatter};

use super::Status;
use crate::shown;
use view::View;

/// The looks of the page.
pub const STYLE: &str = include_str!("page/style.css");

/// What has the page made anew when something has happened.
pub const SCRIPT: &str = include_str!("page/refresh.js");

/// The page.
pub fn render(status: &Status) -> String {
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.set_formatter(|out, state, value| match value.as_str() {
        Some(text) if !value.is_safe() => escape_formatter(out, state, &shown::lines(text).into()),
        _ => escape_formatter(out, state, value),
    });
    let template = environment.template_from_named_str("page.html", include_str!("page/page.html"));
    template.and_then(|template| template.render(Serde(&View::of(status)))).unwrap_or_else(|error| {
        // The template is part of the program and its tests: this is for whoever changes it.
        format!("<!doctype html><title>fingerpost</title><p>{}</p>", error.kind())
    })
}

#[cfg(test)]
mod tests;
