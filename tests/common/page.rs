//! The stage page without a browser.
#![allow(dead_code)]

use std::net::TcpStream;
use std::time::{Duration, Instant};

use serde_json::Value;
use tungstenite::client::IntoClientRequest;
use tungstenite::protocol::frame::coding::CloseCode;
use tungstenite::{Message, WebSocket};

use crate::common::wait;
use crate::stage::Live;

/// The address that the program says.
pub fn said_url(live: &Live) -> String {
    let mut url = None;
    let said = || {
        live.errors().lines().find_map(|l| {
            Some(l.trim())
                .filter(|l| l.starts_with("http://"))
                .map(str::to_owned)
        })
    };
    assert!(
        wait(20.0, || {
            url = said();
            url.is_some()
        }),
        "no address: {}",
        live.errors()
    );
    url.unwrap()
}

/// A page without a browser.
pub struct PlainPage(pub WebSocket<TcpStream>);

impl PlainPage {
    /// Opens the page of a server, with the query of its address.
    pub fn open(host: &str, query: &str) -> Result<PlainPage, String> {
        let stream = TcpStream::connect(host).map_err(|e| e.to_string())?;
        stream
            .set_read_timeout(Some(Duration::from_secs(10)))
            .unwrap();
        let mut request = format!("ws://{host}/live{query}")
            .into_client_request()
            .unwrap();
        let origin = format!("http://{host}").parse().unwrap();
        request.headers_mut().insert("Origin", origin);
        let opened = tungstenite::client(request, stream);
        opened
            .map(|(socket, _)| PlainPage(socket))
            .map_err(|e| e.to_string())
    }

    /// Sends a message; says whether it could.
    pub fn send(&mut self, text: &str) -> bool {
        self.0.send(Message::text(text)).is_ok()
    }

    /// The next message that is so.
    pub fn hear(&mut self, so: impl Fn(&Value) -> bool) -> Value {
        let deadline = Instant::now() + Duration::from_secs(20);
        while Instant::now() < deadline {
            if let Ok(Message::Text(text)) = self.0.read() {
                let message = serde_json::from_str(&text).expect("JSON");
                if so(&message) {
                    return message;
                }
            }
        }
        panic!("it was never heard");
    }

    /// The problem with a message, by its number; null for none.
    pub fn answer(&mut self, number: u32) -> Value {
        self.hear(|m| m["answer"] == number)["problem"].clone()
    }

    /// How it is sent away.
    pub fn farewell(&mut self) -> CloseCode {
        for _ in 0..10_000 {
            match self.0.read() {
                Ok(Message::Close(Some(frame))) => return frame.code,
                Ok(_) => {}
                Err(e) => panic!("cut off without a word: {e}"),
            }
        }
        panic!("it was never sent away");
    }
}
