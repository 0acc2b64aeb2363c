//! By what name the station is called, and what the log is told of requests that are refused.

use super::*;
use axum::Router;
use axum::body::Body;
use axum::http::HeaderMap;
use axum::middleware::from_fn;
use axum::routing::get;
use tower::ServiceExt;

fn called(encrypted: bool) -> Called {
    Called {
        names: Arc::from([String::from("bench-1.lab.example")]),
        port: 8765,
        encrypted,
        accounts: true,
        untold: Arc::default(),
    }
}

#[tokio::test]
async fn a_station_is_called_by_its_name_and_asks_for_encryption_from_then_on() {
    for encrypted in [true, false] {
        let called = called(encrypted);
        let app = Router::new()
            .route("/", get(|| async { "here" }))
            .layer(from_fn(move |request, next| guard(called.clone(), request, next)));
        for (host, status) in [
            ("bench-1.lab.example:8765", 200),
            ("Bench-1.Lab.Example:8765", 200),
            ("bench-1.lab.example", 403),
            ("bench-1.lab.example.evil.example:8765", 403),
        ] {
            let request = Request::builder().uri("/").header("host", host).body(Body::empty()).unwrap();
            let answer = app.clone().oneshot(request).await.unwrap();
            assert_eq!(answer.status(), status, "{host}");
            // RFC 6797, section 7.2: never over a connection that is not encrypted.
            let asks = answer.headers().get("strict-transport-security").map(|value| value.to_str().unwrap());
            assert_eq!(asks, encrypted.then_some("max-age=31536000"), "{host}");
        }
    }
}

#[test]
fn a_stranger_neither_fills_a_line_of_the_log_nor_writes_many() {
    let long = "x".repeat(30_000);
    let ours = "bench-1.lab.example:8765";
    let requests: [&[(&str, &str)]; 4] = [
        &[("host", &long)],
        &[("host", ours), ("origin", &long)],
        &[("host", ours), ("sec-fetch-site", &long)],
        &[("host", ours), ("origin", "https://bench-1.lab.example:8765"), ("content-type", &long)],
    ];
    for request in requests {
        let mut headers = HeaderMap::new();
        for (name, value) in request {
            headers.insert(HeaderName::from_bytes(name.as_bytes()).unwrap(), value.parse().unwrap());
        }
        let why = check(&called(true), &Method::POST, &headers).unwrap_err();
        assert!(why.chars().count() < 250 && why.contains("xxx"), "{} characters: {why:.300}", why.len());
    }
    let (mut untold, begin) = (Untold::default(), Instant::now());
    let told: Vec<_> = (0..2500).filter_map(|ms| untold.told(begin + Duration::from_millis(ms))).collect();
    assert_eq!(told, [0, 999, 999], "one line a second, with the number of the others");
}
