//! The stage page: the session in a browser, on a tablet or a second screen.
//!
//! ```text
//! engine -> UiSnapshot -> queue -> page thread -> WebSocket -> pages
//!   ^                                  |
//!   \---------- Command --- queue -----/
//! ```
//!
//! One thread serves all pages by readiness (`mio`), so that no number of visitors makes
//! more threads; HTTP heads are read by `httparse`, frames by `tungstenite`. The engine only
//! puts a snapshot into a bounded queue, and only while a page is open. What a page asks
//! for is read as a pedal's command is ([`parse_action`](super::rig::parse_action)) and goes
//! into the same queue.

mod access;
mod address;
mod connection;
pub mod http;
pub mod message;
mod server;
mod state;
mod visitor;

pub use address::{Invitation, TokenFile};
pub use server::{Page, PageConfig};

/// The page: one file, with nothing from elsewhere. The nonce stands for what
/// changes with each answer.
fn html(nonce: &str) -> String {
    const HTML: &str = include_str!("page.html");
    const STYLE: &str = include_str!("page.css");
    const SCRIPT: &str = include_str!("page.js");
    HTML.replace("{nonce}", nonce)
        .replace("{style}", STYLE)
        .replace("{script}", SCRIPT)
        .replace("{version}", env!("CARGO_PKG_VERSION"))
}
