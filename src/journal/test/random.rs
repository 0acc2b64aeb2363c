//! Any sequence of batches: reopened, it has the same head and the same events.

use super::super::faults::NoFaults;
use super::super::store::Store;
use super::*;
use proptest::prelude::*;

#[derive(Debug, Clone)]
enum Act {
    Chained(String),
    Sample(String),
    Document(String),
    Snapshot,
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        3 => ".{0,40}".prop_map(Act::Chained),
        4 => ".{0,40}".prop_map(Act::Sample),
        2 => ".{0,40}".prop_map(Act::Document),
        1 => Just(Act::Snapshot),
    ]
}

fn batch(chain: &mut Chain, number: u128, acts: &[Act]) -> Batch {
    let mut batch = Batch { inputs: vec![input(number)], ..Batch::default() };
    for act in acts {
        match act {
            Act::Chained(text) => batch.events.push(chain.append(event("made", true, number, text))),
            Act::Sample(text) => batch.events.push(chain.append(event("sampled", false, number, text))),
            Act::Document(text) => {
                let id = format!("d{}", chain.newest_document() + 1);
                batch
                    .outbox
                    .push(chain.document(NewDocument { payload: text.clone(), ..document(&id, text) }));
            }
            Act::Snapshot => batch.snapshot = Some((chain.seq(), chain.seq().to_string())),
        }
    }
    batch
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn any_sequence_of_batches_comes_back(
        batches in prop::collection::vec((prop::collection::vec(act(), 0..8), any::<bool>()), 0..12)
    ) {
        let folder = Folder::new();
        let (mut store, fresh) = Store::open(&folder.journal(), &with(), Box::new(NoFaults)).unwrap();
        let mut chain = fresh.chain;
        let (mut events, mut snapshot) = (Vec::new(), None);
        for (number, (acts, reopen)) in batches.iter().enumerate() {
            let batch = batch(&mut chain, number as u128, acts);
            events.extend(batch.events.clone());
            snapshot = batch.snapshot.clone().or(snapshot);
            store.commit(batch.clone()).unwrap();
            if *reopen {
                store.close().unwrap();
                let (again, restored) = Store::open(&folder.journal(), &with(), Box::new(NoFaults)).unwrap();
                store = again;
                chain = restored.chain;
            }
        }
        let back = store.reload(None).unwrap();
        store.close().unwrap();
        let after = snapshot.as_ref().map_or(0, |(seq, _)| *seq);
        events.retain(|event| event.seq > after);
        prop_assert_eq!(&back.events_after, &events);
        prop_assert_eq!(&back.snapshot, &snapshot);
        prop_assert_eq!(back.chain.link(), chain.link());
        prop_assert_eq!(back.chain.loose_samples(), chain.loose_samples());
        let mut restored = back.chain;
        prop_assert_eq!(press(&mut restored, 999), press(&mut chain.clone(), 999));
        let verified = verify(&folder.journal()).unwrap();
        prop_assert_eq!((verified.head_seq, verified.head_link), (chain.seq(), chain.link()));
        prop_assert_eq!(verified.documents, chain.newest_document());
    }
}
