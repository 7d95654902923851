//! The note table for the terminal.

use std::io;

use super::csv::detail;
use super::paint::Paint;
use crate::line::Line;
use crate::notation::Part;
use crate::text::shown;
use crate::units::{cents_in_words, rounded};

/// Writes the table, and what was estimated of the part.
pub fn write(line: &Line, part: &Part, paint: Paint, to: &mut dyn io::Write) -> io::Result<()> {
    let context = &line.context;
    let horn = context
        .horn
        .as_ref()
        .map_or("concert pitch", |h| h.title.as_str());
    writeln!(
        to,
        "{} · {} · {} at A4 = {} Hz",
        shown(&line.source),
        horn,
        context.tuning.title(),
        context.tuning.reference().a4_hz()
    )?;
    if line.notes.is_empty() {
        return writeln!(to, "no notes");
    }
    let heading = format!(
        "{:>4} {:>9} {:>10} {:>8} {:>8} {:>6} {:>8}  articulation",
        "no", "start (s)", "length (s)", "written", "concert", "cents", "volts"
    );
    writeln!(to, "{}", paint.heading(&heading))?;
    for (number, named) in line.notes.iter().enumerate() {
        let note = &named.note;
        let mut how: Vec<String> = note.techniques.iter().map(detail).collect();
        if note.accent {
            how.insert(0, "accent".into());
        }
        let row = format!(
            "{:>4} {:>9.3} {:>10.3} {:>8} {:>8} {} {:>+8.3}  {:<8} {:<9} {}",
            number + 1,
            note.onset_s,
            note.duration_s(),
            named.written_name(),
            named.concert_name(),
            paint.cents(named.cents, &format!("{:>6}", cents_in_words(named.cents))),
            rounded(named.volts, 3),
            note.attack.name(),
            note.length.name(),
            how.join(", ")
        );
        writeln!(to, "{}", row.trim_end())?;
    }
    let said = [part.estimated(), part.left_out_in_words()];
    said.iter()
        .flatten()
        .try_for_each(|said| writeln!(to, "{said}"))
}
