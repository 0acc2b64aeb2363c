//! The pages behind accounts, as a client sees them.

use super::*;
use crate::door::accounts::Accounts;
use crate::door::password::{Hash, Password};
use crate::door::{Account, Lasts, Role};
use crate::web::access::Peer;
use std::net::IpAddr;

const SECRET: &str = "four grey tins dried";
const ORIGIN: &str = "http://127.0.0.1:8765";
pub(super) const MINUTE: i64 = 60_000_000_000;

/// A station behind accounts: one of a person for each role, named as the role, and a screen's.
pub(super) struct House {
    pub(super) rig: Rig,
    pub(super) door: Arc<Door>,
    pub(super) app: Router,
}

impl House {
    pub(super) async fn new(room_open: bool) -> Self {
        Self::with(room_open, |_| {}).await
    }

    pub(super) async fn with(room_open: bool, change: impl FnOnce(&mut AppState)) -> Self {
        let rig = Rig::new().await;
        let password = Hash::of(&Password::new(SECRET)).unwrap();
        let account = |name: &str, person: Option<&str>, role| Account {
            name: name.to_owned(),
            person: person.map(str::to_owned),
            role,
            password: password.clone(),
        };
        let mut all = Role::ALL.map(|role| account(role.word(), Some("Ada Field"), role)).to_vec();
        all.push(account("screen", None, Role::Operate));
        all.push(account("ben", Some("Ben Stone"), Role::Operate));
        let file = rig.folder.join("accounts.toml");
        Accounts { all }.write(&file).unwrap();
        let lasts = Lasts { idle_ns: 30 * MINUTE, person_ns: 600 * MINUTE, screen_ns: 600 * MINUTE };
        let door = Arc::new(Door::open(file, lasts, room_open).unwrap());
        let mut state = AppState { door: Some(door.clone()), ..rig.state.clone() };
        change(&mut state);
        let app = app_until(state, rig.cancel.clone());
        Self { rig, door, app }
    }

    pub(super) async fn send(
        &self,
        method: &str,
        path: &str,
        key: &str,
        more: &[(&str, &str)],
        body: String,
    ) -> Answer {
        self.send_from("10.0.0.7", method, path, key, more, body).await
    }

    pub(super) async fn send_from(
        &self,
        from: &str,
        method: &str,
        path: &str,
        key: &str,
        more: &[(&str, &str)],
        body: String,
    ) -> Answer {
        let mut request = Request::builder().method(method).uri(path).header("host", HOST);
        if method == "POST" {
            request = request.header("content-type", "application/json");
            if !more.iter().any(|(name, _)| *name == "origin") {
                request = request.header("origin", ORIGIN);
            }
        }
        if !key.is_empty() {
            request = request.header("cookie", format!("other=1; __Host-stillstand={key}"));
        }
        for (name, value) in more {
            request = request.header(*name, *value);
        }
        let mut request = request.body(Body::from(body)).unwrap();
        request.extensions_mut().insert(Peer(from.parse::<IpAddr>().unwrap()));
        let response = self.app.clone().oneshot(request).await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        if headers.get("content-type").is_some_and(|kind| kind == "text/event-stream") {
            return Answer { status, headers, body: String::new() };
        }
        let body = axum::body::to_bytes(response.into_body(), 1 << 22).await.unwrap();
        Answer { status, headers, body: String::from_utf8(body.to_vec()).unwrap() }
    }

    pub(super) async fn get(&self, path: &str, key: &str) -> Answer {
        self.send("GET", path, key, &[], String::new()).await
    }

    pub(super) async fn try_on(&self, from: &str, account: &str, password: &str) -> Answer {
        let body = json!({ "account": account, "password": password }).to_string();
        self.send_from(from, "POST", "/sign-on", "", &[], body).await
    }

    /// The key of a new sign-on.
    pub(super) async fn on(&self, account: &str) -> String {
        let answer = self.try_on("10.0.0.7", account, SECRET).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        let cookie = answer.headers["set-cookie"].to_str().unwrap();
        let (name, rest) = cookie.split_once('=').unwrap();
        let (key, flags) = rest.split_once("; ").unwrap();
        assert_eq!((name, flags), ("__Host-stillstand", "Path=/; Secure; HttpOnly; SameSite=Strict"));
        key.to_owned()
    }

    pub(super) async fn act(&self, key: &str, who: Option<&str>, what: Value) -> Answer {
        let body = json!({ "id": Uuid::now_v7(), "who": who, "do": what }).to_string();
        self.send("POST", "/act", key, &[], body).await
    }
}

