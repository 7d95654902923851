"""Notes and tracks as the field's other libraries expect them. None of those is needed
to import this module; each function says which one it needs."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from .errors import SettingError
from .notes import PartOptions, Transcription
from .tracks import Track

if TYPE_CHECKING:
    import music21.stream
    import pretty_midi
    from typing_extensions import Unpack

__all__ = [
    "Pyin",
    "intervals_and_pitches",
    "times_and_frequencies",
    "to_librosa",
    "to_music21",
    "to_pretty_midi",
]


def intervals_and_pitches(
    transcription: Transcription,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Notes for ``mir_eval.transcription``.

    Returns:
        Intervals of shape ``(notes, 2)``: onset and offset in seconds. Pitches of shape
        ``(notes,)`` in hertz.

    Example:
        ``mir_eval.transcription.precision_recall_f1_overlap(*reference,
        *intervals_and_pitches(notes))``
    """
    rows = transcription.to_numpy()
    intervals = np.column_stack([rows["onset_s"], rows["offset_s"]])
    return intervals, rows["frequency_hz"].copy()


def times_and_frequencies(
    track: Track,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """A track for ``mir_eval.melody``.

    Returns:
        Times in seconds and frequencies in hertz, both of shape ``(frames,)``;
        frequency is 0 where there is no tone.
    """
    return track.time_s.copy(), np.nan_to_num(track.frequency_hz, nan=0.0)


class Pyin(NamedTuple):
    """What ``librosa.pyin`` returns, of shape ``(frames,)`` each."""

    f0: npt.NDArray[np.float64]
    """Hertz; NaN where there is no tone."""
    voiced_flag: npt.NDArray[np.bool_]
    voiced_prob: npt.NDArray[np.float64]
    """Our confidence: the share of the sound that the pitch explains, 0 where there is
    no tone. It ranks frames as a probability does, but is none."""


def to_librosa(
    track: Track,
    *,
    sr: float = 22_050,
    hop_length: int = 512,
    frames: int | None = None,
    center: bool = True,
    frame_length: int = 2_048,
) -> Pyin:
    """A track on librosa's grid, to be compared with ``librosa.pyin``.

    Args:
        track: from the start of the take.
        sr: the sample rate that librosa works at, in hertz.
        hop_length: samples between frames, as given to librosa.
        frames: number of frames; by default as many as librosa makes of a take of the
            track's length, ``1 + length * sr // hop_length`` if centred.
        center: as given to librosa: frame ``i`` is centred at sample ``i * hop_length``;
            otherwise it begins there, and its pitch belongs to its middle.
        frame_length: samples in a frame, as given to librosa; matters without ``center``.
    """
    if sr <= 0 or hop_length <= 0 or frame_length <= 0:
        raise SettingError(
            f"sr {sr}, hop_length {hop_length}, frame_length {frame_length}; "
            "give numbers above 0"
        )
    if frames is None:
        length_s = track.time_s[-1] if len(track) else 0.0
        length = int(round(length_s * sr)) - (0 if center else frame_length)
        frames = 1 + max(length, 0) // hop_length
    times_s = np.arange(frames) * hop_length / sr
    if not center:
        times_s += 0.5 * frame_length / sr
    f0, confidence = np.full(frames, np.nan), np.zeros(frames)
    if len(track):
        # The first frames may lie before ours, by half a hop of ours.
        index = track.at(np.clip(times_s, track.time_s[0], track.time_s[-1]))
        f0, confidence = track.frequency_hz[index], track.confidence[index].astype(np.float64)
    voiced = ~np.isnan(f0)
    return Pyin(f0, voiced, np.where(voiced, confidence, 0.0))


def to_pretty_midi(transcription: Transcription, **part: Unpack[PartOptions]) -> pretty_midi.PrettyMIDI:
    """The notes with pitch bend and breath control as a ``pretty_midi`` object: our MIDI
    file, read by that library. Needs pretty_midi.

    Args:
        transcription: with contours.
        part: what is known of tempo and bars, :class:`~leadpipe.PartOptions`.
    """
    import pretty_midi

    return pretty_midi.PrettyMIDI(io.BytesIO(transcription.to_midi(**part)))


def to_music21(transcription: Transcription, **part: Unpack[PartOptions]) -> music21.stream.Score:
    """The written part as a ``music21`` score: our MusicXML, read by that library. Needs
    music21.

    Args:
        transcription: with contours.
        part: what is known of tempo and bars, :class:`~leadpipe.PartOptions`.
    """
    import music21

    score = music21.converter.parseData(transcription.to_musicxml(**part), format="musicxml")
    assert isinstance(score, music21.stream.Score)
    return score
