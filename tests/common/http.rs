//! A plain HTTP/1.1 client: requests, and the event stream of a page.

use serde_json::Value;
use std::io;
use std::net::SocketAddr;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader, Lines};
use tokio::net::TcpStream;

/// Status, content type and body.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub kind: String,
    pub text: String,
}

impl Answer {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("no JSON ({e}): {}", self.text))
    }
}

pub async fn get(pages: SocketAddr, path: &str) -> io::Result<Answer> {
    send(pages, &format!("GET {path} HTTP/1.1\r\nHost: {pages}\r\nConnection: close\r\n\r\n"), b"").await
}

pub async fn post(pages: SocketAddr, path: &str, kind: &str, body: &[u8]) -> io::Result<Answer> {
    let head = format!(
        "POST {path} HTTP/1.1\r\nHost: {pages}\r\nContent-Type: {kind}\r\nContent-Length: {}\r\n\
         Connection: close\r\n\r\n",
        body.len()
    );
    send(pages, &head, body).await
}

async fn send(pages: SocketAddr, head: &str, body: &[u8]) -> io::Result<Answer> {
    let mut stream = TcpStream::connect(pages).await?;
    stream.write_all(head.as_bytes()).await?;
    // A server that refuses early may close before it has read everything: its answer counts.
    let _ = stream.write_all(body).await;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await?;
    let text = String::from_utf8_lossy(&answer).into_owned();
    let cut = || io::Error::new(io::ErrorKind::UnexpectedEof, "the answer is cut off");
    let (head, body) = text.split_once("\r\n\r\n").ok_or_else(cut)?;
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).ok_or_else(cut)?;
    let header = |name: &str| {
        head.lines().find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim().to_owned())
        })
    };
    if header("content-length").and_then(|n| n.parse::<usize>().ok()).is_some_and(|n| n > body.len()) {
        return Err(cut());
    }
    let mut whole = body.to_owned();
    if header("transfer-encoding").is_some_and(|coding| coding.eq_ignore_ascii_case("chunked")) {
        let begin = answer.windows(4).position(|four| four == b"\r\n\r\n").ok_or_else(cut)? + 4;
        whole = String::from_utf8_lossy(&unchunked(&answer[begin..]).ok_or_else(cut)?).into_owned();
    }
    Ok(Answer { status, kind: header("content-type").unwrap_or_default(), text: whole })
}

/// A body that came in chunks (RFC 9112, section 7.1); `None`: it broke off.
fn unchunked(mut body: &[u8]) -> Option<Vec<u8>> {
    let mut whole = Vec::new();
    loop {
        let line = body.windows(2).position(|two| two == b"\r\n")?;
        let size = std::str::from_utf8(&body[..line]).ok()?;
        let size = usize::from_str_radix(size.split(';').next()?.trim(), 16).ok()?;
        body = &body[line + 2..];
        if size == 0 {
            return Some(whole);
        }
        whole.extend_from_slice(body.get(..size)?);
        body = body.get(size + 2..)?;
    }
}

/// The event stream of a page.
pub struct Events {
    lines: Lines<BufReader<TcpStream>>,
}

impl Events {
    pub async fn open(pages: SocketAddr) -> io::Result<Self> {
        let mut stream = TcpStream::connect(pages).await?;
        let request = format!("GET /events HTTP/1.1\r\nHost: {pages}\r\nAccept: text/event-stream\r\n\r\n");
        stream.write_all(request.as_bytes()).await?;
        Ok(Self { lines: BufReader::new(stream).lines() })
    }

    /// The next event: its name and data.
    pub async fn next(&mut self) -> io::Result<(String, Value)> {
        let (mut name, mut data) = (String::new(), String::new());
        loop {
            let ended = || io::Error::new(io::ErrorKind::UnexpectedEof, "the event stream ended");
            let line = self.lines.next_line().await?.ok_or_else(ended)?;
            if let Some(text) = line.strip_prefix("event: ") {
                text.clone_into(&mut name);
            } else if let Some(text) = line.strip_prefix("data: ") {
                data.push_str(text);
            } else if line.is_empty() && !name.is_empty() {
                return Ok((name, serde_json::from_str(&data)?));
            }
        }
    }
}
