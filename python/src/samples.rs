//! Takes as blocks of one channel: from a file, or from an array, which is read where
//! it lies as far as its layout allows.

use std::path::{Path, PathBuf};

use leadpipe::{Error, Result, Selection, Take, pick_channel};
use numpy::ndarray::{ArrayView2, ArrayViewD, Axis, Ix1, Ix2, s};
use numpy::{PyArrayDyn, PyArrayMethods, PyReadonlyArrayDyn};
use pyo3::prelude::*;

use crate::errors::exception;

/// Frames converted at a time where an array cannot be read in place.
const BLOCK: usize = 4_096;
/// More channels than any recording has: the array's axes are swapped.
const MAX_CHANNELS: usize = 64;

/// A sample of an array.
pub trait Sample: Copy + Send + Sync + 'static {
    fn to_f32(self) -> f32;
    /// The same samples, where nothing has to be converted.
    fn as_f32(samples: &[Self]) -> Option<&[f32]>;
}

impl Sample for f32 {
    fn to_f32(self) -> f32 {
        self
    }
    fn as_f32(samples: &[f32]) -> Option<&[f32]> {
        Some(samples)
    }
}

impl Sample for f64 {
    fn to_f32(self) -> f32 {
        self as f32
    }
    fn as_f32(_: &[f64]) -> Option<&[f32]> {
        None
    }
}

/// An array that Python gave, borrowed for a call.
pub enum Borrowed<'py> {
    F32(PyReadonlyArrayDyn<'py, f32>),
    F64(PyReadonlyArrayDyn<'py, f64>),
}

impl<'py> Borrowed<'py> {
    /// Borrows a NumPy array of float32 or float64 (`leadpipe/_samples.py` has refused
    /// everything else).
    pub fn new(array: &Bound<'py, PyAny>) -> PyResult<Self> {
        if let Ok(array) = array.cast::<PyArrayDyn<f32>>() {
            return Ok(Borrowed::F32(array.readonly()));
        }
        match array.cast::<PyArrayDyn<f64>>() {
            Ok(array) => Ok(Borrowed::F64(array.readonly())),
            Err(_) => Err(exception(
                array.py(),
                "InputError",
                "samples are neither float32 nor float64; convert them",
            )),
        }
    }

    pub fn view(&self) -> View<'_> {
        match self {
            Borrowed::F32(array) => View::F32(array.as_array()),
            Borrowed::F64(array) => View::F64(array.as_array()),
        }
    }
}

/// The same without a tie to the interpreter.
#[derive(Clone)]
pub enum View<'a> {
    F32(ArrayViewD<'a, f32>),
    F64(ArrayViewD<'a, f64>),
}

impl<'a> View<'a> {
    pub fn is_empty(&self) -> bool {
        match self {
            View::F32(view) => view.is_empty(),
            View::F64(view) => view.is_empty(),
        }
    }

    /// The selected samples as blocks. `name` stands for the take in messages.
    pub fn blocks(
        self,
        name: &Path,
        sample_rate_hz: f64,
        selection: &Selection,
    ) -> Result<Box<dyn Blocks + 'a>> {
        Ok(match self {
            View::F32(view) => Box::new(ArrayBlocks::new(view, name, sample_rate_hz, selection)?),
            View::F64(view) => Box::new(ArrayBlocks::new(view, name, sample_rate_hz, selection)?),
        })
    }
}

/// A take, block by block.
pub trait Blocks {
    /// Sample rate in hertz.
    fn sample_rate_hz(&self) -> f64;
    /// Time in the take at which the first block starts, in seconds.
    fn start_s(&self) -> f64;
    /// The next samples of the chosen channel, or `None` at the end.
    fn next(&mut self) -> Result<Option<&[f32]>>;
    /// Faults of the file, known at its end.
    fn warnings(&self) -> Vec<String> {
        Vec::new()
    }
}

/// The blocks of a file.
pub struct FileBlocks {
    take: Take,
    block: Vec<f32>,
}

impl FileBlocks {
    /// Opens a file. A rate that the caller expects must be the file's.
    pub fn open(path: &Path, expected_hz: Option<f64>, selection: &Selection) -> Result<Self> {
        let take = Take::open(path, selection)?;
        if let Some(expected_hz) = expected_hz
            && expected_hz != take.sample_rate_hz()
        {
            return Err(Error::setting(
                format!(
                    "sample_rate {expected_hz} Hz for {}, which has {} Hz",
                    path.display(),
                    take.sample_rate_hz()
                ),
                "leave sample_rate out: the file knows it",
            ));
        }
        Ok(FileBlocks {
            take,
            block: Vec::new(),
        })
    }
}

impl Blocks for FileBlocks {
    fn sample_rate_hz(&self) -> f64 {
        self.take.sample_rate_hz()
    }

