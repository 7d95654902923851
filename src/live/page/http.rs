//! The little HTTP that the page needs: the head of a request, and answers.

use httparse::{EMPTY_HEADER, Request, Status};
use tungstenite::handshake::server::create_response;
use tungstenite::http;

/// Longest head of a request, in bytes, and most headers in it.
pub const MAX_HEAD: usize = 8_192;
const MAX_HEADERS: usize = 64;

/// What of a request matters here.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Head {
    /// Whether a body is wanted: GET, and not HEAD.
    pub body: bool,
    /// Path without the query.
    pub path: String,
    /// `token` of the query.
    pub token: Option<String>,
    pub host: Option<String>,
    pub origin: Option<String>,
    /// The answer's accept key, if it asks for a WebSocket as RFC 6455 has it.
    pub accept: Option<String>,
}

/// What has come of a head so far.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reading {
    /// It is not complete.
    Partial,
    /// The head and its length in bytes.
    Complete(Head, usize),
    /// It cannot be answered: status and reason.
    Wrong(u16, &'static str),
}

/// Reads the head of a request.
pub fn read_head(bytes: &[u8]) -> Reading {
    let mut headers = [EMPTY_HEADER; MAX_HEADERS];
    let mut request = Request::new(&mut headers);
    let length = match request.parse(bytes) {
        Ok(Status::Complete(length)) if length <= MAX_HEAD => length,
        Ok(Status::Partial) if bytes.len() < MAX_HEAD => return Reading::Partial,
        Ok(_) | Err(httparse::Error::TooManyHeaders) => {
            return Reading::Wrong(431, "the request's head is too long");
        }
        Err(_) => return Reading::Wrong(400, "this is no HTTP request"),
    };
    let body = match request.method {
        Some("GET") => true,
        Some("HEAD") => false,
        _ => return Reading::Wrong(405, "only GET and HEAD are answered"),
    };
    // Two of them would leave open which one counts.
    let header = |name: &str| {
        let mut all = (request.headers.iter()).filter(|h| h.name.eq_ignore_ascii_case(name));
        match (all.next(), all.next()) {
            (Some(one), None) => Ok(Some(String::from_utf8_lossy(one.value).into_owned())),
            (None, _) => Ok(None),
            (Some(_), Some(_)) => Err(()),
        }
    };
    let (Ok(host), Ok(origin)) = (header("host"), header("origin")) else {
        return Reading::Wrong(400, "Host or Origin is there twice");
    };
    let target = request.path.unwrap_or("/");
    let (path, query) = target.split_once('?').unwrap_or((target, ""));
    let token = query
        .split('&')
        .find_map(|part| part.strip_prefix("token="));
    let head = Head {
        body,
        path: path.to_owned(),
        token: token.map(str::to_owned),
        host,
        origin,
        accept: accept_key(&request),
    };
    Reading::Complete(head, length)
}

/// Whether it asks for a WebSocket is judged by the library.
fn accept_key(request: &Request) -> Option<String> {
    let mut asked =
        http::Request::builder()
            .method(request.method?)
            .version(match request.version? {
                1 => http::Version::HTTP_11,
                _ => http::Version::HTTP_10,
            });
    for header in request.headers.iter() {
        asked = asked.header(header.name, header.value);
    }
    let answer = create_response(&asked.body(()).ok()?).ok()?;
    let key = answer.headers().get("Sec-WebSocket-Accept")?;
    Some(key.to_str().ok()?.to_owned())
}

/// The answer that opens a WebSocket.
pub fn switching(accept: &str) -> Vec<u8> {
    format!(
        "HTTP/1.1 101 Switching Protocols\r\nConnection: Upgrade\r\nUpgrade: websocket\r\n\
         Sec-WebSocket-Accept: {accept}\r\n\r\n"
    )
    .into_bytes()
}

