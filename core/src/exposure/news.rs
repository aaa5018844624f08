//! What is new in a look at what the outside can see, against what was amiss before. Pure.

use std::collections::BTreeSet;

use super::{Finding, Grade};

use crate::about::Exposed;

/// One thing that is new.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum News<'a> {
    /// This is amiss from now on.
    Amiss(&'a Finding),
    /// What went by this key is amiss no more.
    Gone(Exposed),
}

impl Finding {
    /// What it is about, always in the same words.
    pub fn key(&self) -> Exposed {
        Exposed::By { check: self.check, of: self.about.clone() }
    }
}

/// What `found` changes about `before`, the keys of what was amiss. What is not known now stays as it was.
pub fn news<'a>(before: &BTreeSet<Exposed>, found: &'a [Finding]) -> Vec<News<'a>> {
    let keys = |grade| found.iter().filter(move |finding| finding.grade == grade).map(Finding::key);
    let stays: BTreeSet<Exposed> = keys(Grade::Amiss).chain(keys(Grade::Unknown)).collect();
    let amiss = found.iter().filter(|finding| finding.grade == Grade::Amiss && !before.contains(&finding.key()));
    let gone = before.difference(&stays).cloned();
    amiss.map(News::Amiss).chain(gone.map(News::Gone)).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::super::Check;
    use super::{Finding, Grade, News, news};

    #[test]
    fn each_change_is_news_once() {
        let finding = |check, grade| Finding::new(check, "gauge.heronmill.example", grade, "seen".into(), "do");
        let (leaks, closed) = (finding(Check::Leaks, Grade::Amiss), finding(Check::Closed, Grade::Amiss));
        let (unknown, good) = (finding(Check::Leaks, Grade::Unknown), finding(Check::Leaks, Grade::Good));
        let none = BTreeSet::new();
        let before = BTreeSet::from([leaks.key()]);
        assert_eq!(leaks.key().to_string(), "exposure: leaks, gauge.heronmill.example");
        for (before, found, told) in [
            (&none, vec![leaks.clone()], vec![News::Amiss(&leaks)]),
            (&before, vec![leaks.clone()], vec![]),
            (&before, vec![leaks.clone(), closed.clone()], vec![News::Amiss(&closed)]),
            (&before, vec![good.clone()], vec![News::Gone(leaks.key())]),
            // Whether it has passed cannot be told.
            (&before, vec![unknown.clone()], vec![]),
            (&none, vec![unknown.clone()], vec![]),
            // What is not looked at any more.
            (&before, vec![], vec![News::Gone(leaks.key())]),
        ] {
            assert_eq!(news(before, &found), told, "{found:?}");
        }
    }
}
