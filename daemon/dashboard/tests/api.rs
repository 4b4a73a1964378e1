//! The interface as a client sees it: a real server on loopback, plain HTTP by hand.

mod client;
mod valley;

use client::{Client, Server, TOKEN};
use serde_json::{Value, json};
use supervision::output::PowerState;

#[tokio::test]
async fn the_state_names_every_district_and_turnout() {
    let server = Server::start(None).await;
    let answer = server.client().get("/api/v1/state").await;
    assert_eq!(answer.status, 200);
    let state = answer.json();
    let ids: Vec<_> = state["districts"].as_array().unwrap().iter().map(|it| &it["id"]).collect();
    assert_eq!(ids, ["quarry", "junction", "millbrook", "harbour"]);
    assert_eq!(state["turnouts"].as_array().unwrap().len(), 18);
    assert_eq!(state["layout"]["name"], "Tamarrow Valley");
    assert_eq!(state["turnouts"][1]["position"], "reverse");
    assert_eq!(state["turnouts"][1]["frog"], "matches");
}

#[tokio::test]
async fn whoever_asks_is_told_of_the_newest_view_though_no_page_follows() {
    let server = Server::start(None).await;
    for image in [300, 400, 500] {
        server.with_plant(|plant| plant.snapshot.poles[4].image = image).await;
        let turnouts = server.client().get("/api/v1/turnouts").await.json();
        let state = server.client().get("/api/v1/state").await.json();
        for rows in [&turnouts["turnouts"], &state["turnouts"]] {
            assert_eq!(rows[2]["heat"], image / 10, "{rows}");
        }
    }
}

#[tokio::test]
async fn acting_needs_the_operator_token_in_either_form() {
    let server = Server::start(Some("look")).await;
    let body = r#"{"district":"quarry"}"#;
    let cases = [(None, 401), (Some("wrong"), 401), (Some("look"), 403), (Some(TOKEN), 200)];
    for (token, want) in cases {
        let client = server.client().bearer(token);
        assert_eq!(client.post("/api/v1/cut", body).await.status, want, "{token:?}");
    }
    let signed_in = server.signed_in().await;
    assert_eq!(signed_in.post("/api/v1/hold", body).await.status, 200);
}

