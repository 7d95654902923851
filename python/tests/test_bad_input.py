"""Every bad input has a clear exception; none ends the process."""

from __future__ import annotations

import copy
import os
import pickle
import signal
import subprocess
import sys
import threading

import numpy as np
import pytest
from conftest import RATE, assert_same

import leadpipe

TONE = (0.1 * np.sin(2 * np.pi * 233.08 * np.arange(RATE) / RATE)).astype("float32")


def with_sample(value: float) -> np.ndarray:
    samples = TONE.copy()
    samples[24_000] = value
    return samples


@pytest.mark.parametrize(
    "samples, words",
    [
        (TONE[:0], "holds no sound"),
        (TONE.reshape(-1, 1)[:, :0], "holds no sound"),
        (np.float32(0.5), "shape ()"),
        (TONE.reshape(10, 10, -1), "shape (10, 10, 480)"),
        (np.stack([TONE, TONE]), "samples.T"),
        ((TONE * 32_767).astype("int16"), "32768"),
        (TONE > 0, "bool samples"),
        (TONE.astype("float16"), "float16 samples"),
        (TONE.astype("complex64"), "complex64 samples"),
        (TONE.astype("longdouble"), "samples; give float32 or float64"),
        (np.array(["a", "b"]), "samples; give float32"),
        (np.array([None, 1.0]), "object samples"),
        (with_sample(np.nan), "sample 24000 (0.500 s) is not a number"),
        (with_sample(-np.inf), "sample 24000 (0.500 s) is not a number"),
        (with_sample(np.nan).astype("float64"), "sample 24000 (0.500 s) is not a number"),
    ],
)
@pytest.mark.parametrize("call", [leadpipe.transcribe, leadpipe.track])
def test_samples(call, samples, words):
    with pytest.raises(leadpipe.InputError) as refused:
        call(samples, RATE)
    assert words in str(refused.value)
    assert "; " in str(refused.value), "a hint is missing"


def test_float64_beyond_float32_is_not_a_number():
    with pytest.raises(leadpipe.InputError, match="not a number"):
        leadpipe.transcribe(with_sample(0.0).astype("float64") * 1e300, RATE)


@pytest.mark.parametrize("path", ["", "-", "no\0path", "x" * 5_000, b"bytes.wav", None, {}, 3])
def test_what_is_no_take(path):
    for call in (leadpipe.transcribe, leadpipe.track):
        with pytest.raises(leadpipe.InputError):
            call(path, RATE)


def test_read_only_samples_are_read():
    samples = TONE.copy()
    samples.flags.writeable = False
    assert len(leadpipe.transcribe(samples, RATE)) == 1


def test_silence():
    with pytest.raises(leadpipe.SilentError, match="silent"):
        leadpipe.transcribe(np.zeros(RATE, "float32"), RATE)


@pytest.mark.parametrize("rate", [0, -48_000, 4_000, 400_000, float("nan"), float("inf")])
def test_rates(rate):
    for call in (leadpipe.transcribe, leadpipe.track):
        with pytest.raises(leadpipe.SettingError, match="between 8 and 192 kHz"):
            call(TONE, rate)
    with pytest.raises(leadpipe.SettingError, match="between 8 and 192 kHz"):
        leadpipe.Tracker(rate)


def test_no_rate_and_another_rate(demo):
    with pytest.raises(leadpipe.SettingError, match="sample_rate=48000"):
        leadpipe.transcribe(TONE)
    with pytest.raises(leadpipe.SettingError, match="which has 48000 Hz"):
        leadpipe.transcribe(demo, 44_100)
    assert len(leadpipe.transcribe(demo, 48_000)) == 18


