//! Marks in a WAV file: the chunks `cue ` and `LIST adtl` of the RIFF specification
//! (Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0, 1991),
//! which audio editors show as markers.

use std::fs::OpenOptions;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Appends cue points at these frames to a WAV file that is otherwise complete, labelled
/// `mark 1` and on.
///
/// # Errors
/// What reading or writing the file gives; [`io::ErrorKind::InvalidData`] where it is no
/// RIFF file or would grow beyond 4 GB.
pub fn append(path: &Path, frames: &[u32]) -> io::Result<()> {
    let mut file = OpenOptions::new().read(true).write(true).open(path)?;
    let mut id = [0; 4];
    file.read_exact(&mut id)?;
    let length = file.seek(SeekFrom::End(0))?;
    // Chunks begin at even places.
    let mut more = vec![0; usize::from(!length.is_multiple_of(2))];
    more.extend(chunks(frames));
    let size = u32::try_from(length + more.len() as u64 - 8);
    let (b"RIFF", Ok(size)) = (&id, size) else {
        return Err(io::ErrorKind::InvalidData.into());
    };
    file.write_all(&more)?;
    file.seek(SeekFrom::Start(4))?;
    file.write_all(&size.to_le_bytes())
}

fn chunks(frames: &[u32]) -> Vec<u8> {
    let mut points = (frames.len() as u32).to_le_bytes().to_vec();
    let mut labels = b"adtl".to_vec();
    for (id, frame) in (1u32..).zip(frames) {
        for field in [id, *frame] {
            points.extend(field.to_le_bytes());
        }
        points.extend(b"data");
        // The data chunk is the only one, and not split into blocks.
        for field in [0, 0, *frame] {
            points.extend(field.to_le_bytes());
        }
        let mut label = id.to_le_bytes().to_vec();
        label.extend(format!("mark {id}\0").bytes());
        labels.extend(chunk(b"labl", &label));
    }
    [chunk(b"cue ", &points), chunk(b"LIST", &labels)].concat()
}

fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut chunk = id.to_vec();
    chunk.extend((body.len() as u32).to_le_bytes());
    chunk.extend(body);
    if !body.len().is_multiple_of(2) {
        chunk.push(0);
    }
    chunk
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Chunks of a RIFF file by their lengths: id and body.
    fn read(bytes: &[u8]) -> Vec<(&[u8], &[u8])> {
        let size = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        assert_eq!(size(4), bytes.len() - 8);
        let (mut found, mut at) = (Vec::new(), 12);
        while at < bytes.len() {
            let end = at + 8 + size(at + 4);
            found.push((&bytes[at..at + 4], &bytes[at + 8..end]));
            at = end + end % 2;
        }
        found
    }

    #[test]
    fn marks_follow_the_sound_and_leave_it_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.wav");
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48_000,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        // An odd number of bytes.
        (0..9).for_each(|i| writer.write_sample(1_000 * i).unwrap());
        writer.finalize().unwrap();
        append(&path, &[3, 700_000]).unwrap();
        let bytes = std::fs::read(&path).unwrap();
        let chunks = read(&bytes);
        let body = |id: &[u8]| chunks.iter().find(|(i, _)| *i == id).unwrap().1;
        let cue = body(b"cue ");
        let field = |at: usize| u32::from_le_bytes(cue[at..at + 4].try_into().unwrap());
        assert_eq!(field(0), 2);
        assert_eq!((field(4), field(24)), (1, 3));
        assert_eq!((field(28), field(48)), (2, 700_000));
        let labels = body(b"LIST");
        assert!(labels.starts_with(b"adtllabl"));
        assert!(labels.windows(7).any(|w| w == b"mark 2\0"));
        let samples: Vec<i32> = hound::WavReader::open(&path)
            .unwrap()
            .into_samples()
            .map(Result::unwrap)
            .collect();
        assert_eq!(samples, (0..9).map(|i| 1_000 * i).collect::<Vec<_>>());
    }

    #[test]
    fn what_is_no_take_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("letter.txt");
        std::fs::write(&path, "dear all").unwrap();
        assert!(append(&path, &[1]).is_err());
        assert_eq!(std::fs::read(&path).unwrap(), b"dear all");
    }
}
