//! The live stream as a page follows it.

mod client;
mod valley;

use std::time::{Duration, Instant};

use client::Server;
use supervision::alarm::AlarmState;

#[tokio::test]
async fn a_page_is_given_the_whole_state_and_then_what_changed() {
    let server = Server::start(None).await;
    let mut events = server.client().follow().await;
    let snap = events.next().await.unwrap();
    assert_eq!(snap.name, "snap");
    assert_eq!(snap.data["districts"].as_array().unwrap().len(), 4);
    assert!(snap.data["hist"]["z"].is_array());
    server.with_plant(|plant| plant.short()).await;
    let delta = loop {
        let delta = events.next_of("d").await;
        if delta.data["a"].is_array() {
            break delta;
        }
    };
    assert_eq!(delta.data["a"][0]["id"], "frog-mismatch/frog/T6");
    assert_eq!(delta.data["d"][0][0], 1, "only the district that changed");
    assert_eq!(delta.data["d"][0][1]["power"], "cut");
    let turnouts: Vec<_> =
        delta.data["u"].as_array().unwrap().iter().map(|row| row[0].clone()).collect();
    assert!(turnouts.contains(&5.into()) && !turnouts.contains(&0.into()), "{turnouts:?}");
}

#[tokio::test]
async fn of_a_row_only_what_changed_is_sent() {
    let server = Server::start(None).await;
    let mut events = server.client().follow().await;
    let _ = events.next().await;
    server.with_plant(|plant| plant.snapshot.poles[4].image = 333).await;
    let delta = loop {
        let delta = events.next_of("d").await;
        if !delta.data["u"].is_null() {
            break delta;
        }
    };
    assert_eq!(delta.data["u"], serde_json::json!([[2, { "heat": 33 }]]));
}

#[tokio::test]
async fn numbers_count_up_by_one_and_something_comes_every_second_though_nothing_happens() {
    let server = Server::start(None).await;
    let mut events = server.client().follow().await;
    let mut q = events.next().await.unwrap().data["q"].as_u64().unwrap();
    for _ in 0..3 {
        let asked = Instant::now();
        let delta = events.next_of("d").await;
        assert!(asked.elapsed() < Duration::from_secs(1));
        q += 1;
        assert_eq!(delta.data["q"].as_u64(), Some(q));
        assert!(delta.data["age"].as_u64().unwrap() > 0, "a view that is not renewed grows old");
    }
}

#[tokio::test]
async fn a_page_that_comes_back_gets_what_it_missed_and_a_stranger_gets_the_whole_state() {
    let server = Server::start(None).await;
    let mut events = server.client().follow().await;
    let snap = events.next().await.unwrap();
    let seen = events.next_of("d").await;
    let _ = events.next_of("d").await;
    drop(events);
    let mut back = server.client().with(&format!("Last-Event-ID: {}", seen.id)).follow().await;
    let missed = back.next().await.unwrap();
    assert_eq!(missed.name, "d");
    assert_eq!(missed.data["q"].as_u64(), Some(seen.data["q"].as_u64().unwrap() + 1));
    let epoch = snap.id.split('.').next().unwrap();
    for id in ["other.3", "nonsense", &format!("{epoch}.999999")] {
        let mut stranger = server.client().with(&format!("Last-Event-ID: {id}")).follow().await;
        assert_eq!(stranger.next().await.unwrap().name, "snap", "{id}");
    }
}

#[tokio::test]
async fn a_page_that_has_asked_for_the_whole_state_follows_from_there_on() {
    let server = Server::start(None).await;
    let whole = server.client().get("/api/v1/state?trends=true").await.json();
    assert!(whole["hist"]["z"].is_array());
    assert!(server.client().get("/api/v1/state").await.json()["hist"].is_null());
    assert_eq!(server.client().get("/api/v1/state?trends=perhaps").await.status, 400);
    let (epoch, q) = (whole["epoch"].as_str().unwrap(), whole["q"].as_u64().unwrap());
    let mut events = server.client().follow_after(&format!("?after={epoch}.{q}")).await;
    let first = events.next().await.unwrap();
    assert_eq!((first.name.as_str(), first.data["q"].as_u64()), ("d", Some(q + 1)));
    // What it heard since goes before what it knew at first.
    let _ = events.next_of("d").await;
    let back = server.client().with(&format!("Last-Event-ID: {}", first.id));
    let mut events = back.follow_after(&format!("?after={epoch}.{q}")).await;
    assert_eq!(events.next().await.unwrap().data["q"].as_u64(), Some(q + 2));
    // A state that is of another run, or is not understood, begins anew.
    for query in ["?after=other.1", "?after=1&after=2", "?after="] {
        let mut events = server.client().follow_after(query).await;
        assert_eq!(events.next().await.unwrap().name, "snap", "{query}");
    }
}

