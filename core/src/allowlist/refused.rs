//! Lists that are not believed, in the audit log: once when that begins, and once when it is over. Pure.

use std::collections::BTreeSet;

use super::{Outcome, Report};
use crate::about::{About, Ranges};
use crate::audit::Event;

/// What `reports`, of every edge there is, change about `before`, what was refused: each with what it is about.
///
/// A list that could not be got tells nothing: whether the next one is believed will be seen.
pub fn news(before: &BTreeSet<Ranges>, reports: &[Report]) -> Vec<(Ranges, Event)> {
    let mut stays = BTreeSet::new();
    let mut news = Vec::new();
    for report in reports {
        let about = Ranges { edge: report.edge.clone() };
        match &report.outcome {
            Outcome::Same | Outcome::Taken { .. } => {}
            Outcome::Unreachable { .. } => drop(stays.insert(about)),
            Outcome::Refused { why, .. } => {
                if !before.contains(&about) {
                    let text = format!("the ranges of {} are not taken: {why}", report.edge);
                    news.push((about.clone(), Event::Found { line: None, about: About::Ranges(about.clone()), text }));
                }
                stays.insert(about);
            }
        }
    }
    // Among them those of an edge that is no longer configured.
    for about in before.difference(&stays) {
        news.push((about.clone(), Event::Gone { line: None, about: About::Ranges(about.clone()) }));
    }
    news
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::{About, Event, Outcome, Ranges, Report, news};

    fn report(edge: &str, outcome: Outcome) -> Report {
        Report { edge: edge.into(), outcome, number: None, since: None, ranges: Vec::new(), notes: Vec::new() }
    }

    fn refused() -> Outcome {
        Outcome::Refused { why: "it is empty".into(), acceptable: false }
    }

    #[test]
    fn each_change_is_news_once() {
        let taken = || Outcome::Taken { number: 2, came: Vec::new(), went: Vec::new() };
        let away = || Outcome::Unreachable { why: "status 503".into() };
        let found = "found ranges: weir the ranges of weir are not taken: it is empty";
        let none = [].as_slice();
        let weir = ["ranges: weir"].as_slice();
        for (before, reports, told) in [
            (none, vec![report("weir", refused())], vec![found]),
            (weir, vec![report("weir", refused())], vec![]),
            (weir, vec![report("weir", Outcome::Same)], vec!["gone ranges: weir"]),
            (weir, vec![report("weir", taken())], vec!["gone ranges: weir"]),
            // Neither refused nor believed.
            (weir, vec![report("weir", away())], vec![]),
            (none, vec![report("weir", away())], vec![]),
            (none, vec![report("weir", taken())], vec![]),
            // One does not stand for the other.
            (weir, vec![report("weir", refused()), report("quay", Outcome::Same)], vec![]),
            (&["ranges: quay"], vec![report("weir", refused()), report("quay", away())], vec![found]),
            // No longer configured.
            (weir, vec![report("quay", Outcome::Same)], vec!["gone ranges: weir"]),
        ] {
            let before: BTreeSet<Ranges> = before.iter().map(|&key| key.to_owned().into()).collect();
            let news = news(&before, &reports).into_iter().map(|(key, event)| match event {
                Event::Found { line: None, about: About::Ranges(about), text } if about == key => {
                    format!("found {about} {text}")
                }
                Event::Gone { line: None, about: About::Ranges(about) } if about == key => format!("gone {about}"),
                other => panic!("{other:?}"),
            });
            assert_eq!(news.collect::<Vec<_>>(), told, "{before:?} {reports:?}");
        }
    }
}
