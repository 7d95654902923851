//! What a client's ports are connected to, kept while its server is gone.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jack::{Client, PortFlags};

/// Connections of a client's ports, by the ports' short names. Its owner keeps it when
/// the client is closed, and hands it to the next.
#[derive(Debug, Clone, Default)]
pub struct Patch(Arc<Mutex<Connections>>);

#[derive(Debug, Default)]
struct Connections {
    /// As last seen: a port of ours and one of another client.
    seen: Option<Vec<(String, String)>>,
    /// Still to be made again.
    wanted: Vec<(String, String)>,
}

impl Patch {
    fn lock(&self) -> MutexGuard<'_, Connections> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Connects a new client's ports as they were before, as far as the others are
    /// there, or else as `usual` says.
    pub(super) fn restore(&self, client: &Client, usual: Vec<(String, String)>) {
        let seen = self.lock().seen.clone();
        self.lock().wanted = seen.unwrap_or(usual);
        self.connect(client);
    }

    /// Remembers what the ports are connected to now, and makes what is still missing.
    /// For about once a second; not on a callback's thread.
    pub(super) fn keep(&self, client: &Client) {
        self.connect(client);
        let mut now = Vec::new();
        for port in own_ports(client) {
            let short = short_name(&port).to_owned();
            let connected = client.port_by_name(&port).map(|p| p.get_connections());
            let connected = connected.unwrap_or_default();
            now.extend(connected.into_iter().map(|other| (short.clone(), other)));
        }
        let mut connections = self.lock();
        // What is yet to come back is still part of the patch.
        now.extend(connections.wanted.iter().cloned());
        connections.seen = Some(now);
    }

    fn connect(&self, client: &Client) {
        let wanted = std::mem::take(&mut self.lock().wanted);
        let missing = |(own, other): &(String, String)| !connect(client, own, other);
        let missing: Vec<_> = wanted.into_iter().filter(missing).collect();
        self.lock().wanted = missing;
    }
}

/// Connects a port of the client with another; whether they are connected.
fn connect(client: &Client, own: &str, other: &str) -> bool {
    let own = format!("{}:{own}", client.name());
    let Some(port) = client.port_by_name(&own) else {
        return false;
    };
    if client.port_by_name(other).is_none() {
        return false;
    }
    let (from, to) = match port.flags().contains(PortFlags::IS_OUTPUT) {
        true => (own.as_str(), other),
        false => (other, own.as_str()),
    };
    matches!(
        client.connect_ports_by_name(from, to),
        Ok(()) | Err(jack::Error::PortAlreadyConnected(..))
    )
}

fn own_ports(client: &Client) -> Vec<String> {
    let own = format!("{}:", client.name());
    let all = client.ports(None, None, PortFlags::empty());
    all.into_iter().filter(|p| p.starts_with(&own)).collect()
}

fn short_name(port: &str) -> &str {
    port.split_once(':').map_or(port, |(_, short)| short)
}
