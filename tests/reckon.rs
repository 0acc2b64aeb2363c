//! `stillstand reckon` as a person or a script meets it: the built program, its output, its exit codes.

#![expect(clippy::unwrap_used, reason = "a test fails by it")]

use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Output, Stdio};

const BINARY: &str = env!("CARGO_BIN_EXE_stillstand");

fn reckon(args: &[&str], input: &str) -> (i32, String, String) {
    let mut child = Command::new(BINARY)
        .arg("reckon")
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_owned();
    // A program that refuses its command line does not read what it is given.
    let writer = std::thread::spawn(move || drop(stdin.write_all(input.as_bytes())));
    let Output { status, stdout, stderr } = child.wait_with_output().unwrap();
    writer.join().unwrap();
    (status.code().unwrap(), String::from_utf8(stdout).unwrap(), String::from_utf8(stderr).unwrap())
}

/// Exact rational arithmetic by Python's `fractions`, over all of `reckon`'s output.
#[test]
fn every_row_agrees_with_another_tools_exact_arithmetic() {
    let judge = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/reckon_exact.py");
    let done = Command::new("python3").arg(judge).arg(BINARY).output().unwrap_or_else(|e| {
        panic!("this test needs python3 (Debian package python3) to judge the arithmetic: {e}")
    });
    let (said, wrong) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    assert!(done.status.success(), "{said}{wrong}");
    assert!(said.contains("rows agree"), "{said}");
}

/// T 176 / D2419, worked example: 3.3 and 8.0 are reported 42 (recalled from memory).
#[test]
fn one_pair_gives_one_result() {
    let (code, out, errors) = reckon(&["--sand", "3.3", "--clay", "8.0"], "");
    assert_eq!((code, errors.as_str()), (0, ""));
    assert_eq!(out, "sand 3.3 in, clay 8.0 in, ratio 41.3, reported 42\n");
    let (_, out, _) = reckon(&["--clay", "7.95", "--sand", "3.22"], "");
    assert_eq!(
        out,
        "sand 3.22 in, recorded 3.3 in, clay 7.95 in, recorded 8.0 in, ratio 41.3, reported 42\n"
    );
    let (_, out, _) = reckon(&["--sand", "3.3", "--clay", "8.0", "--json"], "");
    assert_eq!(
        out,
        "{\"sand\":3.3,\"clay\":8.0,\"exact\":\"165/4\",\"ratio\":41.3,\"reported\":42,\"flags\":[]}\n"
    );
}

#[test]
fn a_wrong_reading_is_a_data_error_and_a_wrong_command_line_a_usage_error() {
    for (sand, clay, why) in [
        ("3.3", "0", "clay reading is 0"),
        ("3.3", "15.1", "over"),
        ("-1", "8", "negative"),
        ("15.01", "15", "over"),
    ] {
        let (code, out, errors) = reckon(&["--sand", sand, "--clay", clay], "");
        assert_eq!((code, out.as_str()), (65, ""), "{sand} {clay}");
        assert!(errors.contains(why), "{errors}");
    }
    for args in [&["--sand", "3.3"][..], &["--sand", "3,3", "--clay", "8"], &["--pairs"], &["3.3", "8.0"]] {
        let (code, out, errors) = reckon(args, "sand,clay\n3.3,8.0\n");
        assert_eq!((code, out.as_str()), (64, ""), "{args:?}");
        assert!(!errors.is_empty());
    }
    let (code, out, _) = reckon(&["--help"], "");
    assert_eq!(code, 0);
    assert!(out.contains("`sand,clay,ratio,reported`"));
}

#[test]
fn a_worksheet_with_wrong_rows_still_gives_the_others() {
    let sheet = "Specimen, Clay ,SAND,Notes\r\n\
                 1,8.0,3.3,\"Pit 3, lower\"\r\n\
                 2,0,3.1,\r\n\
                 \r\n\
                 3,6.0,2.7,\"left open\r\n\
                 4,6.0,2.7,\"a \"\"fine\"\" one\"\r\n\
                 5,8.1,abc,\r\n\
                 6,9.2\r\n\
                 7,9.2,2.75,";
    let (code, out, errors) = reckon(&[], sheet);
    assert_eq!(code, 65);
    assert_eq!(out, "sand,clay,ratio,reported\n3.3,8.0,41.3,42\n2.7,6.0,45.0,45\n2.8,9.2,30.4,31\n");
    let told: Vec<_> = errors.lines().map(|l| l.split_once(':').map_or(l, |(line, _)| line)).collect();
    let summary = "4 of 7 rows are wrong and were left out";
    assert_eq!(told, ["line 3", "line 5", "line 7", "line 8", summary], "{errors}");
    for word in ["clay reading is 0", "quote", "`abc`", "2 fields, where the header has 4"] {
        assert!(errors.contains(word), "{errors}");
    }
}

