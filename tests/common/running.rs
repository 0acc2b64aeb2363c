//! The running program, as a person at the page, a supervisor and a reader of its log see it.

use super::http::{self, Answer, Events};
use super::{LOOK, soon};
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::path::PathBuf;
use tokio::net::UnixDatagram;
use tokio::process::{Child, Command};
use uuid::Uuid;

pub struct Running {
    pub child: Child,
    pub notify: UnixDatagram,
    pub log: PathBuf,
    pub pages: SocketAddr,
}

impl Running {
    /// An act of the technician, as the page sends it.
    pub async fn act(&self, what: Value) -> (u16, Value) {
        let body = json!({ "id": Uuid::now_v7(), "who": "Ash Fenn", "do": what });
        let answer = self.post(body.to_string().as_bytes()).await;
        (answer.status, answer.json())
    }

    pub async fn post(&self, body: &[u8]) -> Answer {
        let answer = http::post(self.pages, "/act", "application/json", body);
        soon("the answer to an act", answer).await.unwrap()
    }

    /// An act that must be carried out; gives what it made, else nil.
    pub async fn done(&self, what: Value) -> Uuid {
        let (status, answer) = self.act(what.clone()).await;
        assert_eq!((status, &answer["outcome"]), (200, &"done".into()), "{what}: {answer}");
        answer["made"].as_str().map_or(Uuid::nil(), |id| id.parse().unwrap())
    }

    /// An act that must be refused; gives the words.
    pub async fn refused(&self, what: Value) -> String {
        let (status, answer) = self.act(what.clone()).await;
        assert_eq!((status, &answer["outcome"]), (409, &"refused".into()), "{what}: {answer}");
        answer["text"].as_str().unwrap().to_owned()
    }

    pub async fn get(&self, path: &str) -> Answer {
        soon(path, http::get(self.pages, path)).await.unwrap()
    }

    pub async fn view(&self) -> Value {
        self.get("/view").await.json()
    }

    /// Watches the page's event stream until a view is as wanted, and gives that view.
    pub async fn until(&self, what: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let mut last = Value::Null;
        let seen = async {
            let mut events = Events::open(self.pages).await.unwrap();
            loop {
                let (name, data) = events.next().await.unwrap();
                if name == "view" {
                    last = data;
                    if wanted(&last) {
                        break;
                    }
                }
            }
        };
        let shown = tokio::time::timeout(super::DEADLINE, seen).await.is_ok();
        assert!(shown, "the page never showed: {what}; its last view:\n{last:#}\n{}", self.said());
        last
    }

    /// Waits until the interval that runs at a place has lasted so long.
    pub async fn lasted(&self, place: usize, step: &str, ms: i64) {
        soon(&format!("{step} at place {place} has run for {ms} ms"), async {
            while at_place(&self.view().await, place)["running"]["elapsedMs"].as_i64().unwrap_or(0) < ms {
                tokio::time::sleep(LOOK).await;
            }
        })
        .await;
    }

    /// Ends it as a supervisor does; gives the exit code.
    pub async fn stop(mut self) -> i32 {
        let pid = self.child.id().unwrap().to_string();
        assert!(Command::new("kill").args(["-TERM", &pid]).status().await.unwrap().success());
        let status = soon("the program ends after SIGTERM", self.child.wait()).await.unwrap();
        status.code().unwrap_or_else(|| panic!("ended by a signal\n{}", self.said()))
    }

    pub async fn kill(mut self) {
        self.child.kill().await.unwrap();
    }

    /// Its log so far.
    pub fn said(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }
}

/// The specimen that a view shows at a place, from 1.
pub fn at_place(view: &Value, place: usize) -> &Value {
    view["places"].get(place - 1).map_or(&Value::Null, |p| &p["specimen"])
}

/// The alarm with this key.
pub fn alarm<'a>(view: &'a Value, key: &str) -> Option<&'a Value> {
    view["alarms"].as_array()?.iter().find(|alarm| alarm["key"] == key)
}

/// The alarm is there and its condition too.
pub fn is_active(view: &Value, key: &str) -> bool {
    alarm(view, key).is_some_and(|alarm| alarm["clearedMs"].is_null())
}

/// The alarm was raised and its condition has gone.
pub fn is_over(view: &Value, key: &str) -> bool {
    alarm(view, key).is_some_and(|alarm| !alarm["clearedMs"].is_null())
}