pub(super) fn register(label: &str) -> Value {
    json!({ "act": "register-sample", "label": label, "method": METHOD, "specimens": 1 })
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_sign_on_there_is_the_way_in_and_nothing_else() {
    let house = House::new(false).await;
    for path in ["/view", "/events", "/documents", "/samples/list", "/people/view", "/settings/view", "/none"]
    {
        let answer = house.get(path, "").await;
        assert_eq!(answer.status, 401, "{path}");
        assert!(answer.headers.contains_key("www-authenticate"), "{path}");
    }
    // Who types an address wrongly is told nothing of it before signing on, and then that it is wrong.
    let opened = house.send("GET", "/none", "", &[("sec-fetch-mode", "navigate")], String::new()).await;
    assert_eq!((opened.status, opened.headers["location"].to_str().unwrap()), (303, "/sign-on?to=/none"));
    for role in Role::ALL {
        let answer = house.get("/none", &house.on(role.word()).await).await;
        assert_eq!(
            (answer.status, answer.json()["detail"].as_str()),
            (404, Some("there is nothing at this address"))
        );
    }
    let answer = house.get("/record/1?version=2&x=%22", "").await;
    assert_eq!(answer.status, 303);
    assert_eq!(answer.headers["location"], "/sign-on?to=/record/1%3Fversion%3D2%26x%3D%2522");
    assert_eq!(house.act("", Some("Ada Field"), register("S-1")).await.status, 401);
    let page = house.get("/sign-on", "").await;
    assert!(page.status == 200 && page.body.contains("name=\"password\"") && !page.body.contains("<script>"));
    assert_eq!(house.get("/page/door.js", "").await.status, 200);
    assert_eq!(house.get("/livez", "").await.status, 200);
    // Keys that somebody made up.
    for key in ["", "0", &"0".repeat(64), &"g".repeat(64)] {
        assert_eq!(house.get("/view", key).await.status, 401);
    }
    assert_eq!(house.rig.view().await["samples"], json!([]));
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn each_role_may_what_the_table_says() {
    let house = House::new(false).await;
    let admit =
        json!({ "act": "quality", "what": "admit", "specimen": Uuid::now_v7(), "reason": "looked at" });
    let person = json!({ "act": "review", "what": "add-person", "name": "Ada Field", "roles": ["administer"],
        "code": "2580" });
    let find = json!({ "act": "intake", "what": "find", "scan": "nothing" });
    // 403: the account may not. Anything else: the bench was asked.
    for (account, good) in [("look", 0), ("operate", 1), ("review", 2), ("administer", 3)] {
        let key = house.on(account).await;
        assert_eq!(house.get("/view", &key).await.status, 200, "{account}");
        let status = |answer: Answer| answer.status != 403;
        let label = format!("S-{account}");
        let may = [
            status(house.act(&key, None, register(&label)).await),
            status(house.act(&key, None, admit.clone()).await),
            status(house.act(&key, None, person.clone()).await),
        ];
        assert_eq!(may, [good >= 1, good >= 2, good >= 3], "{account}");
        assert_ne!(house.act(&key, None, find.clone()).await.status, 403, "{account}: a question");
        assert_eq!(status(house.get("/people/view", &key).await), good >= 1, "{account}");
        assert_eq!(status(house.get("/settings/view", &key).await), good >= 3, "{account}");
    }
    let refused = house.act(&house.on("look").await, None, register("S-9")).await.json();
    assert_eq!(refused["detail"], "the account `look` may look; this needs one that may operate");
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_act_is_that_of_the_person_who_is_signed_on() {
    let house = House::new(false).await;
    let administers = house.on("administer").await;
    let ada = json!({ "act": "review", "what": "add-person", "name": "Ada Field",
        "roles": ["operate", "administer"], "code": "2580" });
    assert_eq!(house.act(&administers, None, ada).await.status, 200);
    // Registered, and needing no code: the account has shown who it is.
    let key = house.on("operate").await;
    assert_eq!(house.act(&key, None, register("S-1")).await.status, 200);
    let committed = house.rig.station.committed().borrow().clone();
    let by = committed.bench.samples.values().next().unwrap().registered.by.clone();
    assert_eq!((by.person.as_deref(), by.via.as_str()), (Some("Ada Field"), "page"));
    let other = house.act(&key, Some("Ben Stone"), register("S-2")).await;
    assert_eq!(other.status, 403);
    assert!(
        other.json()["detail"].as_str().unwrap().contains("Ada Field is signed on here"),
        "{}",
        other.body
    );
    // The register has the last word: it does not let her review.
    let approve =
        json!({ "act": "quality", "what": "admit", "specimen": Uuid::now_v7(), "reason": "looked at" });
    let refused = house.act(&house.on("review").await, None, approve).await;
    assert_eq!((refused.status, &refused.json()["refusal"]["refused"]), (409, &json!("not-allowed")));
    // Nobody says for himself that his person is shown.
    let screen = house.on("screen").await;
    let body =
        json!({ "id": Uuid::now_v7(), "who": "Ada Field", "via": "page account", "do": register("S-3") });
    let answer = house.send("POST", "/act", &screen, &[], body.to_string()).await;
    assert_eq!((answer.status, &answer.json()["refusal"]["refused"]), (409, &json!("sign-on")));
    let code = json!({ "act": "review", "what": "sign-on", "code": "2580" });
    assert_eq!(house.act(&screen, None, code).await.status, 200, "a screen asks for the code");
    assert_eq!(house.act(&screen, Some("Ada Field"), register("S-3")).await.status, 200);
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn also_where_names_are_free_an_account_needs_the_role_of_its_person() {
    let house = House::new(false).await;
    let mut started = started();
    started.bench.sign_on = crate::domain::review::SignOn::Free;
    house.rig.station.ask(What::Started(Box::new(started)), house.rig.clock.now()).await.unwrap();
    // The first person gets in as ever, and goes on from there.
    let administers = house.on("administer").await;
    let ada = json!({ "act": "review", "what": "add-person", "name": "Ada Field", "roles": ["administer"],
        "code": "2580" });
    let answer = house.act(&administers, None, ada).await;
    assert_eq!(answer.status, 200, "{}", answer.body);
    let refused = house.act(&administers, None, register("S-1")).await;
    assert_eq!((refused.status, &refused.json()["refusal"]["refused"]), (409, &json!("not-allowed")));
    let id = answer.json()["made"].clone();
    let more =
        json!({ "act": "review", "what": "change-person", "person": id, "roles": ["administer", "operate"] });
    let answer = house.act(&administers, None, more).await;
    assert_eq!(answer.status, 200, "{}", answer.body);
    assert_eq!(house.act(&administers, None, register("S-1")).await.status, 200);
    // At a screen a name is what was typed, and the screen's own role is the limit.
    let screen = house.on("screen").await;
    assert_eq!(house.act(&screen, Some("Cleo Marsh"), register("S-2")).await.status, 200);
    let admit =
        json!({ "act": "quality", "what": "admit", "specimen": Uuid::now_v7(), "reason": "looked at" });
    assert_eq!(house.act(&screen, Some("Cleo Marsh"), admit.clone()).await.status, 403);
    let refused = house.act(&house.on("review").await, None, admit).await;
    assert_eq!((refused.status, &refused.json()["refusal"]["refused"]), (409, &json!("not-allowed")));
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_account_whose_person_is_not_in_the_register_lets_nobody_in() {
    let house = House::new(false).await;
    let bens = house.on("ben").await;
    let ada = json!({ "act": "review", "what": "add-person", "name": "Ada Field", "roles": ["administer"],
        "code": "2580" });
    assert_eq!(house.act(&house.on("administer").await, None, ada).await.status, 200);
    assert_eq!(house.get("/view", &bens).await.status, 401, "from now on a register is kept");
    let answer = house.try_on("10.0.0.7", "ben", SECRET).await;
    assert_eq!(answer.status, 403);
    assert!(answer.json()["detail"].as_str().unwrap().contains("not in the register"), "{}", answer.body);
    assert!(!answer.headers.contains_key("set-cookie"));
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn signing_on_anew_and_signing_off_end_the_sign_on() {
    let house = House::new(false).await;
    let first = house.on("operate").await;
    let body = json!({ "account": "look", "password": SECRET }).to_string();
    let answer = house.send("POST", "/sign-on", &first, &[], body).await;
    assert_eq!(answer.status, 200);
    assert_eq!(house.get("/view", &first).await.status, 401, "the key of before opens nothing");
    let second = house.on("operate").await;
    let state = house.get("/sign-on/state", &second).await.json();
    assert_eq!(
        state["on"],
        json!({ "account": "operate", "person": "Ada Field", "role": "operate", "screen": false })
    );
    let off = house.send("POST", "/sign-off", &second, &[], "{}".to_owned()).await;
    assert!(off.headers["set-cookie"].to_str().unwrap().contains("Max-Age=0"));
    assert_eq!(house.get("/view", &second).await.status, 401);
    assert_eq!(house.get("/sign-on/state", &second).await.json()["on"], Value::Null);
    // Half an hour without an act: pages that ask by themselves do not count.
    let third = house.on("operate").await;
    house.rig.clock.advance_by(29 * MINUTE);
    assert_eq!(house.get("/view", &third).await.status, 200);
    house.rig.clock.advance_by(MINUTE);
    assert_eq!(house.get("/view", &third).await.status, 401);
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_file_that_nobody_may_have_is_refused_and_no_sign_on_page_in_its_place() {
    let house = House::new(false).await;
    let key = house.on("look").await;
    let sample = Uuid::now_v7();
    for path in [
        "/records/export?what=records&as=csv".to_owned(),
        "/records/export/description?what=records".to_owned(),
        format!("/report/{sample}/pdf"),
        format!("/worksheet/{METHOD}/pdf"),
    ] {
        let answer = house.get(&path, "").await;
        assert_eq!((answer.status, answer.headers.contains_key("location")), (401, false), "{path}");
    }
    // To take a file is something that a person does: the sign-on goes on from there.
    house.rig.clock.advance_by(29 * MINUTE);
    assert_eq!(house.get("/records/export/description?what=records", &key).await.status, 200);
    house.rig.clock.advance_by(29 * MINUTE);
    assert_eq!(house.get("/view", &key).await.status, 200);
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_of_another_site_neither_frames_nor_posts_nor_takes() {
    let house = House::new(false).await;
    let key = house.on("operate").await;
    let act = json!({ "id": Uuid::now_v7(), "do": register("X") }).to_string();
    let refused: [&[(&str, &str)]; 4] = [
        &[("origin", "http://lab.example")],
        &[("origin", "null")],
        &[("sec-fetch-site", "cross-site")],
        &[("sec-fetch-site", "none")],
    ];
    for more in refused {
        assert_eq!(house.send("POST", "/act", &key, more, act.clone()).await.status, 403, "{more:?}");
    }
    let silent = Request::builder().method("POST").uri("/act").header("host", HOST);
    let silent = silent.header("content-type", "application/json").body(Body::from(act)).unwrap();
    assert_eq!(house.app.clone().oneshot(silent).await.unwrap().status(), 403, "it does not say from where");
    let frame =
        [("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate"), ("sec-fetch-dest", "iframe")];
    assert_eq!(house.send("GET", "/", &key, &frame, String::new()).await.status, 403);
    let script =
        [("sec-fetch-site", "same-site"), ("sec-fetch-mode", "no-cors"), ("sec-fetch-dest", "script")];
    assert_eq!(house.send("GET", "/page/bench.js", &key, &script, String::new()).await.status, 403);
    let link =
        [("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate"), ("sec-fetch-dest", "document")];
    let page = house.send("GET", "/", &key, &link, String::new()).await;
    assert_eq!(page.status, 200, "a link leads here");
    assert_eq!(page.headers["x-frame-options"], "DENY");
    assert!(page.headers["content-security-policy"].to_str().unwrap().contains("frame-ancestors 'none'"));
    assert_eq!(house.rig.view().await["samples"], json!([]));
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_sign_ons_wait_and_say_the_same_whether_the_name_is_known_or_not() {
    let house = House::new(false).await;
    let known = house.try_on("10.0.0.66", "operate", "not the right one").await;
    let unknown = house.try_on("10.0.0.67", "nobody", "not the right one").await;
    assert_eq!((known.status, &known.body), (401, &unknown.body));
    for _ in 0..3 {
        house.try_on("10.0.0.66", "operate", "not the right one").await;
    }
    let early = house.try_on("10.0.0.66", "operate", SECRET).await;
    assert_eq!((early.status, early.headers["retry-after"].to_str().unwrap()), (429, "2"));
    assert_eq!(house.try_on("10.0.0.7", "operate", SECRET).await.status, 200, "elsewhere nobody waits");
    house.rig.clock.advance_by(2 * MINUTE);
    assert_eq!(house.try_on("10.0.0.66", "operate", SECRET).await.status, 200);
    // What cannot be read is not said again.
    let torn = house.send("POST", "/sign-on", "", &[], format!("{{\"password\":\"{SECRET}\",")).await;
    assert!(torn.status == 400 && !torn.body.contains(SECRET), "{}", torn.body);
    house.rig.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_script_that_acts_without_a_breath_is_slowed() {
    let house = House::new(false).await;
    let key = house.on("operate").await;
    let mut answers = Vec::new();
    for _ in 0..70 {
        answers.push(house.act(&key, None, json!({ "act": "stop-awaiting" })).await.status);
    }
    assert_eq!(answers.iter().position(|status| *status == 429), Some(60));
    house.rig.clock.advance_by(MINUTE);
    assert_eq!(house.act(&key, None, json!({ "act": "stop-awaiting" })).await.status, 200);
    house.rig.end().await;
}
