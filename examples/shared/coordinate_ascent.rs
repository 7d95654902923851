//! Fitting by coordinate ascent: each number of a model in turn is moved up and down, by ever
//! smaller steps, as long as that is better. There is no chance in it.

use std::fmt::{Debug, Display};

/// A number of a model.
pub struct Number<M> {
    pub name: &'static str,
    pub get: fn(&M) -> f64,
    pub set: fn(&mut M, f64),
    /// The value at which it says nothing.
    pub neutral: f64,
}

/// `number!(name, field of the model, neutral value)`.
macro_rules! number {
    ($name:literal, $($field:tt).+, $neutral:expr) => {
        Number {
            name: $name,
            get: |model| f64::from(model.$($field).+),
            set: |model, value| model.$($field).+ = value as _,
            neutral: $neutral,
        }
    };
}
pub(crate) use number;

/// How well a model does: what is printed of it, and the number that is to rise.
pub trait Score: Copy + Display {
    fn total(&self) -> f64;
}

/// A move that gains less is not taken: where the score is flat, a number stays.
const LEAST_GAIN: f64 = 1e-4;

/// Fits the numbers of a model, and prints each step, the model that is found, and what
/// leaving each number at its neutral value would cost.
pub fn fit<M: Copy + Debug, S: Score>(
    name: &str,
    mut model: M,
    numbers: &[&Number<M>],
    steps: &[f64],
    score: impl Fn(&M) -> S,
) {
    let show = |what: &str, s: S| println!("{name}: {what}: {s}");
    let mut best = score(&model);
    show("now", best);
    for step in steps {
        let mut moved = true;
        while moved {
            moved = false;
            for number in numbers {
                for factor in [*step, 1.0 / step] {
                    let mut other = model;
                    (number.set)(&mut other, (number.get)(&model) * factor);
                    let found = score(&other);
                    if found.total() > best.total() + LEAST_GAIN {
                        (model, best, moved) = (other, found, true);
                        show(
                            &format!("{} {:.3}", number.name, (number.get)(&model)),
                            best,
                        );
                        break;
                    }
                }
            }
        }
    }
    println!("{name}: {model:#?}");
    for number in numbers {
        let mut other = model;
        (number.set)(&mut other, number.neutral);
        show(&format!("without {}", number.name), score(&other));
    }
}

/// Sets numbers of a model to given values; the numbers that are left to be fitted.
pub fn hold<'a, M>(
    model: &mut M,
    numbers: &'a [Number<M>],
    held: &[(&str, f64)],
) -> Vec<&'a Number<M>> {
    let mut free = Vec::new();
    for number in numbers {
        match held.iter().find(|(name, _)| *name == number.name) {
            Some((_, value)) => (number.set)(model, *value),
            None => free.push(number),
        }
    }
    free
}

/// Arguments of the form NUMBER=VALUE, and the others.
pub fn values(arguments: &[String]) -> (Vec<(&str, f64)>, Vec<&String>) {
    let (values, rest): (Vec<&String>, Vec<&String>) =
        arguments.iter().partition(|a| a.contains('='));
    let values = (values.into_iter().filter_map(|a| a.split_once('=')))
        .map(|(name, value)| (name, value.parse().expect("a number")))
        .collect();
    (values, rest)
}