@pytest.mark.parametrize(
    "settings, words",
    [
        ({"horn": "flugelhron"}, 'did you mean "flugelhorn"'),
        ({"horn": "mine.toml"}, "no such file"),
        ({"tuning": "equal-13"}, "no tuning"),
        ({"tonic": "H"}, "not a note name"),
        ({"reference_hz": 220.0}, "between 380 and 500"),
        ({"channel": 0}, "count from 1"),
        ({"channel": -1}, "count from 1"),
        ({"channel": 2}, "leave channel out"),
        ({"start_s": -1.0}, "give seconds"),
        ({"start_s": float("nan")}, "give seconds"),
        ({"end_s": float("inf")}, "give seconds"),
        ({"start_s": 0.5, "end_s": 0.5}, "later end_s"),
        ({"start_s": 5.0}, "1.00 s long"),
        ({"gate_db": 3.0}, "between -200 and 0"),
        ({"snap": "soft"}, '"hard", "bend" or "off"'),
        ({"zero_volt_note": 400.0}, "0 to 127"),
    ],
)
def test_settings(settings, words):
    with pytest.raises(leadpipe.LeadpipeError) as refused:
        leadpipe.transcribe(TONE, RATE, **settings)
    assert words in str(refused.value)
    assert isinstance(refused.value, ValueError)


@pytest.mark.parametrize(
    "part, words",
    [
        ({"tempo": 5.0}, "20 to 400"),
        ({"tempo": float("nan")}, "20 to 400"),
        ({"meter": "4/5"}, "time signature"),
        ({"pickup": 0.3}, "quarter notes"),
        ({"downbeat_s": float("inf")}, "seconds"),
        ({"smallest_note": 5}, "4, 8, 16 or 32"),
        ({"swing": 0.9}, "0.5 to 0.8"),
        ({"fifths": 9}, "-7 to 7"),
    ],
)
def test_parts(part, words):
    heard = leadpipe.transcribe(TONE, RATE)
    for write in (heard.to_midi, heard.to_musicxml):
        with pytest.raises(leadpipe.SettingError) as refused:
            write(**part)
        assert words in str(refused.value)


def test_writers(tmp_path):
    heard = leadpipe.transcribe(TONE, RATE)
    with pytest.raises(leadpipe.SettingError, match="0 to 1200"):
        heard.to_musicxml(cents_over=-1.0)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(leadpipe.OutputError):
        heard.write_midi(tmp_path / "file" / "notes.mid")
    with pytest.raises(leadpipe.SettingError, match="between 0.1 and 100"):
        heard.write_cv(tmp_path / "cv.wav", full_scale_v=0.0)
    with pytest.raises(leadpipe.SettingError, match="-20 to 50"):
        heard.intonation(temperature_c=200.0)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_lists_without_contours():
    heard = leadpipe.transcribe(TONE, RATE, contours=False)
    assert len(heard) == 1
    assert_same(heard.to_numpy(), leadpipe.transcribe(TONE, RATE).to_numpy())
    for call in (heard.to_midi, heard.to_musicxml, heard.intonation, lambda: heard.contour(0)):
        with pytest.raises(leadpipe.SettingError, match="contours=True"):
            call()
    with pytest.raises(IndexError):
        heard.contour(1)


def test_comparisons(demo, tmp_path):
    heard = leadpipe.transcribe(TONE, RATE)
    for target, options, words in [
        ("nowhere.mid", {}, "no such file"),
        (demo, {}, "not a score"),
        (heard, {"part": 1}, "only scores have parts"),
        (heard, {"shift": 100}, "-48 to 48"),
    ]:
        with pytest.raises(leadpipe.LeadpipeError, match=words):
            heard.compare(target, **options)


def test_recording_faults_are_warnings():
    with pytest.warns(leadpipe.RecordingWarning, match="clipped"):
        heard = leadpipe.transcribe(np.clip(20 * TONE, -1, 1), RATE)
    assert "clipped" in heard.warnings[0]
    noise = 0.01 * np.random.default_rng(1).standard_normal(RATE)
    with pytest.warns(leadpipe.RecordingWarning, match="no notes found"):
        assert len(leadpipe.transcribe(noise, RATE)) == 0


def test_a_take_without_notes_can_be_written(tmp_path):
    noise = 0.01 * np.random.default_rng(1).standard_normal(RATE)
    with pytest.warns(leadpipe.RecordingWarning):
        heard = leadpipe.transcribe(noise, RATE)
    assert heard.to_numpy().shape == (0,)
    assert heard.notes == ()
    assert heard.to_csv().startswith("onset_s")
    heard.write_midi(tmp_path / "none.mid")
    heard.write_musicxml(tmp_path / "none.musicxml")
    heard.write_cv(tmp_path / "none.cv.wav")
    assert heard.intonation().pitches == []