/// An answer after which the connection is closed. `extra`: further headers, each with its
/// line end.
pub fn answer(status: u16, kind: &str, extra: &str, body: &str, with_body: bool) -> Vec<u8> {
    let reason = match status {
        200 => "OK",
        204 => "No Content",
        400 => "Bad Request",
        403 => "Forbidden",
        404 => "Not Found",
        405 => "Method Not Allowed",
        426 => "Upgrade Required",
        431 => "Request Header Fields Too Large",
        _ => "Service Unavailable",
    };
    let length = body.len();
    let mut bytes = format!(
        "HTTP/1.1 {status} {reason}\r\nContent-Type: {kind}; charset=utf-8\r\n\
         Content-Length: {length}\r\nConnection: close\r\nCache-Control: no-store\r\n\
         X-Content-Type-Options: nosniff\r\nReferrer-Policy: no-referrer\r\n\
         X-Frame-Options: DENY\r\n{extra}\r\n"
    )
    .into_bytes();
    if with_body {
        bytes.extend(body.bytes());
    }
    bytes
}

/// An answer in words.
pub fn plain(status: u16, text: &str, with_body: bool) -> Vec<u8> {
    answer(status, "text/plain", "", &format!("{text}\n"), with_body)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The handshake that RFC 6455 shows (section 1.3).
    const ASKED: &str = "GET /live?token=b7c1 HTTP/1.1\r\nHost: server.example.com\r\n\
        Upgrade: websocket\r\nConnection: Upgrade\r\n\
        Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nOrigin: http://example.com\r\n\
        Sec-WebSocket-Version: 13\r\n\r\n";

    #[test]
    fn the_handshake_of_the_standard_is_accepted() {
        let Reading::Complete(head, length) = read_head(ASKED.as_bytes()) else {
            panic!("{:?}", read_head(ASKED.as_bytes()));
        };
        assert_eq!(length, ASKED.len());
        assert_eq!(head.accept.as_deref(), Some("s3pPLMBiTxaQ9kYGzzhZRbK+xOo="));
        assert_eq!(
            (&*head.path, head.token.as_deref()),
            ("/live", Some("b7c1"))
        );
        assert_eq!(head.origin.as_deref(), Some("http://example.com"));
    }

    #[test]
    fn what_no_browser_asks_is_refused() {
        let status = |text: &str| match read_head(text.as_bytes()) {
            Reading::Wrong(status, _) => Some(status),
            _ => None,
        };
        assert_eq!(status("POST / HTTP/1.1\r\n\r\n"), Some(405));
        assert_eq!(status("\u{16}\u{3}\u{1}"), Some(400));
        assert_eq!(
            status("GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n"),
            Some(400)
        );
        let many = "X: y\r\n".repeat(MAX_HEADERS + 1);
        assert_eq!(status(&format!("GET / HTTP/1.1\r\n{many}\r\n")), Some(431));
        let long = "x".repeat(MAX_HEAD);
        assert_eq!(status(&format!("GET /{long}")), Some(431));
    }

    #[test]
    fn a_page_is_no_websocket() {
        let Reading::Complete(head, _) = read_head(b"GET / HTTP/1.1\r\nHost: a\r\n\r\n") else {
            panic!("not read");
        };
        assert_eq!(head.accept, None);
    }

    proptest! {
        /// Until its last byte a head is waited for, whatever is in it.
        #[test]
        fn a_head_is_complete_at_its_end(path in "/[a-z]{0,9}", host in "[a-z.:0-9]{1,20}", cut in 0.0f64..1.0) {
            let text = format!("GET {path} HTTP/1.1\r\nHost: {host}\r\n\r\n");
            let short = &text.as_bytes()[..(cut * text.len() as f64) as usize];
            prop_assert_eq!(read_head(short), Reading::Partial);
            let Reading::Complete(head, length) = read_head(text.as_bytes()) else {
                panic!("not read");
            };
            prop_assert_eq!(length, text.len());
            prop_assert_eq!((head.path, head.host), (path, Some(host)));
        }

        /// Any bytes are read or refused.
        #[test]
        fn noise_is_survived(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
            let _ = read_head(&bytes);
        }
    }
}
