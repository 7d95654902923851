//! Real-time priority for the engine thread, where the system grants it, and none for the
//! threads that it begins.
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

/// Gives this thread ordinary priority. On Linux a thread inherits that of the one that began
/// it, and work of a second at a time must not compete with the engine.
pub fn lower() {
    #[cfg(unix)]
    {
        use thread_priority::unix::{
            NormalThreadSchedulePolicy, ThreadSchedulePolicy, set_thread_priority_and_policy,
            thread_native_id,
        };
        // The crate makes this a niceness of 0.
        const ORDINARY: u8 = 48;
        let policy = ThreadSchedulePolicy::Normal(NormalThreadSchedulePolicy::Other);
        if let Ok(priority) = ORDINARY.try_into() {
            let priority = thread_priority::ThreadPriority::Crossplatform(priority);
            // Where it cannot be set it was not raised either.
            let _ = set_thread_priority_and_policy(thread_native_id(), priority, policy);
        }
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use thread_priority::unix::{
        NormalThreadSchedulePolicy, ThreadSchedulePolicy, thread_schedule_policy,
    };

    #[test]
    fn a_thread_of_the_engine_has_ordinary_priority_again() {
        let policies = || {
            let granted = raise();
            let begun = std::thread::spawn(|| {
                lower();
                thread_schedule_policy().unwrap()
            });
            (granted, begun.join().unwrap())
        };
        let (granted, policy) = std::thread::spawn(policies).join().unwrap();
        eprintln!("real-time priority granted: {granted}");
        let ordinary = ThreadSchedulePolicy::Normal(NormalThreadSchedulePolicy::Other);
        assert_eq!(policy, ordinary);
    }
}
