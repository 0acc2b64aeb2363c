//! The technician's hand on the page: one act over HTTP, answered when it is on the disk.

use serde_json::Value;
use std::io;
use std::net::SocketAddr;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// Posts an act to the station's page and gives status and answer.
pub(super) async fn act(pages: SocketAddr, body: &Value) -> io::Result<(u16, Value)> {
    let body = body.to_string();
    let mut stream = TcpStream::connect(pages).await?;
    stream.set_nodelay(true)?;
    let head = format!(
        "POST /act HTTP/1.1\r\nHost: {pages}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\
         Connection: close\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).await?;
    stream.write_all(body.as_bytes()).await?;
    let mut answer = Vec::new();
    stream.take(1 << 20).read_to_end(&mut answer).await?;
    let text = String::from_utf8_lossy(&answer);
    let status = text.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
    let body = text.split_once("\r\n\r\n").map_or("", |(_, body)| body);
    Ok((status, serde_json::from_str(body).unwrap_or(Value::Null)))
}
