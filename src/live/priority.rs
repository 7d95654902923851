//! Real-time priority for the engine thread, where the system grants it.
//!
//! Below that of the sound system's own threads, which must never wait for this
//! one.

/// Priority out of 99: JACK gives its clients 5 less than its own 10 by default
/// (from memory), and the engine takes the same.
#[cfg(unix)]
const PRIORITY: u8 = 5;

/// Requests real-time priority for this thread; returns whether it was granted.
pub fn raise() -> bool {
    #[cfg(unix)]
    {
        use thread_priority::unix::{
            RealtimeThreadSchedulePolicy, ThreadSchedulePolicy, set_thread_priority_and_policy,
            thread_native_id,
        };
        let Ok(priority) = PRIORITY.try_into() else {
            return false;
        };
        let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::RoundRobin);
        let priority = thread_priority::ThreadPriority::Crossplatform(priority);
        set_thread_priority_and_policy(thread_native_id(), priority, policy).is_ok()
    }
    #[cfg(not(unix))]
    {
        let priority = thread_priority::ThreadPriority::Max;
        thread_priority::set_current_thread_priority(priority).is_ok()
    }
}
