//! Where the page is to be found, and the token that a network wants: kept from session to
//! session, so that a tablet finds its way back after the program was started again.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};

use qrcode::render::unicode::Dense1x2;
use qrcode::{EcLevel, QrCode};

use crate::error::{Error, Result};

/// Random bytes of a token: more than can ever be guessed.
const TOKEN_BYTES: usize = 12;

const CAUTION: &str =
    "Whoever has this address can play with the session: use a network of your own.";

/// The file that keeps the token.
#[derive(Debug, Clone)]
pub struct TokenFile(Option<PathBuf>);

impl TokenFile {
    /// In the user's state folder (`~/.local/state/leadpipe/page-token` on Linux), if the
    /// system has one.
    pub fn of_user() -> Self {
        let folder = dirs::state_dir().or_else(dirs::data_local_dir);
        TokenFile(folder.map(|f| f.join("leadpipe").join("page-token")))
    }

    /// At a path.
    pub fn at(path: &Path) -> Self {
        TokenFile(Some(path.to_owned()))
    }

    /// The token that is kept; a new one where there is none. What cannot be kept counts
    /// for this session.
    ///
    /// # Errors
    /// [`Error::Device`] where the system gives no random numbers.
    pub fn token(&self) -> Result<String> {
        let kept = self
            .0
            .as_ref()
            .and_then(|path| fs::read_to_string(path).ok());
        let is_token = |text: &&str| {
            text.len() == 2 * TOKEN_BYTES && text.bytes().all(|b| b.is_ascii_hexdigit())
        };
        if let Some(token) = kept.as_deref().map(str::trim).filter(is_token) {
            return Ok(token.to_owned());
        }
        let token = random_hex(TOKEN_BYTES)?;
        if let Some(path) = &self.0 {
            let _ = keep(path, &token);
        }
        Ok(token)
    }
}

/// So many random bytes in hexadecimal.
pub fn random_hex(count: usize) -> Result<String> {
    let mut bytes = vec![0; count];
    getrandom::fill(&mut bytes)
        .map_err(|e| Error::device("random numbers", e, "start again on a system that has them"))?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// For this user's eyes only.
fn keep(path: &Path, token: &str) -> io::Result<()> {
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder)?;
    }
    let _ = fs::remove_file(path);
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options
        .open(path)?
        .write_all(format!("{token}\n").as_bytes())
}

/// How to open the page: addresses, and the first of them as a QR code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invitation {
    /// Whole addresses, the likeliest first.
    pub urls: Vec<String>,
    /// Rows of block characters for light letters on a dark ground; none where the page
    /// cannot be opened from another machine.
    pub code: Vec<String>,
}

impl Invitation {
    /// For a page that is bound to an address.
    pub fn new(bound: SocketAddr, token: Option<&str>) -> Self {
        let addresses = match bound.ip() {
            ip if ip.is_unspecified() => own_addresses(ip),
            ip => vec![ip],
        };
        let query = token.map_or(String::new(), |token| format!("?token={token}"));
        let url = |ip: &IpAddr| format!("http://{}/{query}", SocketAddr::new(*ip, bound.port()));
        let urls: Vec<String> = addresses.iter().map(url).collect();
        let first = urls.first().filter(|_| !bound.ip().is_loopback());
        Invitation {
            code: first.map_or(Vec::new(), |url| code(url)),
            urls,
        }
    }

    /// Lines for a terminal: what it is, addresses, the code.
    pub fn lines(&self) -> Vec<String> {
        let mut urls = self.urls.iter().map(|url| format!("  {url}"));
        let mut lines = vec!["Stage page, open in a browser:".to_owned()];
        lines.extend(urls.next());
        lines.extend(self.code.iter().cloned());
        lines.extend(urls);
        if !self.code.is_empty() {
            lines.push(CAUTION.to_owned());
        }
        lines
    }
}

/// Addresses of this machine that others can reach, IPv4 first because they are shorter;
/// its own where there is no network.
fn own_addresses(bound: IpAddr) -> Vec<IpAddr> {
    let found = if_addrs::get_if_addrs().unwrap_or_default();
    let mut addresses: Vec<IpAddr> = found
        .iter()
        .filter(|interface| !interface.is_loopback() && !interface.is_link_local())
        .map(|interface| interface.ip())
        .filter(|ip| bound.is_ipv6() || ip.is_ipv4())
        .collect();
    addresses.sort_by_key(IpAddr::is_ipv6);
    if addresses.is_empty() {
        addresses.push(IpAddr::from([127, 0, 0, 1]));
    }
    addresses
}

/// A QR code as rows of characters, two modules high each.
fn code(text: &str) -> Vec<String> {
    let Ok(code) = QrCode::with_error_correction_level(text, EcLevel::L) else {
        return Vec::new();
    };
    // Dark modules are left out, light ones drawn: terminals are dark.
    let drawn = code
        .render::<Dense1x2>()
        .dark_color(Dense1x2::Light)
        .light_color(Dense1x2::Dark)
        .build();
    drawn.lines().map(str::to_owned).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_kept_and_readable_by_its_owner_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("leadpipe").join("page-token");
        let file = TokenFile::at(&path);
        let token = file.token().unwrap();
        assert_eq!(token.len(), 2 * TOKEN_BYTES);
        assert_eq!(file.token().unwrap(), token);
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = fs::metadata(&path).unwrap().permissions().mode();
            assert_eq!(mode & 0o077, 0);
        }
        // One that was cut off is none.
        fs::write(&path, &token[..7]).unwrap();
        let next = file.token().unwrap();
        assert!(next != token && next.len() == token.len());
        let nowhere = TokenFile::at(Path::new("/proc/nowhere/page-token"));
        assert_eq!(nowhere.token().unwrap().len(), token.len());
    }

    #[test]
    fn this_machines_page_has_an_address_and_no_code() {
        let here = Invitation::new("127.0.0.1:8080".parse().unwrap(), None);
        assert_eq!(here.urls, ["http://127.0.0.1:8080/"]);
        assert!(here.code.is_empty());
    }

    #[test]
    fn a_network_page_has_its_token_and_a_code() {
        let there = Invitation::new("192.0.2.7:8080".parse().unwrap(), Some("b7c1"));
        assert_eq!(there.urls, ["http://192.0.2.7:8080/?token=b7c1"]);
        // A square with four modules of margin on each side, two modules to a row.
        let width = there.code[0].chars().count();
        assert_eq!(there.code.len(), width.div_ceil(2));
        assert!(there.code[0].chars().all(|c| c == '█'));
        let all = Invitation::new("0.0.0.0:8080".parse().unwrap(), Some("b7c1"));
        assert!(!all.urls.is_empty() && !all.urls[0].contains("0.0.0.0"));
    }
}
