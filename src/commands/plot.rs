//! Where the home has been, drawn in a terminal. Pure.

use std::fmt::Write as _;
use std::time::Duration;

use crate::clock::Timestamp;
use crate::settings::Via;
use crate::status::model::Stay;
use crate::status::words;
use crate::text;

/// The narrowest drawing that still says something.
const LEAST: usize = 20;
/// The widest one.
const MOST: usize = 400;

/// How wide to draw: as `$COLUMNS` prefers (POSIX.1-2017, Base Definitions, section 8.3), else as the terminal is.
pub(super) fn width(terminal: Option<u16>, columns: Option<&str>) -> usize {
    let preferred = columns.and_then(|columns| columns.parse().ok());
    let terminal = terminal.map(usize::from);
    preferred.or(terminal).filter(|columns| *columns > 0).unwrap_or(80).clamp(LEAST, MOST)
}

/// The stays of the `span` before `now`, drawn `width` signs wide, a bar for each line and family, with the same in words.
pub(super) fn plot(stays: &[Stay], now: Timestamp, span: Duration, width: usize) -> String {
    let width = width.max(LEAST);
    let begin = now.minus(span);
    let at = |time: Timestamp| {
        let part = time.since(begin).as_secs_f64() / span.as_secs_f64() * width as f64;
        (part as usize).min(width)
    };
    let mut vias: Vec<Via> = Vec::new();
    for via in stays.iter().map(Stay::via) {
        if !vias.contains(&via) {
            vias.push(via);
        }
    }
    let mut text = String::new();
    for via in vias {
        let of: Vec<&Stay> = stays.iter().filter(|stay| stay.via() == via).collect();
        let _ = writeln!(text, "{via}, the last {}", text::span(span));
        let mut bar = vec![' '; width];
        let (addresses, gaps): (Vec<&Stay>, Vec<&Stay>) = of.iter().copied().partition(|stay| stay.address.is_some());
        for (number, stay) in addresses.iter().enumerate() {
            // Neighbours differ; where it is now is darkest.
            let sign = match (stay.to, number % 2) {
                (None, _) => '█',
                (Some(_), 0) => '▒',
                (Some(_), _) => '░',
            };
            fill(&mut bar, at(stay.from), at(stay.to.unwrap_or(now)), sign);
        }
        for gap in gaps {
            fill(&mut bar, at(gap.from), at(gap.to.unwrap_or(now)), '╳');
        }
        let _ = writeln!(text, "{}", bar.into_iter().collect::<String>());
        for stay in of.iter().rev() {
            let what = stay.address.as_deref().unwrap_or("no ruling");
            let lasted = text::span(stay.to.unwrap_or(now).since(stay.from));
            let until = stay.to.map_or_else(|| "now".to_owned(), words::moment);
            let _ = writeln!(text, "{what:39}  {} to {until}, {lasted}", words::moment(stay.from));
        }
        text.push('\n');
    }
    text
}

/// At least one sign: what was short is seen too.
fn fill(bar: &mut [char], from: usize, to: usize, sign: char) {
    let from = from.min(bar.len().saturating_sub(1));
    let to = to.max(from + 1).min(bar.len());
    if let Some(part) = bar.get_mut(from..to) {
        part.fill(sign);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::address::Family;

    #[test]
    fn as_wide_as_the_terminal() {
        for (terminal, columns, wide) in [
            (Some(132), Some("60"), 60),
            (Some(132), None, 132),
            (None, Some("60"), 60),
            // Some consoles do not know.
            (Some(0), None, 80),
            (None, Some("many"), 80),
            (Some(5), None, LEAST),
            (None, Some("100000"), MOST),
        ] {
            assert_eq!(width(terminal, columns), wide);
        }
    }

    #[test]
    fn a_bar_to_scale_and_the_same_in_words() {
        let now = Timestamp::parse("2026-11-25T00:00:00Z").unwrap();
        let day = |days: u64| now.minus(Duration::from_secs(86_400 * days));
        let stay = |address: Option<&str>, from, to| Stay {
            line: None,
            family: Family::Ipv4,
            address: address.map(str::to_owned),
            from,
            to,
        };
        let stays = [
            stay(Some("203.0.113.10"), day(90), Some(day(54))),
            stay(Some("203.0.113.9"), day(54), Some(day(9))),
            stay(None, day(20), Some(day(20).plus(Duration::from_secs(60)))),
            stay(Some("203.0.113.77"), day(9), None),
        ];
        let text = plot(&stays, now, Duration::from_secs(86_400 * 90), 40);
        let mut lines = text.lines();
        assert_eq!(lines.next(), Some("IPv4, the last 90 days"));
        assert_eq!(lines.next(), Some("▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒▒░░░░░░░░░░░░░░░╳░░░░████"));
        assert!(lines.next().unwrap().starts_with("203.0.113.77 ") && text.contains("now, 9 days\n"), "{text}");
        assert!(text.contains("no ruling ") && text.contains(", 60 s\n"), "{text}");
        assert_eq!(plot(&[], now, Duration::from_secs(1), 0), "");
    }
}
