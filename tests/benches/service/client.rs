//! A keep-alive HTTP/1.1 client of a few lines, so that the client costs next to nothing.

use std::io::{Read, Write};
use std::net::TcpStream;

/// One connection.
pub(crate) struct Client {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Client {
    /// Connects.
    pub(crate) fn new(url: &str) -> Client {
        let stream = TcpStream::connect(url.trim_start_matches("http://")).expect("the server listens");
        stream.set_nodelay(true).unwrap();
        Client { stream, buffer: vec![0; 1 << 16] }
    }

    /// Sends one request and reads the whole answer; gives its status and the bytes of its body.
    pub(crate) fn exchange(&mut self, head: &str, body: &[u8]) -> (u16, usize) {
        self.stream.write_all(head.as_bytes()).unwrap();
        self.stream.write_all(body).unwrap();
        let mut got = Vec::new();
        loop {
            let n = self.stream.read(&mut self.buffer).unwrap();
            assert!(n > 0, "the server closed: {}", String::from_utf8_lossy(&got));
            got.extend_from_slice(&self.buffer[..n]);
            if let Some(end) = got.windows(4).position(|w| w == b"\r\n\r\n") {
                let head = String::from_utf8_lossy(&got[..end]).to_lowercase();
                let status = head[9..12].parse().unwrap();
                let length: usize = head
                    .lines()
                    .find_map(|l| l.strip_prefix("content-length:"))
                    .expect("a length")
                    .trim()
                    .parse()
                    .unwrap();
                if got.len() >= end + 4 + length {
                    return (status, length);
                }
            }
        }
    }
}

/// The head of a submission.
pub(crate) fn post_head(token: &str, length: usize) -> String {
    format!(
        "POST /v1/runs HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {token}\r\n\
         Content-Type: application/json\r\nContent-Length: {length}\r\n\r\n"
    )
}