#[test]
fn sand_over_clay_is_computed_with_a_warning() {
    let (code, out, errors) = reckon(&["--json"], "sand,clay\n9.0,8.0\n");
    assert_eq!(code, 0, "a warning is no error");
    assert!(
        out.contains(r#""line":2"#) && out.contains(r#""reported":113,"flags":["sand-over-clay"]"#),
        "{out}"
    );
    assert!(errors.starts_with("line 2: warning: the sand reading 9.0 is higher"), "{errors}");
    let (code, out, errors) = reckon(&["--sand", "9.0", "--clay", "8.0"], "");
    assert_eq!(code, 0);
    assert!(out.contains("reported 113") && errors.contains("warning"));
}

#[test]
fn a_worksheet_without_its_columns_says_what_it_found() {
    for (sheet, found) in [
        ("", "standard input is empty"),
        ("3.3,8.0\n", "line 1: found `3.3`, `8.0`"),
        ("sand;clay\n3.3;8.0\n", "found `sand;clay`"),
        ("sand,clay,sand\n1,2,3\n", "found `sand`, `clay`, `sand`"),
    ] {
        let (code, out, errors) = reckon(&[], sheet);
        assert_eq!((code, out.as_str()), (65, ""), "{sheet:?}");
        assert!(errors.contains(found) && errors.contains("`sand,clay`"), "{errors}");
    }
    assert_eq!(reckon(&[], "sand,clay\n"), (0, "sand,clay,ratio,reported\n".into(), String::new()));
}

#[test]
fn binary_rubbish_is_refused_line_by_line() {
    let mut child = Command::new(BINARY)
        .arg("reckon")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"sand,clay\n\xff\xfe\x00,8.0\n3.3,8.0\n").unwrap();
    drop(stdin);
    let done = child.wait_with_output().unwrap();
    assert_eq!(done.status.code(), Some(65));
    assert!(String::from_utf8_lossy(&done.stderr).contains("line 2:"));
    assert!(String::from_utf8_lossy(&done.stdout).ends_with("3.3,8.0,41.3,42\n"));
}

/// `stillstand reckon < sheet.csv | head -1`.
#[test]
fn a_reader_that_has_seen_enough_ends_it_quietly() {
    let mut child = Command::new(BINARY)
        .arg("reckon")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    stdin.write_all(b"sand,clay\n").unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut first = String::new();
    out.read_line(&mut first).unwrap();
    assert_eq!(first, "sand,clay,ratio,reported\n");
    drop(out);
    // The program may end before it has read all of this.
    let _ = stdin.write_all("3.3,8.0\n".repeat(100_000).as_bytes());
    drop(stdin);
    let done = child.wait_with_output().unwrap();
    assert_eq!((done.status.code(), String::from_utf8_lossy(&done.stderr).as_ref()), (Some(0), ""));
}

#[test]
fn a_full_disk_is_an_input_output_error() {
    let full = std::fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let mut child = Command::new(BINARY)
        .arg("reckon")
        .stdin(Stdio::piped())
        .stdout(full)
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // It may end on the header already.
    let _ = child.stdin.take().unwrap().write_all(b"sand,clay\n3.3,8.0\n");
    let done = child.wait_with_output().unwrap();
    assert_eq!(done.status.code(), Some(74));
    assert!(String::from_utf8_lossy(&done.stderr).contains("cannot write the results"));
}

/// Height formulas, European ratios and portions against `fractions` and mpmath.
#[test]
fn every_number_by_a_method_file_agrees_with_other_tools_arithmetic() {
    let root = env!("CARGO_MANIFEST_DIR");
    let venv = format!("{root}/tests/tools/venv/bin/python");
    // mpmath comes with the tests' tools; a system that has it will do.
    let python = if std::path::Path::new(&venv).exists() { venv.as_str() } else { "python3" };
    let (judge, methods) = (format!("{root}/tests/outside/formulas.py"), format!("{root}/config/methods"));
    let done = Command::new(python).args([&judge, BINARY, &methods]).output().unwrap();
    let (said, wrong) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    assert!(done.status.success(), "{said}{wrong}");
    assert!(said.contains("rows agree"), "{said}");
}

#[test]
fn a_method_file_says_which_levels_it_takes() {
    let methods = concat!(env!("CARGO_MANIFEST_DIR"), "/config/methods");
    let by = |name: &str, more: &[&str]| {
        let file = format!("{methods}/{name}.toml");
        reckon(&[&["--method", file.as_str()], more].concat(), "")
    };
    // Coarse durability at 3.0 in: 53.1 (formula from memory, value derived).
    let (code, out, _) = by("aashto-t210-coarse", &["--sediment", "3.0"]);
    assert_eq!((code, out.as_str()), (0, "sediment 3.0 in, durability index 53.1, reported 53\n"));
    let (code, _, errors) = by("aashto-t210-coarse", &["--sand", "3", "--clay", "8"]);
    assert_eq!(code, 64);
    assert!(errors.contains("reads sediment"), "{errors}");
    let (code, _, errors) = by("en-933-8", &["--sand", "391", "--clay", "8"]);
    assert_eq!(code, 65);
    assert!(errors.contains("391 mm is over"), "{errors}");
    let (code, _, errors) = by("no-such-method", &["--sediment", "3"]);
    assert_eq!(code, 74);
    assert!(errors.contains("cannot read the method"), "{errors}");
    let (code, out, _) = by("en-933-8", &["--moisture", "1.4", "--fines", "15"]);
    assert_eq!((code, out.as_str()), (0, "material 80.12 to 82.12 g, corrective sand 39 to 41 g\n"));
}
