//! Fits the numbers of a model one at a time.

use super::made_lines::refuse;

/// A number of a model: its name, where it is, and the value at which it says nothing.
pub type Number<M> = (&'static str, fn(&mut M) -> &mut f32, f32);

/// What is fitted.
pub struct Search<'a, M> {
    /// What the fit is called where it says how far it is.
    pub name: &'a str,
    /// The numbers that are moved.
    pub numbers: &'a [Number<M>],
    /// Numbers that keep a value.
    pub held: &'a [(&'a str, f32)],
}

/// Numbers that are to be held, from arguments NAME=VALUE; refuses a name that is none of `known`.
pub fn held<'a>(arguments: &[&'a String], known: &[&str]) -> Vec<(&'a str, f32)> {
    let held = arguments.iter().filter_map(|a| a.split_once('='));
    held.map(|(name, value)| {
        if !known.contains(&name) {
            refuse(&format!("{name}: not one of {}", known.join(", ")));
        }
        let value = value.parse();
        (
            name,
            value.unwrap_or_else(|_| refuse(&format!("{name}: give a number"))),
        )
    })
    .collect()
}

/// The names of numbers.
pub fn names<M>(numbers: &[Number<M>]) -> Vec<&'static str> {
    numbers.iter().map(|number| number.0).collect()
}

/// A move that gains less than this is not taken: where the score is flat, a number stays.
const LEAST_GAIN: f64 = 1e-4;

impl<M: Copy + std::fmt::Debug> Search<'_, M> {
    /// Moves each number up and down, by ever smaller steps, as long as that scores higher, and
    /// prints what it finds. `score` gives the score of a model, and a line about it.
    pub fn run(&self, mut model: M, score: impl Fn(&M) -> (f64, String)) -> M {
        let show = |what: &str, (total, about): &(f64, String)| {
            println!("{}: {what}: {total:.5} ({about})", self.name);
        };
        let holds = |number: &str| self.held.iter().find(|(name, _)| *name == number);
        for (number, at, _) in self.numbers {
            if let Some((_, value)) = holds(number) {
                *at(&mut model) = *value;
            }
        }
        let free = || (self.numbers.iter()).filter(|(number, _, _)| holds(number).is_none());
        let mut best = score(&model);
        show("now", &best);
        for step in [2.0f32, 1.4, 1.2, 1.1, 1.05] {
            let mut moved = true;
            while moved {
                moved = false;
                for (number, at, _) in free() {
                    for factor in [step, 1.0 / step] {
                        let mut other = model;
                        *at(&mut other) *= factor;
                        let found = score(&other);
                        if found.0 > best.0 + LEAST_GAIN {
                            (model, best, moved) = (other, found, true);
                            show(&format!("{number} {:.3}", *at(&mut model)), &best);
                            break;
                        }
                    }
                }
            }
        }
        println!("{}: {model:#?}", self.name);
        for (number, at, neutral) in free() {
            let mut other = model;
            *at(&mut other) = *neutral;
            show(&format!("without {number}"), &score(&other));
        }
        model
    }
}
