use super::*;
use crate::domain::alarm::Name;
use crate::domain::bench::{Contact, Does, Trigger, TriggerSettings};
use crate::domain::quantity::{Quantity, Unit};
use crate::domain::reading::{InstrumentKind, InstrumentReport, Wire};
use crate::journal::{FaultPoint, Trouble, verify};
use rust_decimal::Decimal;
use std::sync::Mutex;

/// A disk that fails in a certain way while it is told to.
#[derive(Clone, Default)]
struct Disk(Arc<Mutex<Option<(FaultPoint, Trouble)>>>);

impl Disk {
    fn fail(&self, point: FaultPoint, trouble: Trouble) {
        *self.0.lock().unwrap() = Some((point, trouble));
    }

    fn heal(&self) {
        *self.0.lock().unwrap() = None;
    }
}

impl Faults for Disk {
    fn fails(&mut self, point: FaultPoint) -> bool {
        self.0.lock().unwrap().is_some_and(|(at, _)| at == point)
    }

    fn trouble(&self) -> Trouble {
        self.0.lock().unwrap().map_or(Trouble::Io, |(_, trouble)| trouble)
    }
}

fn press(name: &str) -> What {
    What::Trigger(Trigger { name: name.to_owned(), contact: Ok(Contact::Press), via: "gpio".to_owned() })
}

#[tokio::test]
async fn while_the_disk_is_read_only_acts_are_refused_and_presses_wait_with_their_moments() {
    let (folder, disk) = (Folder::new(), Disk::default());
    let clock = SteppedClock::new(at(0));
    let station = Desk::open(&folder.journal(), &clock, Box::new(disk.clone())).await;
    let kept = station.sample("Kept").await;
    disk.fail(FaultPoint::BeforeCommit, Trouble::ReadOnly);
    clock.advance_by(5 * SECOND);
    for _ in 0..3 {
        // The first is the one whose batch fails; the others come while the trouble is known.
        let method = "aashto-t176-mechanical".to_owned();
        let act =
            Do::RegisterSample { label: "Refused".to_owned(), method, specimens: Some(1), particulars: None };
        match station.act(act).await {
            Outcome::Refused { refusal: Refusal::NotKept { why }, text } => {
                assert!(why.contains("read-only") && text.starts_with("not kept"), "{why}; {text}");
            }
            other => panic!("{other:?}"),
        }
    }
    let shown = station.bench();
    let alarm = &shown.alarms["not-kept"];
    assert_eq!((alarm.name, alarm.cleared), (Name::NotKept, None));
    assert!(alarm.text.contains("read-only"), "{}", alarm.text);
    assert_eq!(shown.samples.len(), 1, "the view lives on");

    let (reply, mut answer) = oneshot::channel();
    assert!(
        station
            .station
            .send(press("nobodys"), clock.now(), Some(crate::daemon::station::Reply::Outcome(reply)))
            .await
    );
    clock.advance_by(3600 * SECOND);
    let again = station.act(Do::StopAwaiting).await;
    assert!(matches!(again, Outcome::Refused { .. }), "{again:?}");
    assert!(answer.try_recv().is_err(), "not answered before it is kept");
    disk.heal();
    assert!(matches!(answer.await.unwrap(), Outcome::Refused { .. }), "the settings do not know it");
    let healed = station.until("the trouble is over", |c| c.fault.is_none()).await;
    assert!(!healed.shown().alarms.contains_key("not-kept"));
    let refused = healed.bench.refused.back().unwrap();
    assert_eq!(
        (refused.trigger.as_str(), refused.moment),
        ("nobodys", at(5 * SECOND)),
        "when it was pressed"
    );
    let later = station.sample("Later").await;
    assert_eq!(station.bench().samples.keys().copied().collect::<Vec<_>>(), {
        let mut both = vec![kept, later];
        both.sort();
        both
    });
    station.close().await;
    verify(&folder.journal()).unwrap();
}

