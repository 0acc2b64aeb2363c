//! Listening to other stations, against the small broker.

use super::*;
use crate::clock::Reached;
use crate::domain::bench::Bench;
use crate::domain::moment::{Moment, test::at};
use crate::domain::overview::{Stand, overview};
use crate::network::{How, Pace};
use crate::rehearsal::broker::{self, Behaviour};
use std::time::Duration;
use tokio::time::timeout;
use uuid::Uuid;

#[derive(Debug)]
struct Still;

impl Clock for Still {
    fn now(&self) -> Moment {
        at(0)
    }
    fn reached(&self, _: i64) -> Reached {
        Box::pin(std::future::pending())
    }
    fn of_kernel(&self, _: u64) -> Moment {
        at(0)
    }
}

fn link(station: &str, port: u16) -> Link {
    let (session, pace) = (Uuid::from_u128(7), Pace::default());
    let (host, how) = ("127.0.0.1".to_owned(), How::default());
    let station = station.to_owned();
    Link { station, session, host, port, user: None, password: None, how, keep_alive_s: 5, window: 16, pace }
}

async fn until(told: &mut watch::Receiver<Arc<Following>>, wanted: impl Fn(&Following) -> bool) {
    let known = timeout(Duration::from_secs(30), told.wait_for(|known| wanted(known))).await;
    known.expect("within half a minute").expect("the listener ended");
}

fn say(wire: &Wire, station: &str, title: &str, ns: i64) {
    let bench = Bench { station: station.to_owned(), title: title.to_owned(), ..Bench::default() };
    let payload = serde_json::to_vec(&overview(&bench, &at(ns), Some(0), true)).unwrap();
    let mut publish = Publish::new(Topics::of(station).overview(), QoS::AtLeastOnce, payload, None);
    publish.retain = true;
    wire.client.try_publish(publish).unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn others_are_heard_what_was_kept_is_known_as_such_and_a_lost_broker_is_said() {
    let broker = broker::start("127.0.0.1:0".parse().unwrap(), Behaviour::default()).await.unwrap();
    let port = broker.addr.port();
    let mut other = session::open(&link("b2", port), Identity::In, None, 8);
    say(&other, "b2", "Bench 2", 0);
    say(&other, "b1", "Myself", 0);
    let acknowledged = async {
        let mut count = 0;
        while count < 2 {
            let Some(Signal::Events(events)) = other.events.recv().await else { panic!("no connection") };
            count += events.iter().filter(|e| matches!(e, Event::Incoming(Packet::PubAck(_)))).count();
        }
    };
    timeout(Duration::from_secs(30), acknowledged).await.expect("within half a minute");

    let stations = vec![EVERY.to_owned()];
    let (sender, mut told) = watch::channel(Arc::new(nothing(&stations)));
    let cancel = CancellationToken::new();
    let follow = Follow {
        link: link("b1", port),
        stations,
        clock: Arc::new(Still),
        told: sender,
        cancel: cancel.clone(),
    };
    let running = tokio::spawn(run(follow));
    let stand =
        |known: &Following, wanted| known.stations.get("b2").is_some_and(|one| one.stand(&at(0)) == wanted);
    until(&mut told, |known| known.linked && stand(known, Stand::Kept)).await;
    say(&other, "b2", "Bench 2", 1_000_000_000);
    until(&mut told, |known| stand(known, Stand::Fresh)).await;
    assert_eq!(told.borrow().stations.keys().collect::<Vec<_>>(), ["b2"], "not itself");

    drop(broker);
    until(&mut told, |known| !known.linked && known.why.is_some()).await;
    cancel.cancel();
    timeout(Duration::from_secs(30), running).await.expect("it ends when it is told to").unwrap();
}
