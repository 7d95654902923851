//! For tests of the writers: lines that no player would play.

use proptest::prelude::*;

use crate::analysis::HOP_S;
use crate::line::{Line, LineContext};
use crate::notes::contour::{Contour, Point};
use crate::notes::{Attack, Length, Measured, Note};
use crate::tuning::{Reference, Tuning};

/// A note `rest_s` after the one before that glides evenly over `glide` semitones, its
/// middle at `pitch`.
#[derive(Debug, Clone)]
pub struct Shape {
    pub rest_s: f64,
    pub length_s: f64,
    pub pitch: f64,
    pub glide: f64,
    pub slurred: bool,
}

pub fn shapes() -> impl Strategy<Value = Vec<Shape>> {
    let shape = (
        0.0f64..0.5,
        0.06f64..1.0,
        20.0f64..100.0,
        -2.0f64..2.0,
        any::<bool>(),
    );
    let shape = shape.prop_map(|(rest_s, length_s, pitch, glide, slurred)| Shape {
        rest_s: if slurred { 0.0 } else { rest_s },
        length_s,
        pitch,
        glide,
        slurred,
    });
    prop::collection::vec(shape, 1..12)
}

/// The notes, one after the other, read as they were played.
pub fn line(shapes: &[Shape]) -> Line {
    let tuning = Tuning::find("equal-12", None, Reference::default()).unwrap();
    line_in(LineContext::new(tuning), shapes)
}

/// The same in another context.
pub fn line_in(context: LineContext, shapes: &[Shape]) -> Line {
    let mut now_s = 0.1;
    let note = |shape: &Shape| {
        let onset_s = now_s + shape.rest_s;
        now_s = onset_s + shape.length_s;
        let hops = (shape.length_s / HOP_S).ceil() as usize;
        let point = |hop: usize| Point {
            pitch: (shape.pitch + shape.glide * (hop as f64 * HOP_S / shape.length_s - 0.5)) as f32,
            level_db: -20.0,
            confidence: 1.0,
            brightness: 2.0,
        };
        Note {
            onset_s,
            offset_s: now_s,
            decided_s: onset_s + 0.02,
            pitch: shape.pitch,
            attack: if shape.slurred {
                Attack::Slurred
            } else {
                Attack::Tongued
            },
            length: Length::Normal,
            accent: false,
            techniques: Vec::new(),
            level_db: -20.0,
            confidence: 1.0,
            brightness: Some(2.0),
            measured: Measured::default(),
            contour: Contour {
                start_s: onset_s,
                hop_s: HOP_S,
                points: (0..hops).map(point).collect(),
            },
        }
    };
    let notes: Vec<Note> = shapes.iter().map(note).collect();
    Line::new("generated", now_s + 0.2, notes, context)
}
