//! Where a `Link` header leads (RFC 8288). Pure.

/// The target of the first link in `field` whose relation types include `rel`; several headers are one, joined with commas
/// (RFC 9110, section 5.3). It may be relative (RFC 3986, section 4.2).
///
/// A link with an anchor is about something else than what was asked for, and left alone (section 3.2).
///
/// # Errors
/// What is wrong with it: a clause that follows the field's name. A list that ends there would only seem to be whole.
pub fn target(field: &str, rel: &str) -> Result<Option<String>, &'static str> {
    // Appendix B.2.
    let mut rest = field;
    let mut found = None;
    loop {
        // Empty elements of a list count for nothing (RFC 9110, section 5.6.1.2).
        rest = rest.trim_start_matches([',', ' ', '\t']);
        if rest.is_empty() {
            return Ok(found);
        }
        let inner = rest.strip_prefix('<').ok_or("has something else than a URI in angle brackets")?;
        let (uri, behind) = inner.split_once('>').ok_or("has a '<' without its '>'")?;
        let (parameters, behind) = parameters(behind)?;
        rest = behind;
        if !(rest.is_empty() || rest.starts_with(',')) {
            return Err("has no comma between two links");
        }
        // Of several the first counts (section 3.3).
        let named = |wanted: &str| parameters.iter().find(|(name, _)| name == wanted).map(|(_, value)| value.as_str());
        let mut relations = named("rel").unwrap_or_default().split([' ', '\t']);
        if found.is_none() && named("anchor").is_none() && relations.any(|one| one.eq_ignore_ascii_case(rel)) {
            found = Some(uri.trim().to_owned());
        }
    }
}

type Parameters = Vec<(String, String)>;

/// The parameters of one link, and what stands behind them (appendix B.3).
fn parameters(field: &str) -> Result<(Parameters, &str), &'static str> {
    let blank = [' ', '\t'];
    let (mut found, mut rest) = (Vec::new(), field.trim_start_matches(blank));
    while let Some(inner) = rest.strip_prefix(';') {
        let inner = inner.trim_start_matches(blank);
        let (name, behind) = inner.split_at(inner.find([' ', '\t', '=', ';', ',']).unwrap_or(inner.len()));
        let behind = behind.trim_start_matches(blank);
        let (value, behind) = match behind.strip_prefix('=').map(|value| value.trim_start_matches(blank)) {
            None => (String::new(), behind),
            Some(text) => match text.strip_prefix('"') {
                Some(quoted) => unquoted(quoted)?,
                None => {
                    let (value, behind) = text.split_at(text.find([';', ',']).unwrap_or(text.len()));
                    (value.trim_end_matches(blank).to_owned(), behind)
                }
            },
        };
        // An empty parameter is a ';' too many (RFC 9110, section 5.6.6).
        if !name.is_empty() {
            found.push((name.to_ascii_lowercase(), value));
        }
        rest = behind.trim_start_matches(blank);
    }
    Ok((found, rest))
}

/// A quoted string without its quotes, and what stands behind it (appendix B.4).
fn unquoted(text: &str) -> Result<(String, &str), &'static str> {
    let mut out = String::new();
    let mut chars = text.char_indices();
    while let Some((at, c)) = chars.next() {
        match c {
            '"' => return Ok((out, text.get(at + 1..).unwrap_or_default())),
            '\\' => out.extend(chars.next().map(|(_, c)| c)),
            c => out.push(c),
        }
    }
    Err("has a quoted string without its end")
}

#[cfg(test)]
mod tests {
    use super::target;
    use crate::testing::like;
    use proptest::prelude::*;

    fn found(field: &str, rel: &str) -> Option<String> {
        target(field, rel).unwrap()
    }

    /// The examples of RFC 8288, section 3.5, which the document wraps.
    #[test]
    fn the_examples_of_the_standard() {
        let field = r#"<http://example.com/TheBook/chapter2>; rel="previous"; title="previous chapter""#;
        assert_eq!(found(field, "previous").as_deref(), Some("http://example.com/TheBook/chapter2"));
        assert_eq!(found(field, "next"), None);
        assert_eq!(found(r#"</>; rel="http://example.net/foo""#, "http://example.net/foo").as_deref(), Some("/"));
        // Of something else than the answer itself.
        assert_eq!(found(r##"</terms>; rel="copyright"; anchor="#foo""##, "copyright"), None);
        let field = "</TheBook/chapter2>; rel=\"previous\"; title*=UTF-8'de'letztes%20Kapitel, \
                     </TheBook/chapter4>; rel=\"next\"; title*=UTF-8'de'n%c3%a4chstes%20Kapitel";
        assert_eq!(found(field, "previous").as_deref(), Some("/TheBook/chapter2"));
        assert_eq!(found(field, "next").as_deref(), Some("/TheBook/chapter4"));
        let field = r#"<http://example.org/>; rel="start http://example.net/relation/other""#;
        for rel in ["start", "http://example.net/relation/other"] {
            assert_eq!(found(field, rel).as_deref(), Some("http://example.org/"));
        }
        let field = r#"<https://example.org/>; rel="start", <https://example.org/index>; rel="index""#;
        assert_eq!(found(field, "start").as_deref(), Some("https://example.org/"));
        assert_eq!(found(field, "index").as_deref(), Some("https://example.org/index"));
    }

    /// RFC 8288, sections 3 and 3.3 and appendix B; RFC 9110, sections 5.6.1.2 and 5.6.4.
    #[test]
    fn other_forms_of_the_same() {
        for field in [
            "<?a=2>;rel=next",
            "<?a=2>; rel=\"next\"",
            "< ?a=2 > ; rel = \"next\" ",
            "<?a=2>; REL=NEXT; rel=prev",
            "<?a=2>; rel=\"last next\"",
            "<?a=2>; title=\"; rel=prev, <\\\"x>\"; rel=next",
            "<?a=1>; rel=prev, <?a=2>; rel=next, <?a=3>; rel=next",
            ", ,<?a=2>;; rel=next;,",
            "<?a=1>, <?a=2>; rel=next; crossorigin",
            "<?a=1>; anchor=\"/x\"; rel=next, <?a=2>; rel=next",
        ] {
            assert_eq!(found(field, "next").as_deref(), Some("?a=2"), "{field}");
        }
        for field in
            ["", " , ", "<?a=2>", "<?a=2>; rel=prev; rel=next", "<?a=2>; rel=nextish", "<?a=2>; title=\"rel=next\""]
        {
            assert_eq!(found(field, "next"), None, "{field}");
        }
        for field in ["?a=2; rel=next", "<?a=2; rel=next", "<?a=2>; rel=\"next", "<?a=1> <?a=2>; rel=next", "next"] {
            assert!(target(field, "next").is_err(), "{field}");
        }
    }

    proptest! {
        #[test]
        fn no_header_panics(field in like("[<>;,=\"\\\\ a-zé?/]{0,40}")) {
            let _ = target(&field, "next");
        }
    }
}