#[tokio::test]
async fn an_act_that_was_stored_although_the_disk_failed_is_answered_as_done_and_happens_once() {
    let (folder, disk) = (Folder::new(), Disk::default());
    let clock = SteppedClock::new(at(0));
    let station = Desk::open(&folder.journal(), &clock, Box::new(disk.clone())).await;
    disk.fail(FaultPoint::AfterCommit, Trouble::Io);
    let registered = {
        let method = "aashto-t176-mechanical".to_owned();
        let act = station.act(Do::RegisterSample {
            label: "Once".to_owned(),
            method,
            specimens: Some(1),
            particulars: None,
        });
        tokio::pin!(act);
        let early = tokio::time::timeout(Duration::from_secs(2), &mut act).await;
        disk.heal();
        match early {
            Ok(outcome) => outcome,
            Err(_) => act.await,
        }
    };
    assert!(matches!(registered, Outcome::DoneBefore { made: Some(_), .. }), "{registered:?}");
    station.until("the trouble is over", |c| c.fault.is_none()).await;
    assert_eq!(station.bench().samples.len(), 1);
    station.close().await;
    verify(&folder.journal()).unwrap();
}

#[tokio::test]
async fn how_long_a_commit_took_is_told_once() {
    let folder = Folder::new();
    let slow = |_: FaultPoint| {
        std::thread::sleep(Duration::from_millis(30));
        false
    };
    let station = Desk::open(&folder.journal(), &SteppedClock::new(at(0)), Box::new(slow)).await;
    assert!(station.journal.slowest_commit() >= Duration::from_millis(30));
    assert!(
        station.journal.slowest_commit() < Duration::from_millis(30),
        "since the last question there was none"
    );
    station.close().await;
}

#[tokio::test(start_paused = true)]
async fn a_disk_that_does_not_answer_is_shown_while_it_does_not() {
    let folder = Folder::new();
    let hanging = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let (on, (answers, gate)) = (hanging.clone(), std::sync::mpsc::channel::<()>());
    let silent = move |_: FaultPoint| {
        if on.load(Ordering::SeqCst) {
            // Until the other end is dropped.
            let _ = gate.recv();
        }
        false
    };
    let station = Desk::open(&folder.journal(), &SteppedClock::new(at(0)), Box::new(silent)).await;
    hanging.store(true, Ordering::SeqCst);
    let stop = press("nobodys");
    assert!(station.station.tell(stop, station.clock.now()).await);
    let mut committed = station.station.committed();
    let shown = committed.wait_for(|c| c.fault.is_some()).await.unwrap().shown();
    let text = &shown.alarms["not-kept"].text;
    assert!(text.contains("has not confirmed"), "{text}");
    assert!(shown.refused.is_empty(), "what is not on the disk is not shown");
    drop(answers);
    let healed = committed.wait_for(|c| c.fault.is_none()).await.unwrap().clone();
    assert_eq!(healed.bench.refused.len(), 1, "it is stored after all, once");
    station.close().await;
}

fn warmth() -> What {
    What::Instrument(InstrumentReport::Temperature {
        temperature: Quantity::new(Decimal::new(224, 1), Unit::Celsius),
        wire: Wire::of("probe", "/dev/serial/by-id/usb-serial-port1", "TEMP   22.4 C\\r\\n".to_owned()),
    })
}

