//! The columns of both tables: one entry for each, in the order of the files. It makes the first line
//! of the file, the description, and the cells. A new column comes at the end of the list:
//! files are read by the names, but many people count. PURE.

use super::From::{At, By, Count, Each, First, Last, Local, OfResult};
use super::{Cells, Column, Of, places};

/// Which tables, name, cells, whether each row has it, unit, where it comes from; what it is.
macro_rules! columns {
    ($($of:ident $name:ident $cells:ident $need:ident $unit:tt $from:ident($($place:expr),+) $about:literal;)+) => {
        &[$(Column {
            of: columns!(@ $of),
            name: stringify!($name),
            cells: Cells::$cells,
            required: columns!(@ $need),
            unit: columns!(@ unit $unit),
            from: $from($($place),+),
            about: $about,
        }),+]
    };
    (@ both) => { Of::Both };
    (@ records) => { Of::Records };
    (@ results) => { Of::Results };
    (@ always) => { true };
    (@ maybe) => { false };
    (@ unit "") => { None };
    (@ unit $unit:tt) => { Some($unit) };
}

pub(super) const COLUMNS: &[Column] = columns! {
    both    number                  Whole   always ""             By(places::number)
        "Number of the document in its journal: the order in which documents were made";
    both    document                Text    always ""             At("/id")
        "Identity of the document";
    both    version                 Whole   always ""             At("/data/version")
        "1, and one more with each amendment of the same test";
    both    status                  Text    always ""             At("/data/status")
        "What the document is worth: preliminary, approved, returned or void";
    both    replaces                Text    maybe  ""             At("/data/replaces/id")
        "Identity of the document that this one replaces";
    both    made_utc                Time    always ""             At("/time")
        "When the document was made, UTC";
    both    made_local              Time    always ""             Local("/time")
        "The same in the laboratory's time zone";
    both    station                 Text    always ""             At("/data/station/id")
        "Name of the station";
    both    journal                 Text    always ""             At("/data/station/journal/id")
        "Identity of the journal";
    both    rehearsal               Truth   always ""             At("/data/station/rehearsal")
        "true: simulated instruments, no test result";
    both    sample                  Text    always ""             At("/data/sample/label")
        "What stands on the bag";
    both    sample_id               Text    always ""             At("/data/sample/id")
        "Identity of the sample";
    both    identifier              Text    maybe  ""             At("/data/sample/particulars/identifier")
        "What the laboratory's own system knows the sample by";
    both    project                 Text    maybe  ""             At("/data/sample/particulars/project")
        "Project";
    both    lot                     Text    maybe  ""             At("/data/sample/particulars/lot")
        "Lot";
    both    material                Text    maybe  ""             At("/data/sample/particulars/material")
        "Material";
    both    source                  Text    maybe  ""             At("/data/sample/particulars/source")
        "Source of the material";
    both    sampled_by              Text    maybe  ""             At("/data/sample/particulars/sampledBy")
        "Who took the sample";
    both    sampled_where           Text    maybe  ""             At("/data/sample/particulars/sampledWhere")
        "Where it was taken";
    both    sampled_at              Text    maybe  ""             At("/data/sample/particulars/sampledAt")
        "When it was taken, as it was said: a date with or without a time of day";
    both    limit_at_least          Decimal maybe  "1"            At("/data/sample/particulars/limit/atLeast")
        "Acceptance limit that came with the sample";
    both    specification           Text    maybe  ""             At("/data/sample/particulars/limit/specification")
        "Where that limit stands";
    both    method                  Text    always ""             At("/data/method/id")
        "Name of the method file";
    both    standard                Text    always ""             At("/data/method/standard")
        "The standard";
    both    edition                 Text    always ""             At("/data/method/edition")
        "Edition that the laboratory confirmed";
    both    method_sha256           Text    always ""             At("/data/method/sha256")
        "Digest of the method file: the same limits";
    both    quantity                Text    maybe  ""             At("/data/result/name")
        "Which quantity the result is; empty where no result stands";
    both    result                  Decimal maybe  "1"            At("/data/result/text")
        "The result, rounded as the method says; empty where none stands";
    both    deviations              Whole   always ""             By(places::deviations)
        "How many deviations from the method are recorded";

    records specimen                Text    always ""             At("/data/specimen/label")
        "Label of the specimen";
    records specimen_id             Text    always ""             At("/data/specimen/id")
        "Identity of the specimen";
    records place                   Whole   always ""             At("/data/specimen/place")
        "Place on the bench";
    records mass                    Decimal maybe  ""             At("/data/specimen/mass/text")
        "Mass of the tin or the portion, where it was weighed";
    records mass_unit               Text    maybe  ""             At("/data/specimen/mass/unit")
        "Its unit (UCUM)";
    records begun_utc               Time    maybe  ""             By(places::first_instant)
        "First marked instant of the test, UTC";
    records clay_entered            Decimal maybe  ""             At("/data/readings/clay/entered")
        "Clay reading as it was typed, in the reading unit";
    records clay                    Decimal maybe  ""             At("/data/readings/clay/text")
        "Clay reading as it counts, in the reading unit";
    records clay_by                 Text    maybe  ""             At("/data/readings/clay/by/person")
        "Who read it";
    records sand_entered            Decimal maybe  ""             At("/data/readings/sand/entered")
        "Sand level as it was typed (at the foot's indicator, where there is one), in the reading unit";
    records sand                    Decimal maybe  ""             At("/data/readings/sand/text")
        "Sand reading as it counts, in the reading unit";
    records sand_by                 Text    maybe  ""             At("/data/readings/sand/by/person")
        "Who read it";
    records sediment                Decimal maybe  ""             At("/data/readings/sediment/text")
        "Sediment height as it counts, where the method has one, in the reading unit";
    records reading_unit            Text    maybe  ""             By(places::reading_unit)
        "Unit of the readings (UCUM): [in_i] is the inch, mm the millimetre";
    records before_rounding         Text    maybe  ""             By(places::before_rounding)
        "The number before any rounding, as a fraction or with nine decimals";
    records ratio                   Decimal maybe  "1"            At("/data/calculation/ratio/text")
        "The number to the tenth, as the method rounds it";
    records temperature_lowest      Decimal maybe  ""             At("/data/temperature/minimum/text")
        "Lowest temperature of the solution";
    records temperature_mean        Decimal maybe  ""             At("/data/temperature/mean/text")
        "Mean over time";
    records temperature_highest     Decimal maybe  ""             At("/data/temperature/maximum/text")
        "Highest";
    records temperature_unit        Text    maybe  ""             At("/data/temperature/mean/unit")
        "Unit of the three (UCUM): Cel is the degree Celsius";
    records temperature_outside     Decimal maybe  "s"            At("/data/temperature/outside/text")
        "Time outside the method's limits";
    records temperature_missing     Decimal maybe  "s"            At("/data/temperature/withoutReading/text")
        "Time for which no reading holds";
    records deviation_codes         Names   maybe  ""             Each("/data/deviations", "/code")
        "Kinds of the deviations, in the order of the record";

    results specimens               Whole   always ""             Count("/data/specimens")
        "How many specimens count";
    results records                 Names   maybe  ""             Each("/data/specimens", "/record")
        "Identities of their records";
    results rule                    Text    maybe  ""             At("/data/average/rule")
        "How the result was made of them";
    results mean                    Decimal maybe  "1"            At("/data/average/mean/text")
        "Their mean before the last rounding";
    results difference              Decimal maybe  "1"            At("/data/difference/text")
        "Highest less lowest of them";
    results difference_limit        Decimal maybe  "1"            At("/data/difference/limit")
        "The method's limit for it";
    results difference_verdict      Text    always ""             At("/data/difference/verdict")
        "within, over, or no-limit";

    both    registered_utc          Time    always ""             At("/data/sample/registered/time")
        "When the sample was registered, UTC";
    both    registered_by           Text    maybe  ""             At("/data/sample/registered/by/person")
        "Who registered it";
    both    planned                 Whole   always ""             At("/data/sample/planned")
        "How many specimens were planned";
    both    sample_amount           Text    maybe  ""             At("/data/sample/particulars/quantity")
        "How much material the sample stands for, as it was said";
    both    intended_use            Text    maybe  ""             At("/data/sample/particulars/intendedUse")
        "What the material is to be used for";
    both    brought_by              Text    maybe  ""             At("/data/sample/particulars/broughtBy")
        "Who brought the bag";
    both    brought_at              Text    maybe  ""             At("/data/sample/particulars/broughtAt")
        "When it was brought, as it was said";
    both    software                Text    always ""             At("/data/station/software")
        "Program and version that made the document";
    both    replaces_number         Whole   maybe  ""             At("/data/replaces/number")
        "Number of the document that this one replaces";
    both    corrections             Whole   always ""             By(places::corrections)
        "How many corrections the document tells of";
    both    correction_kinds        Names   maybe  ""             Each("/data/changes", "/kind")
        "Their kinds, oldest first";
    both    reasons_pending         Whole   always ""             By(places::reasons_pending)
        "For how many of them the reason is still to be given";
    both    operators               Text    maybe  ""             By(places::operators)
        "Registered people who worked on it, each once, between semicolons";
    both    decision                Text    maybe  ""             Last("/data/review/decisions", "/decision")
        "What a reviewer decided last, of the version before: approved, returned, voided, answered";
    both    decided_by              Text    maybe  ""             Last("/data/review/decisions", "/who/person")
        "Who decided so";
    both    decided_utc             Time    maybe  ""             Last("/data/review/decisions", "/when/time")
        "When, UTC";
    both    decision_reason         Text    maybe  ""             Last("/data/review/decisions", "/reason")
        "The reason that was given";
    both    authorised_by           Text    maybe  ""             At("/data/review/authorised/person")
        "Who answers for this version; empty where nobody has approved it";
    both    authorised_utc          Time    maybe  ""             At("/data/review/authorised/when/time")
        "When it was approved, UTC";

    records counts                  Truth   maybe  ""             OfResult(places::counts)
        "Whether the newest result of its sample counts the specimen; empty where there is no result";
    records not_counted_why         Text    maybe  ""             OfResult(places::why_not)
        "Why it does not count: void, held, replaced, no-line-in-time, before-the-repeat, not-the-soonest";
    records counted_in              Text    maybe  ""             OfResult(places::counted_in)
        "Identity of the result that says so";
    records replaced_by             Text    maybe  ""             OfResult(places::replaced_by)
        "Label of the specimen that is run in its place, as that result says";
    records in_place_of             Text    maybe  ""             At("/data/specimen/inPlaceOf/label")
        "Label of the specimen in whose place this one is run";
    records specimen_kind           Text    always ""             At("/data/specimen/kind")
        "tin or portion";
    records settled                 Decimal maybe  "s"            By(places::settled)
        "How long the last interval before the first reading took: the sedimentation";
    records foot                    Text    maybe  ""             At("/data/readings/sand/foot")
        "Foot assembly of the sand reading";
    records strokes                 Whole   maybe  ""             First("/data/counts", "/number")
        "Strokes or cycles that were entered, where the method counts them";
    records shaker_cycles           Whole   maybe  ""             First("/data/shakerCycles", "/count")
        "Cycles of the shaker that a switch counted";
    records shaker_rate             Decimal maybe  "{cycles}/min" First("/data/shakerCycles", "/rate/text")
        "Their rate";
    records incidents               Names   maybe  ""             By(places::incidents)
        "Kinds of what went otherwise than planned: notes, changes of place, an interruption, a late line";
    records temperature_certificate Text    maybe  ""             At("/data/temperature/certificate/number")
        "Certificate that the temperatures were corrected by";
    records room_lowest             Decimal maybe  ""             At("/data/room/minimum/text")
        "Lowest temperature of the room";
    records room_highest            Decimal maybe  ""             At("/data/room/maximum/text")
        "Highest";
    records room_unit               Text    maybe  ""             At("/data/room/minimum/unit")
        "Unit of the two (UCUM)";
    records solution_first_fill     Text    maybe  ""             First("/data/solution/uses", "/batch")
        "Batch of solution at the first fill";
    records solution_irrigation     Text    maybe  ""             By(places::solution_irrigation)
        "Batch at the last step that draws solution, the irrigation";
    records solution_states         Names   maybe  ""             Each("/data/solution/uses", "/state")
        "How the batches stood, in the order in which they were used";
    records solution_recipe         Text    maybe  ""             By(places::solution_recipe)
        "Recipe of the batch at the first fill";
    records solution_made_utc       Time    maybe  ""             By(places::solution_made)
        "When that batch was made, UTC";
    records solution_expires_utc    Time    maybe  ""             By(places::solution_expires)
        "Until when it is good, UTC";
    records solution_stock          Text    maybe  ""             By(places::solution_stock)
        "Batch of stock solution that it was made from";
    records solution_lot            Text    maybe  ""             By(places::solution_lot)
        "Maker's lot, where it came ready-made";
    records course                  Text    maybe  ""             At("/data/preparation/course")
        "Course of preparation that the sample followed";
    records steps_skipped           Whole   maybe  ""             By(places::steps_skipped)
        "How many of its steps were skipped";
    records tempering               Decimal maybe  "s"            At("/data/preparation/tempering/duration/text")
        "How long the portion was tempered";
    records tin                     Whole   maybe  ""             At("/data/preparation/tin/number")
        "Number of the tin within the sample";
    records tin_mark                Text    maybe  ""             At("/data/preparation/tin/mark")
        "What stands on the tin";
    records constant_mass           Truth   maybe  ""             At("/data/preparation/drying/constant")
        "Whether the tin was shown to be dried to constant mass; empty where it was not dried";
    records water_content           Decimal maybe  "%"            At("/data/preparation/drying/water/text")
        "Water that was driven off, of the dry mass";
    records drying_stopped          Text    maybe  ""             At("/data/preparation/drying/stopped/reason")
        "Why it was taken out before its mass was constant";
    records portion_moisture        Decimal maybe  "%"            At("/data/portion/moisture/text")
        "Moisture of the portion as it was stated, of the dry mass";
    records portion_fines           Decimal maybe  "%"            At("/data/portion/fines/text")
        "Fines of the portion as they were stated, of the dry mass";
    records equipment               Text    maybe  ""             By(places::equipment)
        "Marks of the items that were used, each once, between semicolons";
    records equipment_in_doubt      Text    maybe  ""             By(places::equipment_in_doubt)
        "Of these, the items that were not in order when they were used";
    records equipment_doubts        Names   maybe  ""             By(places::equipment_doubts)
        "Why not, each once: past-due, failed, out-of-use";

    results acceptance_limit        Decimal maybe  "1"            At("/data/acceptance/limit/atLeast")
        "Limit that the result was held against";
    results acceptance_rule         Text    maybe  ""             At("/data/acceptance/rule")
        "Decision rule: simple or guarded";
    results acceptance_compared     Decimal maybe  "1"            At("/data/acceptance/compared")
        "What was compared with the limit";
    results acceptance_verdict      Text    maybe  ""             At("/data/acceptance/verdict")
        "pass, fail, or not-decided; empty where there is no limit";
    results acceptance_why          Text    maybe  ""             At("/data/acceptance/why")
        "Why it is not decided";
    results acceptance_though_cold  Truth   maybe  ""             At("/data/acceptance/standsThoughCold")
        "true: it passed though the solution was colder than allowed, and the method lets that stand";
    results uncertainty             Decimal maybe  "1"            By(places::uncertainty)
        "Expanded uncertainty of the mean before rounding, where the laboratory states one";
    results not_counted             Whole   maybe  ""             By(places::not_counted_count)
        "How many specimens do not count, where the result lists them";
    results not_counted_specimens   Names   maybe  ""             By(places::not_counted_ids)
        "Their identities";
    results not_counted_whys        Names   maybe  ""             By(places::not_counted_whys)
        "Why each does not, in the same order";
    results precision_verdict       Text    maybe  ""             At("/data/precision/verdict")
        "Beside published precision: within, outside, or no-figure";
    results precision_range         Decimal maybe  "1"            At("/data/precision/operator/range")
        "Range that one operator's results should keep to";
    results further_specimens       Whole   maybe  ""             At("/data/precision/furtherAsked/specimens")
        "How many further specimens were asked for";
    results repeated                Truth   always ""             By(places::repeated)
        "true: the sample was run again";
    records mass_by                 Text    maybe  ""             At("/data/specimen/mass/weighedBy/person")
        "Who weighed the tin or the portion, where a name was known";
};
