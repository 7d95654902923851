//! What a page asks for: a line `NUMBER COMMAND`, in which the command is written as in a
//! rig's switches (`12 horn flugelhorn`, `13 mute on`). The number comes back with the
//! answer, so that the page can tell the player that it was heard.

use std::time::Instant;

use crate::live::command::Command;
use crate::live::rig::parse_action;

/// Longest message, in bytes; a command is far shorter.
pub const MAX_MESSAGE: usize = 256;

/// Messages that may come at once, and each second: a hand gives fewer.
const BURST: f64 = 40.0;
const PER_SECOND: f64 = 20.0;
/// Messages beyond that after which a page is sent away.
const MAX_EXCESS: u32 = 400;

/// A message that can be answered.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// Its number.
    pub number: u32,
    /// What it asks for, if that is understood.
    pub command: Option<Command>,
}

/// Reads a message; `None` where it has no number, so that nothing can be answered.
pub fn read(text: &str) -> Option<Asked> {
    if text.len() > MAX_MESSAGE || text.chars().any(char::is_control) {
        return None;
    }
    let (number, action) = text.split_once(' ')?;
    // Plain digits only: the standard library's parser also takes a plus sign.
    if !number.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    Some(Asked {
        number: number.parse().ok()?,
        command: parse_action(action),
    })
}

/// How many messages a page may still send.
#[derive(Debug, Clone)]
pub struct Allowance {
    left: f64,
    counted: Instant,
    excess: u32,
}

/// What becomes of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// It is carried out.
    Allowed,
    /// It is not; the page sends too many.
    TooMany,
    /// The page is sent away.
    Flood,
}

impl Allowance {
    /// A full one.
    pub fn new(now: Instant) -> Self {
        Allowance {
            left: BURST,
            counted: now,
            excess: 0,
        }
    }

    /// Judges a message.
    pub fn take(&mut self, now: Instant) -> Verdict {
        let passed_s = now.saturating_duration_since(self.counted).as_secs_f64();
        self.counted = now;
        self.left = (self.left + PER_SECOND * passed_s).min(BURST);
        if self.left >= 1.0 {
            self.left -= 1.0;
            return Verdict::Allowed;
        }
        self.excess += 1;
        match self.excess > MAX_EXCESS {
            true => Verdict::Flood,
            false => Verdict::TooMany,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::time::Duration;

    #[test]
    fn a_message_asks_for_what_it_says() {
        let command = |text: &str| read(text).map(|asked| (asked.number, asked.command));
        assert_eq!(command("1 panic"), Some((1, Some(Command::Panic))));
        assert_eq!(command("7 mute off"), Some((7, Some(Command::Mute(false)))));
        assert_eq!(
            command("12 horn flugelhorn"),
            Some((12, Some(Command::Horn("flugelhorn".into()))))
        );
        assert_eq!(command("3 mark"), Some((3, Some(Command::Mark))));
        // A page cannot end the session, nor ask for what there is not.
        for action in [
            "quit",
            "dance",
            "shift 49",
            "voice-level 0",
            "record maybe",
            "",
        ] {
            assert_eq!(command(&format!("4 {action}")), Some((4, None)), "{action}");
        }
        for text in [
            "panic", "", " panic", "x panic", "+1 panic", "-1 panic", "1\tpanic",
        ] {
            assert_eq!(command(text), None, "{text}");
        }
        assert_eq!(
            command(&format!("1 horn {}", "x".repeat(MAX_MESSAGE))),
            None
        );
    }

    #[test]
    fn a_hand_is_never_too_fast_and_a_flood_is_sent_away() {
        let start = Instant::now();
        let mut hand = Allowance::new(start);
        // Ten a second for a minute.
        let hand =
            (0..600).all(|i| hand.take(start + Duration::from_millis(100 * i)) == Verdict::Allowed);
        assert!(hand);
        let mut flood = Allowance::new(start);
        let verdicts: Vec<_> = (0..1_000).map(|_| flood.take(start)).collect();
        let count = |which| verdicts.iter().filter(|v| **v == which).count();
        assert_eq!(count(Verdict::Allowed), BURST as usize);
        assert_eq!(count(Verdict::TooMany), MAX_EXCESS as usize);
        assert_eq!(verdicts.last(), Some(&Verdict::Flood));
    }

    proptest! {
        /// A message that is read is a number, a space and an action; what is not is refused.
        #[test]
        fn any_text_is_read_or_refused(text in "\\PC{0,40}") {
            if let Some(asked) = read(&text) {
                let (number, action) = text.split_once(' ').unwrap();
                prop_assert_eq!(number.parse::<u32>().ok(), Some(asked.number));
                prop_assert_eq!(parse_action(action), asked.command);
            }
        }

        /// No more is ever carried out than the burst and the rate allow.
        #[test]
        fn the_rate_is_kept(gaps_ms in prop::collection::vec(0u64..200, 1..400)) {
            let start = Instant::now();
            let (mut allowance, mut now, mut allowed) = (Allowance::new(start), start, 0);
            for gap_ms in gaps_ms {
                now += Duration::from_millis(gap_ms);
                allowed += u32::from(allowance.take(now) == Verdict::Allowed);
                let most = BURST + PER_SECOND * (now - start).as_secs_f64();
                prop_assert!(f64::from(allowed) <= most + 1e-6);
            }
        }
    }
}