#[tokio::test]
async fn temperatures_are_left_out_before_a_press_is_and_the_alarm_says_how_many() {
    let (folder, disk) = (Folder::new(), Disk::default());
    let clock = SteppedClock::new(at(0));
    let station = Desk::open(&folder.journal(), &clock, Box::new(disk.clone())).await;
    disk.fail(FaultPoint::BeforeCommit, Trouble::Io);
    let refused = station.act(Do::StopAwaiting).await;
    assert!(matches!(refused, Outcome::Refused { .. }), "{refused:?}");
    for _ in 0..20_100 {
        assert!(station.station.tell(warmth(), clock.now()).await);
    }
    assert!(station.station.tell(press("nobodys"), clock.now()).await);
    let said =
        |c: &Arc<Committed>| c.fault.as_ref().is_some_and(|alarm| alarm.text.contains("5100 temperatures"));
    station.until("it says what was left out", said).await;
    disk.heal();
    let healed =
        station.until("the trouble is over", |c| c.fault.is_none() && !c.bench.refused.is_empty()).await;
    assert_eq!(healed.bench.refused.back().unwrap().trigger, "nobodys", "the press waited");
    station.close().await;
}

fn mass() -> What {
    What::Instrument(InstrumentReport::Mass {
        mass: Quantity::new(Decimal::new(981, 1), Unit::Gram),
        wire: Wire::of("balance", "/dev/serial/by-id/usb-serial-port2", "ST,+98.1 g\\r\\n".to_owned()),
    })
}

#[tokio::test]
async fn a_contact_that_chatters_pushes_out_nobodys_press_and_what_was_lost_is_told_for_good() {
    let (folder, disk) = (Folder::new(), Disk::default());
    let clock = SteppedClock::new(at(0));
    let station = Desk::open(&folder.journal(), &clock, Box::new(disk.clone())).await;
    let start = || {
        let What::Started(mut start) = started() else { panic!("no start") };
        let switch = |place| TriggerSettings { does: Does::Next, place: Some(place), own_line: true };
        start.triggers = [("loose".to_owned(), switch(1)), ("foot".to_owned(), switch(2))].into();
        start.instruments = [("balance".to_owned(), InstrumentKind::Balance)].into();
        What::Started(start)
    };
    station.tell(start()).await;
    disk.fail(FaultPoint::BeforeCommit, Trouble::Io);
    let refused = station.act(Do::StopAwaiting).await;
    assert!(matches!(refused, Outcome::Refused { .. }), "{refused:?}");
    for number in 0..5000 {
        // Whose names the settings do not know share their places, however many they are.
        let name = if number % 5 == 0 { format!("stranger-{number}") } else { "loose".to_owned() };
        assert!(station.station.tell(press(&name), clock.now()).await);
    }
    for _ in 0..700 {
        assert!(station.station.tell(mass(), clock.now()).await);
    }
    clock.advance_by(7 * SECOND);
    assert!(station.station.tell(press("foot"), clock.now()).await);
    // 3500 of the loose contact, 500 of names that nobody knows, 200 masses.
    let said =
        |c: &Arc<Committed>| c.fault.as_ref().is_some_and(|alarm| alarm.text.contains("4200 other inputs"));
    station.until("it says how many were lost", said).await;
    disk.heal();
    let healed = station
        .until("the trouble is over and was told", |c| {
            c.fault.is_none() && c.bench.alarms.contains_key("not-kept-others")
        })
        .await;
    // At a place where nobody works it is kept, for somebody to say what it was.
    let pressed = healed.bench.presses.iter().find(|kept| kept.trigger == "foot");
    assert_eq!(pressed.map(|pressed| pressed.moment), Some(at(7 * SECOND)), "the press waited");
    station.close().await;
    // It stands after a start too, until somebody has seen it.
    let station = Desk::open(&folder.journal(), &clock, Box::new(Works)).await;
    station.tell(start()).await;
    let alarms = &station.bench().alarms;
    for (key, count) in [
        ("switch-gone-loose", "3500 edges"),
        ("not-kept-balance", "200 inputs"),
        ("not-kept-others", "500 inputs"),
    ] {
        let text = &alarms.get(key).unwrap_or_else(|| panic!("no {key}: {:?}", alarms.keys())).text;
        assert!(text.contains(count), "{key}: {text}");
    }
    station.close().await;
    verify(&folder.journal()).unwrap();
}
