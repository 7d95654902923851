//! Where a note's pitch comes from and goes to: scoop, fall, doit, glissando.

use super::Next;
use crate::notes::contour::{Contour, Point};
use crate::notes::technique_model::{SlideModel, TechniqueModel};
use crate::notes::{BODY_DB, Note, Technique, is_at};
use crate::statistics::median;

/// Scoop, fall, doit or glissando: where the pitch comes from and goes to.
pub(super) fn shape(contour: &Contour, home: f64, model: &TechniqueModel) -> Vec<Technique> {
    let slides = &model.slides;
    let loudest_db = contour
        .points
        .iter()
        .map(|p| p.level_db)
        .fold(-120.0, f32::max);
    // The pitch of the first breath and of the last ringing is not the player's.
    let loud = |at: &usize| contour.points[*at].level_db > loudest_db - BODY_DB;
    let range = 0..contour.points.len();
    let from = range.clone().find(loud).unwrap_or(0);
    let to = range.rev().find(loud).unwrap_or(0);
    let voiced: Vec<(f64, f32)> = contour
        .timed()
        .take(to + 1)
        .skip(from)
        .filter(|(_, p)| !p.pitch.is_nan())
        .map(|(t, p)| (t, p.pitch))
        .collect();
    let (Some(first), Some(last)) = (voiced.first(), voiced.last()) else {
        return Vec::new();
    };
    let length_s = last.0 - first.0;
    if length_s < slides.brief_s {
        return Vec::new();
    }
    let mean = |from_s: f64, to_s: f64| {
        median(
            voiced
                .iter()
                .filter(|(t, _)| (from_s..=to_s).contains(t))
                .map(|(_, p)| f64::from(*p)),
        )
        .unwrap_or(home)
    };
    let start = mean(first.0, first.0 + 0.02);
    let end = mean(last.0 - 0.02, last.0);
    let cents = |from: f64, to: f64| ((to - from) * 100.0) as f32;
    // A glissando never stops: each quarter continues in the same direction.
    let quarter = |i: f64| {
        mean(
            first.0 + length_s * (i - 0.5) / 4.0,
            first.0 + length_s * (i + 0.5) / 4.0,
        )
    };
    let steps: Vec<f64> = (0..4)
        .map(|i| quarter(f64::from(i) + 1.0) - quarter(f64::from(i)))
        .collect();
    let way = end - start;
    if cents(start, end).abs() > slides.glissando_cents
        && steps.iter().all(|s| s * way.signum() > 0.08 * way.abs())
    {
        return vec![Technique::Glissando {
            cents: cents(start, end),
        }];
    }
    // Or it leaves its pitch for a while, however slowly.
    let (from_s, to_s) = (first.0 + 0.15 * length_s, last.0 - 0.15 * length_s);
    let inner: Vec<f64> = (voiced.iter())
        .filter(|(t, _)| (from_s..=to_s).contains(t))
        .map(|(_, p)| f64::from(*p))
        .collect();
    let returns = cents(start, end).abs() < slides.least_cents;
    let (width_s, least) = match length_s > slides.slow_s {
        // A whole turn of any vibrato, in which it cancels.
        true => (1.0 / model.waves.vibrato_hz.0, slides.least_cents),
        false => (slides.brief_s, slides.excursion_cents),
    };
    let away = excursion(&inner, ((width_s / contour.hop_s) as usize).max(1));
    if away.abs() > least && (returns || length_s > slides.slow_s) {
        return vec![Technique::Glissando { cents: away }];
    }
    let mut found = Vec::new();
    let rise = cents(start, home);
    if rise > slides.least_cents {
        found.push(Technique::Scoop { cents: rise });
    }
    let drop = cents(home, end);
    if drop < -slides.least_cents {
        found.push(Technique::Fall { cents: drop });
    } else if drop > slides.least_cents {
        found.push(Technique::Doit { cents: drop });
    }
    found
}

/// Largest deviation of a pitch from where it starts, in cents, by medians over `hops`.
fn excursion(pitches: &[f64], hops: usize) -> f32 {
    let medians: Vec<f64> = (pitches.chunks(hops))
        .filter_map(|chunk| median(chunk.iter().copied()))
        .collect();
    let Some(start) = medians.first() else {
        return 0.0;
    };
    let away = medians.iter().map(|p| p - start);
    let farthest = away.max_by(|a, b| a.abs().total_cmp(&b.abs()));
    (farthest.unwrap_or(0.0) * 100.0) as f32
}

/// The name of a slide in a note that is slurred from or to another: the step between
/// two notes is neither scoop nor fall, however many partials the lips touch, and a
/// long slide to the next is a glissando.
pub(super) fn linked(
    slide: Technique,
    slurred: bool,
    next: Next,
    glides_s: (f64, f64),
    model: &SlideModel,
) -> Option<Technique> {
    let long =
        |cents: f32, glide_s| cents.abs() > model.glissando_cents && glide_s > model.glissando_s;
    match slide {
        Technique::Scoop { cents } if slurred => long(cents, glides_s.0).then_some(slide),
        Technique::Fall { cents } | Technique::Doit { cents } if next != Next::Apart => {
            long(cents, glides_s.1).then_some(Technique::Glissando { cents })
        }
        other => Some(other),
    }
}

/// How long a note takes to reach its pitch, and how long it is away from it at its
/// end, in seconds.
pub(super) fn glides_s(note: &Note) -> (f64, f64) {
    let own = is_at(note.pitch);
    let home = |p: &Point| own(&p.pitch);
    let points = &note.contour.points;
    let first = points.iter().position(home).unwrap_or(0);
    let last = points.iter().rposition(home).map_or(0, |at| at + 1);
    let hop_s = note.contour.hop_s;
    (first as f64 * hop_s, (points.len() - last) as f64 * hop_s)
}