#[tokio::test]
async fn who_asks_while_nobody_looked_is_told_of_a_new_view() {
    let server = Server::start(None).await;
    let late = Duration::from_millis(400);
    server.publish(|view| view.made -= late).await;
    server.publish_when_asked(|view| view.history_ok = false);
    let health = server.client().get("/health").await.json();
    assert_eq!(health["history"], false);
    assert!(health["supervisor_age_ms"].as_u64().unwrap() < 400, "{health}");
    // A shell that is stuck shows nothing new: the age says so.
    server.publish(|view| view.made -= late).await;
    let health = server.client().get("/health").await.json();
    assert!(health["supervisor_age_ms"].as_u64().unwrap() >= 400, "{health}");
}

#[tokio::test]
async fn alarms_make_no_messages_where_no_page_follows() {
    let server = Server::start(None).await;
    server.with_plant(|plant| plant.short()).await;
    let number = async || server.client().get("/api/v1/state").await.json()["q"].as_u64().unwrap();
    let first = number().await;
    for state in [AlarmState::Acknowledged, AlarmState::Unacknowledged].into_iter().cycle().take(20)
    {
        server.publish(|view| view.snapshot.alarms[0].state = state).await;
        // The beat runs on this thread and has taken note of it before this one goes on.
        tokio::task::yield_now().await;
        tokio::task::yield_now().await;
    }
    assert_eq!(number().await, first + 1, "the one of the question itself");
}

#[tokio::test]
async fn the_current_of_a_cut_stays_in_the_trend_though_it_was_over_between_two_beats() {
    let server = Server::start(None).await;
    server.with_plant(|plant| plant.short()).await;
    let mut events = server.client().follow().await;
    let _ = (events.next_of("d").await, events.next_of("d").await);
    let snap = server.client().follow().await.next().await.unwrap();
    let trend = snap.data["hist"]["z"][1].as_array().unwrap().clone();
    assert!(trend.iter().any(|it| it.as_i64() == Some(4620)), "4.62 A in {trend:?}");
    assert_eq!(trend.iter().filter(|it| it.as_i64() == Some(4620)).count(), 1, "once a cut");
}

#[tokio::test]
async fn a_silence_reaches_every_screen_and_acknowledges_nothing() {
    let server = Server::start(None).await;
    server.with_plant(|plant| plant.short()).await;
    let mut other = server.client().follow().await;
    let before = other.next().await.unwrap();
    assert_eq!(before.data["silent"], 0);
    let client = server.signed_in().await;
    assert_eq!(client.post("/api/v1/silence", "{}").await.status, 200);
    let delta = loop {
        let delta = other.next_of("d").await;
        if !delta.data["silent"].is_null() {
            break delta;
        }
    };
    let left = delta.data["silent"].as_i64().unwrap() - delta.data["t"].as_i64().unwrap();
    assert_eq!(left, 120_000);
    let alarms = server.client().get("/api/v1/alarms").await.json();
    assert_eq!(alarms["alarms"][0]["state"], "unacknowledged");
    assert_eq!(server.client().post("/api/v1/silence", "{}").await.status, 401);
}

#[tokio::test]
async fn streams_end_when_the_program_stops() {
    let server = Server::start(None).await;
    let mut events = server.client().follow().await;
    assert_eq!(events.next().await.unwrap().name, "snap");
    let stopping = tokio::spawn(server.stop());
    let last = loop {
        match events.next().await {
            Some(event) if event.name == "bye" => break true,
            Some(_) => {}
            None => break false,
        }
    };
    assert!(last, "it says goodbye");
    tokio::time::timeout(Duration::from_secs(2), stopping)
        .await
        .expect("no stream holds it up")
        .unwrap();
}

#[tokio::test]
async fn a_page_that_does_not_read_does_not_hold_up_the_others() {
    let server = Server::start(None).await;
    let _slow = server.client().follow().await;
    let mut quick = server.client().follow().await;
    assert_eq!(quick.next().await.unwrap().name, "snap");
    for _ in 0..60 {
        server.with_plant(|plant| plant.step(100)).await;
        server
            .with_plant(|plant| {
                if plant.snapshot.alarms.is_empty() {
                    plant.hot(2)
                } else {
                    plant.snapshot.alarms.clear()
                }
            })
            .await;
        let _ = quick.next_of("d").await;
    }
}
