//! The real program before the simulator in real time, killed at any moment; times are short, as the description says.

use std::fs;
use std::sync::mpsc;
use std::time::{Duration, Instant};

use fastrand::Rng;
use tempfile::TempDir;

use crate::api::Api;
use crate::bench::{home, table};
use crate::habits::{Habits, Kind, Shape};
use crate::judge::{intents, untruths};
use crate::living::{Daemon, echoes, open_intents};
use crate::world::{Time, WANTED, World, at};

const TIMEOUT: Duration = Duration::from_millis(300);
/// How long anything may take to come true.
const PATIENCE: Duration = Duration::from_secs(90);

/// The simulator on a thread of its own, which ends with the process.
fn api(world: World) -> Api {
    let (tell, told) = mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async {
            tell.send(Api::start(world, TIMEOUT).await).unwrap();
            std::future::pending::<()>().await;
        });
    });
    told.recv().unwrap()
}

fn configure(dir: &TempDir, api: &Api, echoes: &[fingerpost::rehearsal::echo::Echo]) {
    let mut text = format!(
        "state_dir = \"state\"\n\
         [watch]\nevery = \"1s\"\nsettle = 1\nsettle_every = \"100ms\"\ntimeout = \"1s\"\naccept_special = [\"198.18.0.0/15\"]\n\
         [retry]\ninitial = \"100ms\"\nmax = \"300ms\"\n\
         [limits]\nspacing = \"1ms\"\nburst = 1000\ndaily = 1000000\n\
         {}timeout = \"300ms\"\nconfirm = \"off\"\n",
        table(dir.path(), api)
    );
    for (label, is_member, ttl) in WANTED {
        let sharing = if is_member { "member" } else { "sole" };
        text += &format!(
            "[[record]]\nname = \"{}\"\ntypes = [\"A\"]\nprovider = \"home\"\nttl = \"{ttl}s\"\nsharing = \"{sharing}\"\n",
            at(label)
        );
    }
    for (at, echo) in echoes.iter().enumerate() {
        text += &format!(
            "[[witness]]\nname = \"w{at}\"\noperator = \"o{at}\"\nkind = \"http\"\nurl = \"{}\"\nfamilies = [\"ipv4\"]\n",
            echo.url()
        );
    }
    fs::write(dir.path().join("fingerpost.toml"), text).unwrap();
}

/// How the API of this seed is: not in ways after which somebody has to act, or an hour goes by.
pub(crate) fn habits(seed: u64) -> (Habits, Rng) {
    let mut rng = Rng::with_seed(seed);
    let shape = [Shape::Record, Shape::RrSet, Shape::Program][rng.usize(0..3)];
    let shape = Shape::asked_for().unwrap_or(shape);
    let mut habits = Habits::draw(&mut rng, shape, 2000, 1);
    habits.kinds.retain(|kind| !matches!(kind, Kind::Unauthorized | Kind::Forbidden | Kind::NotOk));
    (habits, rng)
}

/// Plays one run with so many kills; gives what was not as it must be.
pub(crate) fn run((habits, mut rng): (Habits, Rng), kills: usize) -> Vec<String> {
    let guarded = habits.is_guarded();
    let api = api(World::new(habits, Time::Real, rng.fork(), &home(0)));
    let dir = tempfile::tempdir().unwrap();
    let echoes = echoes(home(0).parse().unwrap());
    configure(&dir, &api, &echoes);
    let state = dir.path().join("state");
    for moves in 1..=u16::try_from(kills).unwrap() {
        let daemon = Daemon::start(dir.path());
        if rng.bool() {
            api.world().move_to(&home(moves));
            echoes.iter().for_each(|echo| echo.home_is_at(home(moves).parse().unwrap()));
        }
        if rng.bool() && guarded {
            api.world().somebody_acts(false);
        }
        std::thread::sleep(Duration::from_millis(rng.u64(1..1500)));
        daemon.kill();
        // What it sent last has come by now: what comes later is of the next one.
        std::thread::sleep(Duration::from_millis(40));
        api.world().wait_until = 0;
    }
    api.world().is_wild = false;
    let mut daemon = Daemon::start(dir.path());
    let mut breaches = Vec::new();
    let in_step = || api.world().amiss().is_none() && api.world().is_settled() && open_intents(&state) == 0;
    let mut until = |what: &str, seen: &mut dyn FnMut() -> bool| {
        let end = Instant::now() + PATIENCE;
        while !seen() {
            daemon.is_up();
            if Instant::now() > end {
                breaches.push(format!("late: waited in vain for {what}: {:?}\n{}", api.world().amiss(), daemon.log()));
                return false;
            }
            std::thread::sleep(Duration::from_millis(10));
        }
        true
    };
    let count = |is_write: bool| api.world().asked.iter().filter(|asked| asked.request.is_write() == is_write).count();
    if until("all to be in step", &mut || in_step()) {
        // What is under way may still be read and written down.
        let reads = count(false);
        until("a look", &mut || count(false) > reads + 2 * WANTED.len());
        let (reads, writes, lines) = (count(false), count(true), intents(&state).1);
        until("more looks", &mut || count(false) > reads + 4 * WANTED.len());
        if (count(true), intents(&state).1) != (writes, lines) {
            breaches.push(format!("loud: not quiet in step:\n{}", daemon.log()));
        }
    }
    daemon.stop();
    let (intents, _) = intents(&state);
    let world = api.world();
    breaches.extend(world.breaches.iter().cloned());
    breaches.extend(untruths(&world, &intents));
    println!("{kills} kills, {} requests, {} intents", world.asked.len(), intents.len());
    breaches
}