#[tokio::test]
async fn the_cookie_is_kept_from_scripts_and_other_sites_and_ends_with_the_session() {
    let server = Server::start(None).await;
    let body = format!(r#"{{"token":"{TOKEN}","name":"Ines"}}"#);
    let answer = server.client().post("/api/v1/session", &body).await;
    let cookie = answer.header("set-cookie").unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    assert!(!answer.body.contains(TOKEN));
    let client = server.signed_in().await;
    assert_eq!(client.get("/api/v1/session").await.json()["role"], "operator");
    assert_eq!(client.send("DELETE", "/api/v1/session", "").await.status, 200);
    assert_eq!(client.post("/api/v1/cut", r#"{"district":"quarry"}"#).await.status, 401);
}

#[tokio::test]
async fn guessing_tokens_is_stopped() {
    let server = Server::start(None).await;
    let guess = r#"{"token":"guess","name":"x"}"#;
    for _ in 0..5 {
        assert_eq!(server.client().post("/api/v1/session", guess).await.status, 401);
    }
    let right = format!(r#"{{"token":"{TOKEN}"}}"#);
    let answer = server.client().post("/api/v1/session", &right).await;
    assert_eq!(answer.status, 429);
    assert_eq!(answer.header("retry-after"), Some("60"));
}

#[tokio::test]
async fn reading_needs_the_read_token_where_one_is_set() {
    let server = Server::start(Some("look")).await;
    for path in ["/api/v1/state", "/api/v1/stream", "/metrics", "/api/v1/faults"] {
        assert_eq!(server.client().get(path).await.status, 401, "{path}");
    }
    for path in ["/", "/assets/app.js", "/health", "/api/v1/openapi.json"] {
        assert_eq!(server.client().get(path).await.status, 200, "{path}");
    }
    assert_eq!(server.client().bearer(Some("look")).get("/api/v1/state").await.status, 200);
}

#[tokio::test]
async fn other_sites_and_strange_hosts_are_refused() {
    let server = Server::start(None).await;
    let body = r#"{"district":"quarry"}"#;
    let own = format!("http://{}", server.address());
    let cases = [
        ("Origin: http://evil.example", 403),
        ("Origin: null", 403),
        ("Sec-Fetch-Site: cross-site", 403),
        (&format!("Origin: {own}"), 200),
    ];
    for (header, want) in cases {
        let client = server.client().bearer(Some(TOKEN)).with(header);
        assert_eq!(client.post("/api/v1/cut", body).await.status, want, "{header}");
    }
    let strange = Client::new(server.address(), "evil.example:80");
    assert_eq!(strange.get("/api/v1/state").await.status, 421);
}

#[tokio::test]
async fn bodies_that_are_too_large_wrong_or_not_json_are_named() {
    let server = Server::start(None).await;
    let client = server.client().bearer(Some(TOKEN));
    let large = format!(r#"{{"district":"{}"}}"#, "x".repeat(20_000));
    let cases = [
        ("{}", 400),
        ("{", 400),
        ("[1]", 400),
        (r#"{"district":"quarry","booster":"main"}"#, 400),
        (r#"{"district":"nowhere"}"#, 404),
        (r#"{"district":"quarry","confrim":true}"#, 400),
        (large.as_str(), 413),
    ];
    for (body, want) in cases {
        let answer = client.post("/api/v1/cut", body).await;
        assert_eq!(answer.status, want, "{}", &body[..body.len().min(60)]);
        assert!(answer.json()["message"].is_string(), "{want} says why");
    }
    let plain = client.with("Content-Type: text/plain");
    assert_eq!(plain.send("POST", "/api/v1/cut", "{}").await.status, 415);
    let headers = server.client().with(&format!("X-Long: {}", "y".repeat(20_000)));
    assert_eq!(headers.get("/api/v1/state").await.status, 431);
}

#[tokio::test]
async fn a_first_out_mark_is_taken_away_by_its_own_act() {
    let server = Server::start(None).await;
    server.with_plant(|plant| plant.short()).await;
    let client = server.signed_in().await;
    let first = r#"{"alarm":"frog-mismatch","subject":"frog/T6"}"#;
    let shown = client.get("/api/v1/alarms").await.json();
    let row = shown["alarms"].as_array().unwrap().iter().find(|it| it["subject"] == "frog/T6");
    assert_eq!(row.unwrap()["first_out"], true, "{shown}");
    assert_eq!(client.post("/api/v1/reset-first-out", first).await.status, 200);
    let again = client.post("/api/v1/reset-first-out", first).await;
    assert_eq!((again.status, again.code()), (409, "not-in-that-state".to_owned()));
}

#[tokio::test]
async fn a_restore_is_confirmed_and_refused_while_its_cause_is_not_acknowledged() {
    let server = Server::start(None).await;
    server.with_plant(|plant| plant.short()).await;
    let client = server.signed_in().await;
    let answer = client.post("/api/v1/restore", r#"{"district":"junction"}"#).await;
    assert_eq!((answer.status, answer.code()), (409, "confirm".to_owned()));
    assert!(answer.body.contains("short circuit"), "the cause is repeated: {}", answer.body);
    let confirmed = r#"{"district":"junction","confirm":true}"#;
    let answer = client.post("/api/v1/restore", confirmed).await;
    assert_eq!((answer.status, answer.code()), (409, "acknowledge-first".to_owned()));
    for alarm in [
        r#"{"alarm":"frog-mismatch","subject":"frog/T6"}"#,
        r#"{"alarm":"short-circuit","subject":"district/junction"}"#,
    ] {
        assert_eq!(client.post("/api/v1/acknowledge", alarm).await.status, 200, "{alarm}");
    }
    assert_eq!(client.post("/api/v1/restore", confirmed).await.status, 200);
    let again = client.post("/api/v1/restore", confirmed).await;
    assert_eq!((again.status, again.code()), (409, "already-on".to_owned()));
}

#[tokio::test]
async fn a_restore_that_comes_again_with_its_key_is_done_once() {
    let server = Server::start(None).await;
    let client = server.signed_in().await;
    let (cut, restore) = (r#"{"district":"quarry"}"#, r#"{"district":"quarry","confirm":true}"#);
    assert_eq!(client.post("/api/v1/cut", cut).await.status, 200);
    let keyed = client.with("Idempotency-Key: 5e1f");
    let first = keyed.post("/api/v1/restore", restore).await;
    assert_eq!(first.status, 200);
    assert_eq!(client.post("/api/v1/cut", cut).await.status, 200);
    let asked = server.asked().await;
    let again = keyed.post("/api/v1/restore", restore).await;
    assert_eq!((again.status, again.body), (200, first.body), "the first answer, word for word");
    assert_eq!(server.asked().await, asked, "nothing was asked of the supervisor");
    server.shown(|state| state["districts"][0]["power"] == "cut").await;
    let other = keyed.post("/api/v1/restore", r#"{"district":"junction","confirm":true}"#).await;
    assert_eq!((other.status, other.code()), (422, "key-reused".to_owned()));
    let long = client.with(&format!("Idempotency-Key: {}", "k".repeat(65)));
    assert_eq!(long.post("/api/v1/cut", cut).await.status, 400);
    let unsigned = server.client().with("Idempotency-Key: 5e1f");
    assert_eq!(unsigned.post("/api/v1/restore", restore).await.status, 401, "a key opens nothing");
}

#[tokio::test]
async fn a_restore_by_somebody_who_saw_another_state_asks_to_look_again() {
    let server = Server::start(None).await;
    let client = server.signed_in().await;
    let seen =
        |state: &serde_json::Value| format!("{}.{}", state["epoch"].as_str().unwrap(), state["q"]);
    let before = seen(&client.get("/api/v1/state").await.json());
    assert_eq!(client.post("/api/v1/cut", r#"{"district":"quarry"}"#).await.status, 200);
    server.shown(|state| state["districts"][0]["power"] == "cut").await;
    let ask = |seen: &str| format!(r#"{{"district":"quarry","confirm":true,"seen":"{seen}"}}"#);
    for old in [before.as_str(), "other.9999", "nonsense"] {
        let answer = client.post("/api/v1/restore", &ask(old)).await;
        assert_eq!((answer.status, answer.code()), (409, "moved-on".to_owned()), "{old}");
    }
    let now = seen(&client.get("/api/v1/state").await.json());
    assert_eq!(client.post("/api/v1/restore", &ask(&now)).await.status, 200);
}

#[tokio::test]
async fn the_cookie_is_for_this_site_alone_and_no_script_reads_it() {
    let server = Server::start(None).await;
    let body = format!(r#"{{"token":"{TOKEN}","name":"Ines"}}"#);
    let answer = server.client().post("/api/v1/session", &body).await;
    let cookie = answer.header("set-cookie").unwrap();
    for want in ["HttpOnly", "SameSite=Strict", "Path=/", "Max-Age="] {
        assert!(cookie.contains(want), "{want} in {cookie}");
    }
}

#[tokio::test]
async fn guessing_tokens_is_slowed_down_by_status_and_header() {
    let server = Server::start(None).await;
    let client = server.client();
    for _ in 0..5 {
        assert_eq!(client.post("/api/v1/session", r#"{"token":"guess"}"#).await.status, 401);
    }
    let right = format!(r#"{{"token":"{TOKEN}"}}"#);
    let answer = client.post("/api/v1/session", &right).await;
    assert_eq!((answer.status, answer.header("retry-after")), (429, Some("60")));
}

#[tokio::test]
async fn shelving_has_a_reason_and_an_end() {
    let server = Server::start(None).await;
    server.with_plant(|plant| plant.hot(2)).await;
    let client = server.signed_in().await;
    let body = |minutes: u32, reason: &str| {
        format!(
            r#"{{"alarm":"contact-overload","subject":"pole/T3.1","minutes":{minutes},"reason":"{reason}"}}"#
        )
    };
    for (minutes, reason, want) in
        [(0, "why", 400), (9999, "why", 400), (5, " ", 400), (5, "why", 200)]
    {
        let answer = client.post("/api/v1/shelve", &body(minutes, reason)).await;
        assert_eq!(answer.status, want, "{minutes} {reason}");
    }
    let session = |more: &str| {
        format!(r#"{{"alarm":"contact-overload","subject":"pole/T3.1","reason":"why"{more}}}"#)
    };
    for (more, want) in [
        ("", 400),
        (r#","session":false"#, 400),
        (r#","session":true,"minutes":5"#, 400),
        (r#","session":true"#, 200),
    ] {
        let answer = client.post("/api/v1/shelve", &session(more)).await;
        assert_eq!(answer.status, want, "{more}");
    }
    let is_shelved = |it: &serde_json::Value| it["state"] == "shelved" && it["for_session"] == true;
    server.shown(|state| is_shelved(&state["alarms"][0])).await;
}

#[tokio::test]
async fn faults_are_listed_newest_first_and_unknown_ones_are_404() {
    let server = Server::start(None).await;
    let client = server.client();
    let faults = client.get("/api/v1/faults").await.json();
    assert_eq!(faults["faults"][0]["fault"], 27);
    assert_eq!(
        client.get("/api/v1/faults?limit=1").await.json()["faults"].as_array().unwrap().len(),
        1
    );
    assert_eq!(client.get("/api/v1/faults/27").await.json()["suspects"][0]["subject"], "frog/T6");
    for path in ["/api/v1/faults/99", "/api/v1/faults/x", "/api/v1/nothing", "/assets/none.js"] {
        assert_eq!(client.get(path).await.status, 404, "{path}");
    }
    assert_eq!(client.get("/api/v1/faults?limit=x").await.status, 400);
}

#[tokio::test]
async fn health_turns_when_the_supervisor_is_silent_and_names_what_is_degraded() {
    let server = Server::start(None).await;
    let client = server.client();
    assert_eq!(client.get("/health").await.json()["status"], "ok");
    server.publish(|view| view.history_ok = false).await;
    assert_eq!(client.get("/health").await.json()["status"], "degraded");
    server.publish(|view| view.made -= std::time::Duration::from_secs(3)).await;
    let answer = client.get("/health").await;
    assert_eq!((answer.status, answer.json()["status"].clone()), (503, "failing".into()));
}

#[tokio::test]
async fn silent_sensors_are_counted_and_are_no_failure_of_the_daemon() {
    let server = Server::start(None).await;
    let counts = |body: &Value| (body["not_protected"].clone(), body["silent"].clone());
    assert_eq!(counts(&server.client().get("/health").await.json()), (0.into(), 0.into()));
    server.with_plant(|plant| plant.silence(1)).await;
    let answer = server.client().get("/health").await;
    assert_eq!((answer.status, answer.json()["status"].clone()), (200, "ok".into()));
    assert_eq!(counts(&answer.json()), (1.into(), 1.into()));
    // What is cut needs no protection, and a node that is back is silent no more, acknowledged or not.
    let back = |view: &mut dashboard::View| {
        view.snapshot.districts[0].power = PowerState::Cut;
        view.snapshot.alarms[0].cleared = Some(view.snapshot.at);
    };
    server.publish(back).await;
    assert_eq!(counts(&server.client().get("/health").await.json()), (0.into(), 0.into()));
}

#[tokio::test]
async fn the_state_tells_of_each_link_what_it_could_not_use() {
    let server = Server::start(None).await;
    let link = async || server.client().get("/api/v1/state").await.json()["links"][0].clone();
    assert_eq!(
        (&link().await["unusable"], &link().await["last_unusable"]),
        (&json!(0), &json!(null))
    );
    let last = dashboard::UnusableView { at: 5, text: "crew: no number".into() };
    let bad = |view: &mut dashboard::View| {
        (view.links[0].unusable, view.links[0].last_unusable) = (3, Some(last));
    };
    server.publish(bad).await;
    assert_eq!(link().await["unusable"], 3);
    assert_eq!(link().await["last_unusable"], json!({ "at": 5, "text": "crew: no number" }));
}

#[tokio::test]
async fn metrics_are_lines_of_name_labels_and_number() {
    let server = Server::start(None).await;
    server.with_plant(|plant| plant.short()).await;
    let text = server.client().get("/metrics").await.body;
    for want in [
        "checkrail_power{of=\"district/junction\",state=\"cut\"} 1",
        "checkrail_power{of=\"district/junction\",state=\"on\"} 0",
        "checkrail_alarms{kind=\"short-circuit\",priority=\"high\"} 1",
        "checkrail_cut_latency_seconds_count 0",
        "checkrail_readings_total 0",
    ] {
        assert!(text.lines().any(|line| line == want), "{want} in\n{text}");
    }
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        let (name, number) = line.rsplit_once(' ').unwrap();
        assert!(name.starts_with("checkrail_") && number.parse::<f64>().is_ok(), "{line}");
    }
}

#[tokio::test]
async fn the_page_is_strict_about_where_things_come_from() {
    let server = Server::start(None).await;
    let client = server.client();
    for path in ["/", "/live", "/faults/27", "/turnouts?district=quarry"] {
        let answer = client.get(path).await;
        assert_eq!(answer.status, 200, "{path}");
        let policy = answer.header("content-security-policy").unwrap();
        assert!(
            policy.starts_with("default-src 'self';") && !policy.contains("unsafe"),
            "{policy}"
        );
        assert!(!answer.body.contains("style=\"") && !answer.body.contains("<script>"), "{path}");
    }
    let first = client.get("/assets/app.js").await;
    let tag = format!("If-None-Match: {}", first.header("etag").unwrap());
    assert_eq!(client.with(&tag).get("/assets/app.js").await.status, 304);
}

#[tokio::test]
async fn faults_are_narrowed_by_what_is_asked() {
    let server = Server::start(None).await;
    for (asked, want) in [
        ("", vec![27, 26, 25, 24]),
        ("?district=harbour", vec![26]),
        ("?suspect=frog/T6&before=27", vec![25, 24]),
        ("?cause=overload", vec![]),
        ("?limit=1&district=junction", vec![27]),
    ] {
        let list = server.client().get(&format!("/api/v1/faults{asked}")).await.json();
        let list = list["faults"].as_array().unwrap().clone();
        let numbers: Vec<_> = list.iter().map(|it| it["fault"].as_u64().unwrap()).collect();
        assert_eq!(numbers, want, "{asked}");
    }
    assert_eq!(server.client().get("/api/v1/faults?from=soon").await.status, 400);
}

#[tokio::test]
async fn a_note_needs_an_operator_a_fault_and_a_text_and_is_signed() {
    let server = Server::start(None).await;
    let body = r#"{"text":" pole 1 was burnt "}"#;
    assert_eq!(server.client().post("/api/v1/faults/27/note", body).await.status, 401);
    let client = server.signed_in().await;
    for (path, body, want) in [
        ("/api/v1/faults/27/note", r#"{"text":"  "}"#, 400),
        ("/api/v1/faults/99/note", body, 404),
        ("/api/v1/faults/x/note", body, 404),
        ("/api/v1/faults/27/note", body, 200),
    ] {
        assert_eq!(client.post(path, body).await.status, want, "{path} {body}");
    }
    let notes = client.get("/api/v1/faults/27").await.json()["notes"].clone();
    assert_eq!(notes.as_array().unwrap().len(), 1);
    assert_eq!((&notes[0]["who"], &notes[0]["text"]), (&"Ines".into(), &"pole 1 was burnt".into()));
}

#[tokio::test]
async fn files_come_as_attachments_in_a_form_that_is_known() {
    let server = Server::start(None).await;
    for (path, want) in [
        ("/api/v1/faults/27/export?as=cfg", "fault-27.cfg"),
        ("/api/v1/machines?as=csv", "machines.csv"),
        ("/api/v1/report?as=html", "session.html"),
    ] {
        let answer = server.client().get(path).await;
        assert_eq!(answer.status, 200, "{path}");
        let named = answer.header("content-disposition").unwrap();
        assert_eq!(named, format!("attachment; filename=\"{want}\""));
    }
    for path in ["/api/v1/faults/27/export", "/api/v1/faults/27/export?as=exe"] {
        assert_eq!(server.client().get(path).await.status, 400, "{path}");
    }
    assert_eq!(server.client().get("/api/v1/faults/99/export?as=csv").await.status, 404);
    assert!(server.client().get("/api/v1/report").await.json()["districts"].is_array());
}

#[tokio::test]
async fn the_wiring_of_a_district_and_of_a_machine_is_the_sheets_table() {
    let server = Server::start(None).await;
    let index = server.client().get("/api/v1/wiring").await.json();
    assert_eq!(index["revision"], "5e0a11c3");
    assert_eq!(index["districts"][0]["id"], "quarry");
    assert_eq!(index["districts"][0]["machines"][0], "T1");
    let district = server.client().get("/api/v1/wiring/quarry").await.json();
    assert_eq!(
        (&district["kind"], &district["machines"][0]["id"]),
        (&"district".into(), &"T1".into())
    );
    let one = server.client().get("/api/v1/wiring/T1").await.json();
    assert_eq!(one["machines"][0]["rows"], district["machines"][0]["rows"]);
    let frog = one["machines"][0]["rows"].as_array().unwrap().iter();
    let frog = frog.into_iter().find(|row| row["function"] == "contact 1 common").unwrap();
    assert!(frog.to_string().contains("frog of T1"), "{frog}");
    assert_eq!(server.client().get("/api/v1/wiring/nowhere").await.status, 404);
}

#[tokio::test]
async fn a_code_leads_a_phone_only_where_a_phone_can_go() {
    let server = Server::start(None).await;
    let code = |host: &str| {
        let client = Client::new(server.address(), host);
        async move { client.get("/api/v1/wiring/T1").await.json()["machines"][0]["code"].clone() }
    };
    for host in ["127.0.0.1:8080", "localhost:8080", "[::1]:8080"] {
        assert!(code(host).await.is_null(), "{host}");
    }
    assert!(code("192.168.1.20:8080").await["path"].as_str().unwrap().starts_with("M4 4"));
}
