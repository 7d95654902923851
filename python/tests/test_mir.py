"""Other libraries get what they expect."""

from __future__ import annotations

import mir_eval
import music21
import numpy as np
import pretty_midi
import pytest
from conftest import RATE

import leadpipe
from leadpipe import mir


@pytest.fixture(scope="module")
def heard(samples):
    return leadpipe.transcribe(samples, RATE, horn="flugelhorn")


@pytest.fixture(scope="module")
def track(samples):
    return leadpipe.track(samples, RATE, horn="flugelhorn")


# What the built-in line plays: onset, end, sounding key.
PLAYED = np.array(
    [
        (0.60, 1.20, 58), (1.25, 1.57, 60), (1.60, 1.90, 62), (1.90, 2.55, 65),
        (2.55, 3.10, 63), (3.40, 3.50, 62), (3.73, 3.83, 60), (4.06, 4.16, 58),
        (4.39, 4.49, 55), (4.90, 5.60, 67), (5.60, 7.30, 65), (7.55, 7.80, 62),
        (7.83, 8.10, 62), (8.10, 8.32, 63), (8.32, 8.54, 65), (8.54, 9.20, 67),
        (9.65, 10.75, 53), (11.10, 12.30, 70),
    ]
)  # fmt: skip


def test_mir_eval_scores_notes(heard):
    intervals, pitches = mir.intervals_and_pitches(heard)
    assert intervals.shape == (18, 2) and pitches.shape == (18,)
    mir_eval.transcription.validate(intervals, pitches, intervals, pitches)
    hz = 440.0 * 2 ** ((PLAYED[:, 2] - 69) / 12)
    precision, recall, f1, _ = mir_eval.transcription.precision_recall_f1_overlap(
        PLAYED[:, :2], hz, intervals, pitches, offset_ratio=None
    )
    assert (precision, recall, f1) == (1.0, 1.0, 1.0)


def test_mir_eval_scores_tracks(track):
    times, hz = mir.times_and_frequencies(track)
    assert not np.isnan(hz).any() and (hz == 0).any()
    played = np.zeros_like(times)
    for onset, end, key in PLAYED:
        played[(times >= onset) & (times < end)] = 440.0 * 2 ** ((key - 69) / 12)
    scores = mir_eval.melody.evaluate(times, played, times, hz)
    # The scoop, the fall and the decays are not in the score.
    assert scores["Raw Pitch Accuracy"] > 0.93
    assert scores["Raw Chroma Accuracy"] - scores["Raw Pitch Accuracy"] < 0.01


def test_pretty_midi(heard):
    midi = mir.to_pretty_midi(heard, tempo=92.0, meter="4/4")
    (instrument,) = midi.instruments
    assert isinstance(midi, pretty_midi.PrettyMIDI)
    assert [note.pitch for note in instrument.notes] == [note.midi for note in heard]
    starts = [note.start for note in instrument.notes]
    np.testing.assert_allclose(starts, [note.onset_s for note in heard], atol=0.002)
    assert len(instrument.pitch_bends) > 100
    assert any(change.number == 2 for change in instrument.control_changes)


def test_music21(heard):
    score = mir.to_music21(heard, tempo=92.0, meter="4/4")
    notes = list(score.flatten().notes)
    starts = [note for note in notes if note.tie is None or note.tie.type == "start"]
    assert [note.pitch.midi for note in starts] == [note.midi + 2 for note in heard]
    assert score.flatten().getElementsByClass(music21.meter.TimeSignature)[0].ratioString == "4/4"
    (part,) = score.parts
    assert part.getInstrument().transposition.semitones == -2


@pytest.mark.parametrize("sr, hop_length", [(22_050, 512), (48_000, 256), (16_000, 160)])
def test_librosa_grid(samples, track, sr, hop_length):
    import librosa

    frames = 1 + int(round(len(samples) * sr / RATE)) // hop_length
    ours = mir.to_librosa(track, sr=sr, hop_length=hop_length)
    assert abs(len(ours.f0) - frames) <= 1
    times = librosa.times_like(ours.f0, sr=sr, hop_length=hop_length)
    for f0, time in zip(ours.f0[1::20], times[1::20]):
        near = np.abs(track.time_s - time) <= track.hop_s / 2 + 1e-9
        candidates = track.frequency_hz[near]
        assert f0 in candidates or (np.isnan(f0) and np.isnan(candidates).any())
    np.testing.assert_array_equal(ours.voiced_flag, ~np.isnan(ours.f0))
    assert (ours.voiced_prob[~ours.voiced_flag] == 0).all()
    exact = mir.to_librosa(track, sr=sr, hop_length=hop_length, frames=7)
    assert len(exact.f0) == 7


def test_librosa_grid_without_centring(track):
    centred = mir.to_librosa(track, sr=48_000, hop_length=480)
    ahead = mir.to_librosa(track, sr=48_000, hop_length=480, center=False, frame_length=960)
    np.testing.assert_array_equal(ahead.f0[:100], centred.f0[1:101])
    with pytest.raises(leadpipe.SettingError, match="above 0"):
        mir.to_librosa(track, hop_length=0)


def test_librosa_grid_of_nothing():
    empty = leadpipe.Track(*(np.empty(0, kind) for kind in ("f8", "f8", "f4", "f4")))
    assert np.isnan(mir.to_librosa(empty, frames=3).f0).all()
