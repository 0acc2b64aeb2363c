//! `remove`: shows what the rules of keeping let go; and, with a file, a name and a reason, writes it
//! to the file and takes it out of the journal.
//!
//! In this order, so that a crash at any point leaves a journal that verifies and loses nothing: the
//! file is whole and on the disk; the event that tells of the removal is in the chain; payloads go,
//! a thousand at a time; the removal is marked as done.

use super::cli::RemoveArgs;
use super::commands::worked;
use super::exit::Exit;
use super::keep::{Fault, end, fault, of_journal, settings_of, whole_file};
use super::station::{decide_alone, fold, fold_readable};
use crate::clock::{Clock, RealClock};
use crate::domain::bench::{Bench, Input, What};
use crate::domain::keeping::{Counts, Removal};
use crate::domain::moment::Moment;
use crate::domain::specimen::{By, Marked};
use crate::journal::{self, Batch, Blank, Journal, JournalError, OpenWith, Reader, Restored};
use crate::keeping::export::{self, ExportFault};
use crate::keeping::removal::{self, Plan, Steps};
use crate::keeping::rule::{self, Before};
use crate::keeping::{disk, room};
use crate::settings::model::Settings;
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// Longest name and longest reason, in characters.
const WHO_MAX: usize = 40;
const WHY_MAX: usize = 200;

pub(super) fn remove(args: &RemoveArgs) -> Exit {
    end(removed(args))
}

fn removed(args: &RemoveArgs) -> Result<(), Fault> {
    let mut settings = settings_of(&args.settings)?;
    if let Some(journal) = &args.journal {
        settings.journal.path.clone_from(journal);
    }
    println!("the rules: {}", rule::words(&settings.keeping));
    let clock = RealClock::new().or_else(|e| fault(Exit::Unavailable, e.to_string()))?;
    let now = clock.now();
    if Before::of(&settings.keeping, now.wall_ns) == Before::default() {
        println!("everything is kept for ever: nothing is to be removed");
        return Ok(());
    }
    let (Some(out), Some(who), Some(why)) = (&args.out, &args.who, &args.why) else {
        return shown(&settings, &now);
    };
    let text = |key: &str, text: &str, most: usize| {
        let text = text.trim();
        if text.is_empty() || text.chars().count() > most || text.chars().any(char::is_control) {
            return fault(Exit::Usage, format!("{key}: give 1 to {most} characters"));
        }
        Ok(text.to_owned())
    };
    let doing =
        Doing { out: out.clone(), who: text("--who", who, WHO_MAX)?, why: text("--why", why, WHY_MAX)? };
    if doing.out.symlink_metadata().is_ok() {
        let there = format!("{} is there already, and is never replaced: name another", doing.out.display());
        return fault(Exit::CannotCreate, there);
    }
    worked(carried_out(&settings, now, doing)).unwrap_or_else(|exit| Err((exit, Vec::new())))
}

/// What would go; the station may run.
fn shown(settings: &Settings, now: &Moment) -> Result<(), Fault> {
    let read = || -> Result<_, JournalError> {
        let mut reader = Reader::open(&settings.journal.path)?;
        let restored = reader.restored(None)?;
        reader.hold_still()?;
        export::list_all(&mut reader)?;
        Ok((reader, restored))
    };
    let (reader, restored) = read().map_err(|e| of_journal(&e))?;
    let bench = fold(&restored).or_else(|e| fault(Exit::Data, e.to_string()))?;
    let (plan, counts) = planned(&reader, settings, &bench, now)?;
    tell(&plan, &counts, "would go");
    for unfinished in reader.removals().map_err(|e| of_journal(&e))?.iter().filter(|r| !r.done) {
        println!(
            "the removal told by event {} was cut off: what it left behind is among these",
            unfinished.seq
        );
    }
    println!(
        "Nothing was removed. Make a backup, stop the station, and run this with --out FILE --who NAME --why REASON"
    );
    Ok(())
}

fn planned(
    reader: &Reader,
    settings: &Settings,
    bench: &Bench,
    now: &Moment,
) -> Result<(Plan, Counts), Fault> {
    let find = || -> Result<_, JournalError> {
        let plan = removal::plan(reader, bench, Before::of(&settings.keeping, now.wall_ns))?;
        let mut counts = Counts::default();
        removal::walk::<JournalError>(reader, &plan, &mut |piece| {
            removal::count(&mut counts, &piece);
            Ok(())
        })?;
        Ok((plan, counts))
    };
    find().map_err(|e| of_journal(&e))
}

fn tell(plan: &Plan, counts: &Counts, go: &str) {
    println!(
        "past their time, {go}: {} documents, {} events, {} temperatures, {} inputs; {} of text",
        counts.documents,
        counts.events,
        counts.samples,
        counts.inputs,
        room::bytes(counts.bytes)
    );
    for sentence in &plan.because {
        println!("{sentence}");
    }
}

/// What a person wants done.
struct Doing {
    out: PathBuf,
    who: String,
    why: String,
}

