//! How an API is, for as long as a run lasts, and what it does now and then for a time: all drawn by a seed.

use fastrand::Rng;

use crate::forms::Forms;
use crate::world::Request;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Shape {
    Record,
    RrSet,
    /// One RRset after another by a program of the owner's, before a host that takes them whole.
    Program,
}

impl Shape {
    /// The only one to be played, if somebody asks for that.
    pub(crate) fn asked_for() -> Option<Self> {
        match std::env::var("TESTS_SHAPE").ok()?.as_str() {
            "record" => Some(Self::Record),
            "rrset" => Some(Self::RrSet),
            "program" => Some(Self::Program),
            other => panic!("TESTS_SHAPE is record, rrset or program, and not {other}"),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Paging {
    Whole,
    /// Pages by number; whether the answer tells the last one.
    Number(bool),
    Cursor,
    Link,
}

/// What a filter by name does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum ByName {
    Exact,
    Contains,
    Ignored,
}

/// What is answered where there is nothing to show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Nothing {
    Empty,
    NotFound,
    Null,
    Missing,
}

/// What is answered to a page after the last one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum AfterLast {
    Empty,
    NotFound,
    /// The last one, again and again.
    Last,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tags {
    Absent,
    Weak,
    /// Told, and not compared.
    Ignored,
    Strong,
}

/// Of a record that is there already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Duplicates {
    Accepted,
    /// Refused with this status.
    Refused(u16),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    Cut,
    Slow,
    Unavailable,
    Failing,
    Limit,
    Unprocessable,
    Moved,
    NotOk,
    Unauthorized,
    Forbidden,
    SeeOther,
    Accepted,
    Gzip,
    KeptClosed,
    Junk,
}

const KINDS: [Kind; 15] = [
    Kind::Cut,
    Kind::Slow,
    Kind::Unavailable,
    Kind::Failing,
    Kind::Limit,
    Kind::Unprocessable,
    Kind::Moved,
    Kind::NotOk,
    Kind::Unauthorized,
    Kind::Forbidden,
    Kind::SeeOther,
    Kind::Accepted,
    Kind::Gzip,
    Kind::KeptClosed,
    Kind::Junk,
];

/// How an API is.
#[derive(Clone, Debug)]
pub(crate) struct Habits {
    pub(crate) shape: Shape,
    pub(crate) paging: Paging,
    pub(crate) page_size: usize,
    /// Names are asked for one by one, and this is what comes.
    pub(crate) by_name: Option<ByName>,
    pub(crate) nothing: Nothing,
    pub(crate) after_last: AfterLast,
    pub(crate) relative: bool,
    /// Names are written in odd ways.
    pub(crate) odd_names: bool,
    /// TTLs are texts, and those of others `null` or "auto".
    pub(crate) odd_ttls: bool,
    /// Records of others are not published in every way there is to say it.
    pub(crate) odd_flags: bool,
    /// How long a change may take to be listed, by the description, in milliseconds.
    pub(crate) visible_within: u64,
    /// The longest that it does take.
    pub(crate) lag: u64,
    /// The longest wait that is asked for, in seconds.
    pub(crate) longest_wait: u64,
    /// Two servers answer by turns, and each learns of a change in its own time.
    pub(crate) replicas: bool,
    /// Each page is cut from another order.
    pub(crate) unstable: bool,
    /// Some items stand on two pages.
    pub(crate) repeats: bool,
    /// Records are put in while pages are read.
    pub(crate) inserts: bool,
    pub(crate) duplicates: Duplicates,
    pub(crate) tags: Tags,
    /// A single item can be read.
    pub(crate) get: bool,
    /// A change makes another id.
    pub(crate) ids_change: bool,
    /// All of an item is sent, and not what changes.
    pub(crate) whole: bool,
    /// Several RRsets in one request.
    pub(crate) together: bool,
    /// Answers have a mark of success.
    pub(crate) ok: bool,
    /// The faults that occur for a time.
    pub(crate) kinds: Vec<Kind>,
    /// How likely one is, in hundredths of all requests.
    pub(crate) rate: u8,
    /// Whether the program is killed now and then.
    pub(crate) kills: bool,
    pub(crate) forms: Forms,
}

impl Habits {
    pub(crate) fn draw(rng: &mut Rng, shape: Shape, visible_within: u64, longest_wait: u64) -> Self {
        let mut one_in = |n: u8| rng.u8(0..n) == 0;
        let (odd_names, odd_ttls, odd_flags, relative) = (one_in(3), one_in(3), one_in(3), one_in(3));
        let (replicas, unstable, repeats, inserts) = (one_in(6), one_in(6), one_in(5), one_in(5));
        let (mut get, ids_change, whole, together, ok, kills) =
            (one_in(2), one_in(5), one_in(3), one_in(4), one_in(2), one_in(2));
        let together = together && shape == Shape::RrSet;
        get &= !together;
        let is_named = shape == Shape::Record && rng.u8(0..2) == 0;
        let by_name = is_named.then(|| pick(rng, &[ByName::Exact, ByName::Contains, ByName::Ignored]));
        let paging =
            pick(rng, &[Paging::Whole, Paging::Number(true), Paging::Number(false), Paging::Cursor, Paging::Link]);
        let mut kinds = KINDS.to_vec();
        rng.shuffle(&mut kinds);
        kinds.truncate(rng.usize(0..=5));
        if !ok {
            kinds.retain(|kind| *kind != Kind::NotOk);
        }
        Self {
            shape,
            paging,
            page_size: rng.usize(2..=7),
            by_name,
            nothing: pick(rng, &[Nothing::Empty, Nothing::NotFound, Nothing::Null, Nothing::Missing]),
            after_last: pick(rng, &[AfterLast::Empty, AfterLast::NotFound, AfterLast::Last]),
            relative,
            odd_names,
            odd_ttls,
            odd_flags,
            visible_within,
            lag: if rng.u8(0..3) == 0 { 0 } else { rng.u64(1..visible_within * 5 / 6) },
            longest_wait,
            replicas,
            unstable,
            repeats,
            inserts,
            duplicates: pick(rng, &[Duplicates::Accepted, Duplicates::Refused(409), Duplicates::Refused(422)]),
            tags: pick(rng, &[Tags::Absent, Tags::Weak, Tags::Ignored, Tags::Strong]),
            get,
            ids_change,
            whole: whole && !together,
            together,
            ok,
            kinds,
            rate: rng.u8(5..45),
            kills,
            // By numbers of their own: what else a seed plays is not to change with them.
            forms: Forms::draw(&mut Rng::with_seed(rng.get_seed().rotate_left(32))),
        }
    }

