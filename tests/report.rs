//! The built program prints: the same report from a page of a running station and from the command
//! beside it, in a process that the station outlives.

#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test stops at what it did not expect")]

mod common;

use common::site::Site;
use common::{PROGRAM, soon};
use std::net::SocketAddr;
use std::process::Command;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Head and bytes of an answer.
async fn fetched(pages: SocketAddr, path: &str) -> (String, Vec<u8>) {
    let whole = async {
        let mut stream = TcpStream::connect(pages).await.unwrap();
        let request = format!("GET {path} HTTP/1.1\r\nHost: {pages}\r\nConnection: close\r\n\r\n");
        stream.write_all(request.as_bytes()).await.unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).await.unwrap();
        answer
    };
    let answer = soon(path, whole).await;
    let at = answer.windows(4).position(|bytes| bytes == b"\r\n\r\n").unwrap();
    let (head, body) = answer.split_at(at);
    (String::from_utf8_lossy(head).into_owned(), body[4..].to_vec())
}

#[tokio::test(flavor = "multi_thread")]
async fn page_and_command_print_the_same_report_while_the_station_runs() {
    let site = Site::new("report", None);
    let bench = site.start().await;
    let sample = bench.sample("Quarry fines 22", 1).await;
    let specimen = bench.specimen(sample, 3).await;
    bench.soaking(specimen).await;
    bench.settling(specimen).await;
    bench.mark(specimen, "sedimentation", "end").await;
    bench.enter(specimen, "clay", "8.0").await;
    bench.enter(specimen, "sand", "13.3").await;
    bench.until("the result", |view| !view["finished"][0].is_null()).await;

    let (head, from_page) = fetched(bench.pages, &format!("/report/{sample}/pdf")).await;
    assert!(head.starts_with("HTTP/1.1 200") && head.contains("application/pdf"), "{head}");
    assert!(head.contains("quarry-fines-22"), "a name for the file: {head}");
    assert!(from_page.starts_with(b"%PDF-1.7"));

    let settings = site.folder.path().join("stillstand.toml");
    let print = |words: &str| {
        let mut command = Command::new(PROGRAM);
        command.arg("report").arg(words).arg("--settings").arg(&settings).args(["--out", "-"]);
        let done = command.output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        done.stdout
    };
    let text = sample.to_string();
    for words in ["Quarry fines 22", text.as_str()] {
        assert!(print(words) == from_page, "`{words}`: other bytes than the page's");
    }

    let (head, blank) = fetched(bench.pages, "/worksheet/aashto-t176-mechanical/pdf").await;
    assert!(head.starts_with("HTTP/1.1 200") && blank.starts_with(b"%PDF-"), "{head}");
    // After a restart too, and after the sample has left the bench.
    bench.mark(specimen, "clean", "done").await;
    assert_eq!(bench.stop().await, 0);
    site.free().await;
    assert!(print("Quarry fines 22").starts_with(b"%PDF-1.7"), "the station need not run");
}