def test_closed_trackers():
    tracker = leadpipe.Tracker(RATE)
    tracker.push(TONE)
    tracker.finish()
    assert tracker.closed
    for call in (lambda: tracker.push(TONE), tracker.finish):
        with pytest.raises(leadpipe.ClosedError, match="closed"):
            call()
    tracker.close()
    with leadpipe.Tracker(RATE) as tracker:
        pass
    with pytest.raises(leadpipe.ClosedError):
        tracker.push(TONE)


def test_a_bad_block_leaves_the_stream_as_it_was():
    tracker, other = leadpipe.Tracker(RATE), leadpipe.Tracker(RATE)
    for at in range(0, RATE, 4_800):
        block = TONE[at : at + 4_800]
        for bad in (with_sample(np.nan), TONE.astype("int16"), TONE.reshape(2, 2, -1)):
            with pytest.raises(leadpipe.InputError):
                tracker.push(bad)
        ours, theirs = tracker.push(block), other.push(block)
        assert_same(ours.frames.to_numpy(), theirs.frames.to_numpy())
        assert ours.events == theirs.events


@pytest.mark.parametrize("take", [pickle.dumps, copy.copy, copy.deepcopy])
def test_what_cannot_be_pickled_says_so(take):
    with pytest.raises(TypeError, match="make one in each process"):
        take(leadpipe.Tracker(RATE))
    with pytest.raises(TypeError, match="to_numpy"):
        take(leadpipe.transcribe(TONE, RATE))


def test_notes_can_be_pickled():
    notes = leadpipe.transcribe(TONE, RATE).notes
    assert pickle.loads(pickle.dumps(notes)) == notes


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
def test_forks(tmp_path):
    """A tracker stays with its process; calls work in a fork as everywhere."""
    script = f"""
import os, sys, threading
import numpy as np, leadpipe
tone = (0.1 * np.sin(2 * np.pi * 233.08 * np.arange({RATE}) / {RATE})).astype("float32")
tracker = leadpipe.Tracker({RATE})
tracker.push(tone)
expected = leadpipe.transcribe(tone, {RATE}).to_csv()
busy = threading.Thread(target=lambda: [leadpipe.transcribe(tone, {RATE}) for _ in range(20)])
busy.start()
child = os.fork()
if child == 0:
    try:
        for call in (lambda: tracker.push(tone), tracker.finish):
            try:
                call()
            except leadpipe.ForkError as error:
                assert "make a tracker in each process" in str(error)
            else:
                os._exit(2)
        same = leadpipe.transcribe(tone, {RATE}).to_csv() == expected
        fresh = leadpipe.Tracker({RATE})
        fresh.push(tone)
        os._exit(0 if same else 3)
    except BaseException as error:
        print(error, file=sys.stderr)
        os._exit(4)
status = os.waitpid(child, 0)[1]
busy.join()
tracker.push(tone)
sys.exit(os.waitstatus_to_exitcode(status))
"""
    # Elsewhere, or the sources beside these tests would be imported.
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script],
        cwd=tmp_path, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_a_panic_is_an_exception():
    with pytest.raises(leadpipe.InternalError, match="asked for"):
        leadpipe._native.panics()
    assert issubclass(leadpipe.InternalError, Exception)


def test_the_interpreter_is_free_meanwhile():
    """Another thread interrupts a call, which it only can if it runs during the call."""
    take = np.tile(leadpipe.demo_line(RATE), 120)
    called = threading.Event()

    def interrupt() -> None:
        called.wait()
        os.kill(os.getpid(), signal.SIGINT)

    # What a program in the background ignores.
    handler = signal.signal(signal.SIGINT, signal.default_int_handler)
    thread = threading.Thread(target=interrupt)
    thread.start()
    heard = None
    try:
        called.set()
        heard = leadpipe.transcribe(take, RATE)
    except KeyboardInterrupt:
        pass
    finally:
        thread.join()
        signal.signal(signal.SIGINT, handler)
    assert heard is None


def test_texts_are_those_of_one_line():
    for call in (
        lambda: leadpipe.transcribe(TONE[:0], RATE),
        lambda: leadpipe.Horn("sousa"),
        lambda: leadpipe.Tuning("none"),
    ):
        with pytest.raises(leadpipe.LeadpipeError) as refused:
            call()
        assert "\n" not in str(refused.value)
