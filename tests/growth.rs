//! What the program's work costs as its input grows, in bytes that are asked of the allocator: never by the clock.
//!
//! One test, since the counters are the process's.

#![expect(clippy::unwrap_used, reason = "a test ends at the first surprise")]
#![expect(unsafe_code, reason = "an allocator that counts cannot be written without")]

#[path = "common/transfer.rs"]
mod transfer;

use std::alloc::{GlobalAlloc, Layout, System};
use std::borrow::Cow;
use std::net::TcpListener;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use fingerpost::address::set::AddressSet;
use fingerpost::allowlist::render::{Form, Part, render};
use fingerpost::allowlist::source;
use fingerpost::exposure::home::Home;
use fingerpost::exposure::leaks::{Open, leaks};
use fingerpost::name::DnsName;
use fingerpost::provider::listing::{self, ROOM, ZoneRecord};
use fingerpost::provider::rfc2136::Rfc2136;
use fingerpost::provider::{FaultKind, Provider};
use fingerpost::settings::ListForm;
use transfer::serve;

/// All bytes that were ever asked for, those held, and the most that were held at once.
static ASKED: AtomicUsize = AtomicUsize::new(0);
static HELD: AtomicUsize = AtomicUsize::new(0);
static MOST: AtomicUsize = AtomicUsize::new(0);

struct Counting;

// SAFETY: all is the system's; only numbers are kept beside it.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        ASKED.fetch_add(layout.size(), Ordering::Relaxed);
        let held = HELD.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        MOST.fetch_max(held, Ordering::Relaxed);
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        HELD.fetch_sub(layout.size(), Ordering::Relaxed);
        unsafe { System.dealloc(pointer, layout) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// What `work` asks for altogether.
fn asked<T>(work: impl FnOnce() -> T) -> usize {
    let before = ASKED.load(Ordering::Relaxed);
    drop(work());
    ASKED.load(Ordering::Relaxed) - before
}

/// What `work` brings, and the most that is held meanwhile beyond what was held before.
fn most<T>(work: impl FnOnce() -> T) -> (T, usize) {
    let before = HELD.load(Ordering::Relaxed);
    MOST.store(before, Ordering::Relaxed);
    let done = work();
    (done, MOST.load(Ordering::Relaxed) - before)
}

/// Four times the input may cost no more than five times as much: a quadratic part would cost sixteen times.
#[track_caller]
fn linear(what: &str, cost: impl Fn(usize) -> usize) {
    let (few, many) = (cost(10_000), cost(40_000));
    println!("{what}: {few} bytes for 10,000, {many} for 40,000");
    assert!(many <= few * 5, "{what}: {few} for 10,000, {many} for 40,000");
}

/// Ranges that cannot be put together, a line each.
fn list(count: usize) -> String {
    (0..count).map(|at| format!("198.{}.{}.{}/32\n", 18 + at / 32768, at / 128 % 256, at % 128 * 2)).collect()
}

fn records(count: usize) -> Vec<ZoneRecord> {
    let one = |at: usize| ZoneRecord {
        name: format!("n{at}.heronmill.example"),
        rtype: Cow::Borrowed("A"),
        data: vec![listing::Part::Address([198, 51, 100, 7].into())],
    };
    (0..count).map(one).collect()
}

#[test]
fn what_grows_with_its_input_grows_no_faster() {
    linear("reading a list", |count| {
        let text = list(count);
        asked(|| source::read(&ListForm::Lines, None, text.as_bytes()).unwrap())
    });
    linear("rendering lines", |count| {
        let set: AddressSet = source::read(&ListForm::Lines, None, list(count).as_bytes()).unwrap().set;
        let parts = [Part { edge: "edge".into(), number: 1, set }];
        asked(|| render(Form::Lines, &parts, &[443]).unwrap())
    });
    let home = Home::new([[203, 0, 113, 77].into()], 64);
    linear("looking through a zone", |count| {
        let records = records(count);
        asked(|| leaks(&records, &home, &Open::default()))
    });

    // The largest zone that is looked through: a part of the unit's MemoryMax of 128 MiB.
    let count = ROOM / records(1)[0].weight();
    let ((), looking) = most(|| assert!(leaks(&records(count), &home, &Open::default()).is_empty()));
    println!("{count} records: {} MiB held at most", looking >> 20);
    assert!(looking < 64 << 20, "{looking}");

    // And the one that would be larger, as a server may send it: 16 MiB in messages of 64 KiB.
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let server = std::thread::spawn(move || serve(&listener.accept().unwrap().0, 16 << 20));
    let zone = DnsName::parse("heronmill.example").unwrap();
    let provider = Rfc2136::new(zone, address, None, Duration::from_secs(60));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let (listed, arriving) = most(|| runtime.block_on(provider.list()));
    println!("a transfer of 16 MiB: {} MiB held at most", arriving >> 20);
    let fault = listed.unwrap_err();
    assert!(fault.kind == FaultKind::Refused && fault.to_string().contains("too many records"), "{fault}");
    assert!(arriving < 48 << 20, "{arriving}");
    drop(provider);
    server.join().unwrap();
}
