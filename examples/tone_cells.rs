//! Writes the cells of takes with the features around them, for training.
//! usage: tone_cells offline|causal OUT TAKE...
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use leadpipe::internals::analysis::Analyser;
use leadpipe::internals::analysis::offline_decoder::OfflineDecoder;
use leadpipe::internals::analysis::tone::features::pitch_of;
use leadpipe::internals::analysis::tone::{CAUSAL, Grid, OFFLINE};
use leadpipe::{Selection, Settings, Take};

fn main() {
    let mut arguments = std::env::args().skip(1);
    let causal = arguments.next().as_deref() == Some("causal");
    let out = arguments.next().expect("OUT");
    let mut out = BufWriter::new(File::create(out).unwrap());
    for (number, take) in arguments.enumerate() {
        let mut take = Take::open(Path::new(&take), &Selection::default()).expect("a take");
        let settings = Settings::builder(take.sample_rate_hz());
        let settings = settings
            .gate_db(-140.0)
            .build()
            .expect("a usual sample rate");
        let mut analyser = Analyser::new(settings);
        let layout = if causal { &CAUSAL } else { &OFFLINE };
        let mut grid = Grid::new(layout, &analyser);
        let mut path = OfflineDecoder::new(&analyser);
        let mut first_s = None;
        let mut decoded = Vec::new();
        let hop_s = analyser.hop_s();
        let mut cells = Vec::new();
        let mut write = |grid: &mut Grid, first_s: f64| {
            while grid.next_cells(&mut cells) {
                let time_s = first_s + layout.hop_of(grid.number()) as f64 * hop_s;
                for (rank, cell) in cells.iter().enumerate() {
                    let mut row: Vec<u8> = Vec::with_capacity(16 + 840);
                    row.extend((number as u32).to_le_bytes());
                    row.extend((time_s as f32).to_le_bytes());
                    row.extend(pitch_of(cell.bin).to_le_bytes());
                    row.extend((rank as u32).to_le_bytes());
                    for feature in grid.context(cell.bin).iter().flatten() {
                        row.push((feature * 60.0).round().clamp(-128.0, 127.0) as i8 as u8);
                    }
                    out.write_all(&row).unwrap();
                }
            }
        };
        let mut block = Vec::new();
        while take.next_block(&mut block).expect("sound") {
            analyser.push(&block, &mut |frame| {
                first_s.get_or_insert(frame.time_s);
                grid.push_samples(&frame.samples);
                if causal {
                    grid.push_candidates(&frame.candidates, true);
                } else {
                    path.push(frame, &mut decoded, &mut |c, _| {
                        grid.push_candidates(c, true)
                    });
                }
                write(&mut grid, first_s.unwrap());
            });
            decoded.clear();
        }
        grid.end_samples();
        if !causal {
            path.finish(&mut decoded, &mut |c, _| grid.push_candidates(c, true));
        }
        grid.finish();
        write(&mut grid, first_s.unwrap_or(0.0));
    }
    out.flush().unwrap();
}
