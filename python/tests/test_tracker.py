"""The tracker decides what the program's causal pass decides, whatever the blocks."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from conftest import RATE, assert_same

import leadpipe
from leadpipe import NoteEnded, NoteStarted


def follow(samples, size, **settings):
    tracker = leadpipe.Tracker(RATE, **settings)
    frames, events = [], []
    for at in range(0, len(samples), size):
        update = tracker.push(samples[at : at + size])
        frames.append(update.frames.to_numpy())
        events += update.events
    last = tracker.finish()
    return np.concatenate([*frames, last.frames.to_numpy()]), [*events, *last.events]


@pytest.mark.parametrize("size", [1, 64, 1_023, 48_000, 10**9])
def test_blocks_do_not_matter(samples, size):
    take = samples[: 3 * RATE] if size == 1 else samples
    frames, events = follow(take, size, horn="flugelhorn")
    expected_frames, expected = follow(take, 4_800, horn="flugelhorn")
    assert_same(frames, expected_frames)
    assert events == expected
    assert len(events) >= 6


def test_it_is_the_causal_pass(samples):
    frames, events = follow(samples, 256, horn="flugelhorn", tuning="just", tonic="Bb")
    options = {"horn": "flugelhorn", "causal": True}
    track = leadpipe.track(samples, RATE, **options)
    whole = track.to_numpy()
    # Of a whole take the times are multiples of the hop, of a stream they are counted.
    np.testing.assert_allclose(frames["time_s"], whole["time_s"], rtol=1e-12)
    for name in ("frequency_hz", "confidence", "level_db"):
        np.testing.assert_array_equal(frames[name], whole[name])
    heard = leadpipe.transcribe(samples, RATE, tuning="just", tonic="Bb", **options)
    ended = [event.note for event in events if isinstance(event, NoteEnded)]
    started = [event for event in events if isinstance(event, NoteStarted)]
    assert len(ended) == len(started) == len(heard) == 18
    for note, start, whole in zip(ended, started, heard):
        for name in ("onset_s", "offset_s", "decided_s", "frequency_hz", "cents", "written"):
            assert getattr(note, name) == getattr(whole, name)
        assert (start.onset_s, start.decided_s) == (whole.onset_s, whole.decided_s)
        # Breath is told from tongue by how the note rises, which comes later.
        assert start.attack == whole.attack or whole.attack == "breath"


def test_starts_come_when_they_are_decided(samples):
    tracker = leadpipe.Tracker(RATE, horn="flugelhorn")
    for at in range(0, len(samples), 480):
        now_s = min(at + 480, len(samples)) / RATE
        for event in tracker.push(samples[at : at + 480]).events:
            if isinstance(event, NoteStarted):
                assert now_s - 0.02 < event.decided_s <= now_s + 0.002


def test_channels_and_empty_blocks(samples):
    stereo = np.stack([np.zeros_like(samples), samples], axis=1)
    tracker = leadpipe.Tracker(RATE, channel=2)
    assert len(tracker.push(stereo[:0]).frames) == 0
    events = tracker.push(stereo).events + tracker.finish().events
    assert events == tuple(follow(samples, 4_800)[1])


def test_threads_take_turns(samples):
    tracker = leadpipe.Tracker(RATE)
    counts = []

    def push() -> None:
        for at in range(0, len(samples), 4_800):
            counts.append(len(tracker.push(samples[at : at + 4_800]).frames))

    threads = [threading.Thread(target=push) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    frames = 3 * len(samples) / RATE / (15 / 11_025)
    assert abs(sum(counts) - frames) < 20