    /// An API of this shape as its documentation has it.
    pub(crate) fn plain(shape: Shape) -> Self {
        Self {
            shape,
            paging: Paging::Number(true),
            page_size: 5,
            by_name: None,
            nothing: Nothing::Empty,
            after_last: AfterLast::Empty,
            relative: false,
            odd_names: false,
            odd_ttls: false,
            odd_flags: false,
            visible_within: 60_000,
            lag: 0,
            longest_wait: 0,
            replicas: false,
            unstable: false,
            repeats: false,
            inserts: false,
            duplicates: Duplicates::Refused(409),
            tags: Tags::Strong,
            get: shape != Shape::Program,
            ids_change: false,
            whole: false,
            together: false,
            ok: false,
            kinds: Vec::new(),
            rate: 0,
            kills: true,
            forms: Forms::default(),
        }
    }

    /// Whether the next page is told by a header.
    pub(crate) fn by_header(&self) -> bool {
        self.paging == Paging::Link && self.forms.links
    }

    /// Whether nothing of others is lost when they write between a reading of ours and the write that follows.
    pub(crate) fn is_guarded(&self) -> bool {
        match self.shape {
            Shape::Record => !self.whole || self.get && self.tags == Tags::Strong,
            Shape::RrSet => self.get && self.tags == Tags::Strong,
            Shape::Program => false,
        }
    }
}

fn pick<T: Copy>(rng: &mut Rng, of: &[T]) -> T {
    of[rng.usize(0..of.len())]
}

/// Whether and when what was asked is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Work {
    No,
    Now,
    /// After the answer, and in time for `visible_within`.
    Later,
}

/// What comes instead of the answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Answer {
    Proper,
    Cut,
    Slow,
    /// A status, and seconds to wait, told as a date or as seconds.
    Status(u16, Option<(u64, bool)>),
    /// A status of success without a body of use, or with a target.
    Bare(u16),
    NotOk,
    Gzip,
    Junk,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Fault {
    pub(crate) work: Work,
    pub(crate) answer: Answer,
}

impl Fault {
    /// What a fault of `kind` does to one request, if it does anything to one of this sort.
    pub(crate) fn draw(rng: &mut Rng, habits: &Habits, kind: Kind, of: &Request) -> Option<Self> {
        let is_write = of.is_write();
        let any = |rng: &mut Rng| if is_write { pick(rng, &[Work::No, Work::Now, Work::Later]) } else { Work::No };
        let whether = |rng: &mut Rng| if is_write { pick(rng, &[Work::No, Work::Now]) } else { Work::No };
        let wait = |rng: &mut Rng| Some((rng.u64(1..=habits.longest_wait), rng.bool()));
        let (work, answer) = match kind {
            Kind::Cut => (any(rng), Answer::Cut),
            Kind::Slow => (any(rng), Answer::Slow),
            Kind::Unavailable => {
                let wait = wait(rng).filter(|_| rng.bool());
                (whether(rng), Answer::Status(503, wait))
            }
            Kind::Failing => (any(rng), Answer::Status(pick(rng, &[500, 502, 504]), None)),
            Kind::Limit => (Work::No, Answer::Status(429, wait(rng))),
            Kind::Unprocessable if is_write => (Work::Now, Answer::Status(pick(rng, &[422, 400, 409]), None)),
            Kind::Moved => (whether(rng), Answer::Status(302, None)),
            Kind::NotOk => (whether(rng), Answer::NotOk),
            Kind::Unauthorized => (Work::No, Answer::Status(401, None)),
            Kind::Forbidden => (Work::No, Answer::Status(403, None)),
            Kind::SeeOther if of.method == "POST" => (Work::Now, Answer::Bare(303)),
            Kind::Accepted if is_write => (Work::Later, Answer::Bare(202)),
            Kind::Gzip => (Work::Now, Answer::Gzip),
            Kind::KeptClosed if of.is_kept => (Work::No, Answer::Cut),
            Kind::Junk => (whether(rng), Answer::Junk),
            Kind::Unprocessable | Kind::SeeOther | Kind::Accepted | Kind::KeptClosed => return None,
        };
        Some(Self { work, answer })
    }

    /// Whether a person is needed after it, as far as anybody can tell by the answer and by reading.
    pub(crate) fn needs_a_person(self, is_write: bool) -> bool {
        match self.answer {
            Answer::Status(401, _) => true,
            Answer::Status(403, _) | Answer::NotOk => is_write && self.work == Work::No,
            _ => false,
        }
    }
}