async fn carried_out(settings: &Settings, now: Moment, doing: Doing) -> Result<(), Fault> {
    let path = &settings.journal.path;
    if !path.is_file() {
        return fault(Exit::Io, format!("there is no journal at {}", path.display()));
    }
    let with = OpenWith { fresh_id: Uuid::now_v7(), now_wall_ns: now.wall_ns };
    let (journal, restored) = Journal::open(path, &with).map_err(|e| match e {
        JournalError::Held { .. } => {
            let (exit, mut said) = of_journal(&e);
            said.push("stop the station first; what came in before is stored when it stops".to_owned());
            (exit, said)
        }
        other => of_journal(&other),
    })?;
    let (bench, restored) =
        fold_readable(&journal, restored).await.or_else(|e| fault(Exit::Data, e.to_string()))?;
    let gone = gone(settings, &journal, bench, restored, now, doing).await;
    let shrunk = match &gone {
        Ok(true) => shrunk(&journal, path).await,
        _ => Ok(()),
    };
    let closed = journal.close().await.map_err(|e| of_journal(&e));
    if gone.and_then(|gone| shrunk.and(closed).map(|()| gone))? {
        let sound = journal::verify(path).or_else(|e| fault(Exit::Data, e.to_string()))?;
        println!(
            "{}: verified after it; {} events and {} documents without their text in all",
            path.display(),
            sound.removed,
            sound.removed_documents
        );
    }
    Ok(())
}

/// Whether anything went.
async fn gone(
    settings: &Settings,
    journal: &Journal,
    mut bench: Bench,
    restored: Restored,
    now: Moment,
    doing: Doing,
) -> Result<bool, Fault> {
    let failed = |e: JournalError| of_journal(&e);
    let mut chain = restored.chain;
    // A start goes on from one of the two newest stored states: this one, and the one that comes with
    // the event that tells of the removal. So it reads nothing of what goes.
    let state = Some((chain.seq(), whole(&bench)?));
    journal.commit(Batch { snapshot: state, ..Batch::default() }).await.map_err(failed)?;
    let mut reader = Reader::open(journal.path()).map_err(failed)?;
    export::list_all(&mut reader).map_err(failed)?;
    let (plan, counts) = planned(&reader, settings, &bench, &now)?;
    if counts == Counts::default() {
        tell(&plan, &counts, "to go");
        println!("nothing is past its time: nothing was removed");
        return Ok(false);
    }
    let (steps, sha256) = written(&reader, &plan, &doing.out)?;
    tell(&plan, &counts, "written to the file");
    println!("{}: SHA-256 {sha256}", doing.out.display());
    let removal = Removal {
        through: plan.through,
        removed: counts,
        rules: rule::words(&settings.keeping),
        file: doing.out.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
        sha256,
        reason: doing.why,
        marked: Marked { moment: now, by: By { person: Some(doing.who), via: "command".to_owned() } },
    };
    let input = Input { id: Uuid::now_v7(), moment: now, what: What::Removed(Box::new(removal)) };
    let mut batch = decide_alone(&mut bench, &mut chain, restored.journal_id, input);
    batch.removal = batch.events.iter().find(|event| event.kind == "payloads-removed").map(|event| event.seq);
    batch.snapshot = Some((chain.seq(), whole(&bench)?));
    journal.commit(batch).await.map_err(failed)?;
    drop(reader);
    for step in steps {
        journal.blank(step).await.map_err(failed)?;
    }
    // One that was cut off before is finished with this one, which found what it had left.
    for told in journal.removals().await.map_err(failed)? {
        journal.removal_done(told.seq).await.map_err(failed)?;
    }
    println!("removed");
    Ok(true)
}

/// Writes all that goes, and gives the steps that take out exactly that, with the file's digest.
fn written(reader: &Reader, plan: &Plan, out: &Path) -> Result<(Vec<Blank>, String), Fault> {
    let (steps, sha256, _) = whole_file(out, |to| {
        let (mut steps, mut all) = (Steps::default(), Vec::new());
        removal::walk::<ExportFault>(reader, plan, &mut |piece| {
            removal::write(&piece, to)?;
            all.extend(steps.add(&piece));
            Ok(())
        })?;
        all.push(steps.rest());
        Ok(all)
    })?;
    Ok((steps, sha256))
}

/// Makes the file smaller where the disk has the room for it: the database writes it anew.
async fn shrunk(journal: &Journal, path: &Path) -> Result<(), Fault> {
    let size = Reader::open(path).and_then(|reader| reader.size()).map_err(|e| of_journal(&e))?;
    let needed = size.bytes.saturating_mul(2);
    if disk::free(path).is_none_or(|free| free < needed) {
        println!(
            "the file keeps its size, and what comes next finds room in it: to make it smaller, {} must be free \
             on its disk",
            room::bytes(needed)
        );
        return Ok(());
    }
    journal.shrink().await.map_err(|e| of_journal(&e))?;
    let now = std::fs::metadata(path).map_or(0, |about| about.len());
    println!("{}: {} before, {} now", path.display(), room::bytes(size.bytes), room::bytes(now));
    Ok(())
}

fn whole(bench: &Bench) -> Result<String, Fault> {
    serde_json::to_string(bench)
        .or_else(|e| fault(Exit::Software, format!("the state cannot be stored whole: {e}")))
}
