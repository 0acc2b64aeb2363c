//! The interval that runs now is looked for near the last mark. Whatever was marked and left out, it
//! is the one that a look at every step of the method finds.

use super::*;
use crate::domain::specimen::{By, Marked};

#[test]
fn the_interval_that_runs_is_the_last_one_begun_and_not_ended_of_all_steps() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/config/methods");
    let mut running = 0_u32;
    for file in std::fs::read_dir(folder).unwrap() {
        let path = file.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let text = std::fs::read_to_string(&path).unwrap();
        let method = Arc::new(crate::domain::method::load(&name, &text).expect("a shipped method"));
        let (id, points) = (method.id.clone(), method.points());
        let mut story = Story::with(|started| started.methods = vec![method.clone()]);
        let sample = story.ok(Do::RegisterSample {
            label: "R".to_owned(),
            method: id,
            specimens: Some(1),
            particulars: None,
        });
        let specimen = story.specimen(sample, 1);
        let mut specimen = Specimen::clone(&story.bench.specimens[&specimen]);
        let every = if points.len() > 13 { 37 } else { 1 };
        for marks in (0..1_u64 << points.len()).step_by(every) {
            for (index, point) in specimen.points.iter_mut().enumerate() {
                let moment = at(i64::try_from(index).unwrap() * SECOND);
                *point = (marks >> index & 1 == 1).then(|| Marked { moment, by: By::bench("a test") });
            }
            let of_all = (0..method.steps.len()).rev().find_map(|step| {
                let span = specimen.span(&method, &points, step)?;
                span.end.is_none().then_some((step, span))
            });
            assert_eq!(specimen.running(&method, &points), of_all, "{name}, marks {marks:b}");
            running += u32::from(of_all.is_some());
        }
    }
    assert!(running > 1000, "{running}");
}
