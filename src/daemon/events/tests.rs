use std::future::ready;

use super::*;
use crate::config::testing::config;

/// What is listened to by a daemon that nobody tells anything; it lasts as long as the sender.
fn events() -> (mpsc::Sender<Trigger>, Events) {
    let dir = tempfile::tempdir().unwrap();
    let config = config(dir.path(), "");
    let (tell, triggers) = mpsc::channel(8);
    (tell, Events::new(triggers, Notifier::Nobody, &config))
}

#[tokio::test(flavor = "local")]
async fn whatever_ends_by_itself_is_told_by_its_own_name() {
    for (task, name) in [
        (Task::Status, "shows the status"),
        (Task::Messages, "sends messages"),
        (Task::Lease("home".to_owned()), "looks after the lease of home"),
    ] {
        let (_tell, mut events) = events();
        events.tasks.start(task, ready(None));
        let told = events.next(None).await.err().unwrap();
        assert_eq!(told.to_string(), format!("the task that {name} ended by itself; please report this"));
    }
    let (tell, mut events) = events();
    drop(tell);
    assert!(matches!(events.next(None).await, Err(DaemonError::Deaf)));
}

#[tokio::test(flavor = "local", start_paused = true)]
async fn what_is_under_way_is_given_up_but_for_files_that_are_written() {
    let (tell, mut events) = events();
    let later = || async {
        tokio::time::sleep(Duration::from_secs(3)).await;
        Event::Rendered(Ok(Vec::new()))
    };
    let never = std::future::pending::<Event>;
    for task in [Task::Look, Task::Expose, Task::Fetch] {
        events.start(task, never());
    }
    events.start(Task::Render, later());
    tell.send(Trigger::Round).await.unwrap();
    assert!(events.give_up(&BTreeSet::new(), Duration::from_secs(10)).await.unwrap());
    assert!(
        [Task::Look, Task::Expose, Task::Fetch, Task::Render].iter().all(|task| events.tasks.begun(task).is_none())
    );
    assert!(matches!(events.ended()[..], [Event::Rendered(Ok(_))]));
    // What else came meanwhile is not lost.
    assert!(matches!(events.next(None).await, Ok(Event::Trigger(Trigger::Round))));
    events.start(Task::Render, never());
    assert!(!events.give_up(&BTreeSet::new(), Duration::from_secs(10)).await.unwrap(), "it does not wait for ever");
}

#[tokio::test(flavor = "local", start_paused = true)]
async fn what_is_due_comes_before_what_is_pushed_and_after_what_a_person_wants() {
    let (tell, mut events) = events();
    events.start(Task::Look, ready(Event::Fetched(Ok(Vec::new()))));
    tell.send(Trigger::Stop).await.unwrap();
    let now = Some(Instant::now());
    assert!(matches!(events.next(now).await, Ok(Event::Trigger(Trigger::Stop))));
    assert!(matches!(events.next(now).await, Ok(Event::Due)));
    assert!(matches!(events.next(None).await, Ok(Event::Fetched(_))));
}
