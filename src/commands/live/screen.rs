use leadpipe::error::Result;
use leadpipe::live::session::Session;
use std::sync::atomic::AtomicBool;
pub fn watch(session: &Session, quit: &AtomicBool) -> Result<()> {
    super::plain::watch(session, quit, false)
}