    fn start_s(&self) -> f64 {
        self.take.start_s()
    }

    fn next(&mut self) -> Result<Option<&[f32]>> {
        let more = self.take.next_block(&mut self.block)?;
        Ok(more.then_some(&self.block[..]))
    }

    fn warnings(&self) -> Vec<String> {
        self.take.warnings()
    }
}

/// The blocks of an array of frames by channels.
struct ArrayBlocks<'a, T> {
    frames: ArrayView2<'a, T>,
    name: PathBuf,
    sample_rate_hz: f64,
    channel: Option<usize>,
    /// First frame of the selection, the next to be read, and the end.
    first: usize,
    at: usize,
    end: usize,
    interleaved: Vec<f32>,
    block: Vec<f32>,
}

impl<'a, T: Sample> ArrayBlocks<'a, T> {
    fn new(
        view: ArrayViewD<'a, T>,
        name: &Path,
        sample_rate_hz: f64,
        selection: &Selection,
    ) -> Result<Self> {
        let frames = by_channel(view, name)?;
        let (length, channels) = frames.dim();
        if let Some(channel) = selection.channel
            && channel > channels
        {
            let hint = match channels {
                1 => "they have only one: leave channel out".to_owned(),
                _ => format!("choose channel 1 to {channels}"),
            };
            return Err(Error::input(name, format!("no channel {channel}"), hint));
        }
        let frame = |s: f64| ((s * sample_rate_hz).round() as usize).min(length);
        let first = selection.start_s.map_or(0, frame);
        let end = selection.end_s.map_or(length, frame);
        if first >= end {
            return Err(Error::setting(
                format!(
                    "nothing between start and end: the take is {:.2} s long",
                    length as f64 / sample_rate_hz
                ),
                "give an earlier start_s or a later end_s",
            ));
        }
        Ok(ArrayBlocks {
            frames,
            name: name.to_owned(),
            sample_rate_hz,
            channel: selection.channel,
            first,
            at: first,
            end,
            interleaved: Vec::new(),
            block: Vec::new(),
        })
    }

    fn check(&self, block: &[f32], from: usize) -> Result<()> {
        let Some(bad) = block.iter().position(|s| !s.is_finite()) else {
            return Ok(());
        };
        let at = from + bad;
        Err(Error::input(
            &self.name,
            format!(
                "sample {at} ({:.3} s) is not a number",
                at as f64 / self.sample_rate_hz
            ),
            "replace NaN and infinity before you pass the array",
        ))
    }
}

/// An array as frames by channels.
fn by_channel<'a, T>(view: ArrayViewD<'a, T>, name: &Path) -> Result<ArrayView2<'a, T>> {
    let shape = view.shape().to_vec();
    let frames = match shape.len() {
        1 => view
            .into_dimensionality::<Ix1>()
            .map(|v| v.insert_axis(Axis(1)))
            .ok(),
        2 => view.into_dimensionality::<Ix2>().ok(),
        _ => None,
    };
    let refused = |hint: &str| {
        let sizes: Vec<String> = shape.iter().map(usize::to_string).collect();
        let problem = format!("an array of shape ({})", sizes.join(", "));
        Error::input(name, problem, hint)
    };
    let frames =
        frames.ok_or_else(|| refused("give samples of shape (frames,) or (frames, channels)"))?;
    match frames.dim() {
        (0, _) | (_, 0) => Err(refused("it holds no sound; give some samples")),
        (_, 1..=MAX_CHANNELS) => Ok(frames),
        _ => Err(refused(
            "it looks like channels by frames; give (frames, channels), such as samples.T",
        )),
    }
}

impl<T: Sample> Blocks for ArrayBlocks<'_, T> {
    fn sample_rate_hz(&self) -> f64 {
        self.sample_rate_hz
    }

    fn start_s(&self) -> f64 {
        self.first as f64 / self.sample_rate_hz
    }

    fn next(&mut self) -> Result<Option<&[f32]>> {
        let from = self.at;
        if from == self.end {
            return Ok(None);
        }
        let to = (from + BLOCK).min(self.end);
        self.at = to;
        let rows = self.frames.slice_move(s![from..to, ..]);
        let channels = rows.dim().1;
        let in_place = rows.to_slice().and_then(T::as_f32);
        let interleaved = match in_place {
            Some(samples) => samples,
            None => {
                self.interleaved.clear();
                self.interleaved.extend(rows.iter().map(|s| s.to_f32()));
                &self.interleaved
            }
        };
        let block = if channels == 1 {
            interleaved
        } else {
            self.block.clear();
            pick_channel(interleaved, channels, self.channel, &mut self.block);
            &self.block
        };
        self.check(block, from)?;
        Ok(Some(block))
    }
}
