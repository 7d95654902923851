"""Arrays in and out: dtypes, frames, contours, memory."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas
import pytest
from conftest import RATE, assert_same

import leadpipe


@pytest.fixture(scope="module")
def heard(samples):
    return leadpipe.transcribe(samples, RATE, horn="flugelhorn")


def test_objects_rows_and_frames_agree(heard):
    rows, frame = heard.to_numpy(), heard.to_frame()
    assert rows.dtype == leadpipe.NOTE_DTYPE
    assert list(frame.columns) == list(leadpipe.NOTE_DTYPE.names)
    assert isinstance(frame, pandas.DataFrame)
    for note, row, (_, line) in zip(heard, rows, frame.iterrows(), strict=True):
        for name in ("onset_s", "midi", "frequency_hz", "written", "attack", "technique"):
            assert getattr(note, name) == row[name] == line[name]
    assert heard[-1] == heard.notes[17]
    assert [note.written for note in heard[:3]] == ["C4", "D4", "E4"]


def test_techniques_have_their_measurements(heard):
    by_name = {t.name: (note, t) for note in heard for t in note.techniques}
    note, vibrato = by_name["vibrato"]
    # The demo's: 5.2 a second.
    assert abs(vibrato.rate_hz - 5.2) < 0.2 and 10 < vibrato.extent < 30
    row = heard.to_numpy()[heard.notes.index(note)]
    assert (row["vibrato_hz"], row["vibrato_cents"]) == (vibrato.rate_hz, vibrato.extent)
    assert np.isnan(row["scoop_cents"])
    assert by_name["fall"][1].rate_hz is None and by_name["fall"][1].extent < -300


def test_texts_fit_their_columns():
    for attack in ("tongued", "slurred", "breath"):
        assert np.array(attack).dtype <= leadpipe.NOTE_DTYPE["attack"]
    for length in ("staccatissimo", "staccato", "normal", "tenuto"):
        assert np.array(length).dtype <= leadpipe.NOTE_DTYPE["length"]
    all_at_once = "vibrato flutter trill glissando scoop fall doit"
    assert np.array(all_at_once).dtype <= leadpipe.NOTE_DTYPE["technique"]
    longest = max((leadpipe.note_name(key) for key in range(-60, 190)), key=len)
    assert np.array(longest).dtype <= leadpipe.NOTE_DTYPE["written"]


def test_contours(heard, samples):
    track = leadpipe.track(samples, RATE, horn="flugelhorn")
    contour = heard.contour(10)
    note = heard[10]
    assert abs(contour.time_s[0] - note.onset_s) < 0.002
    assert abs(contour.time_s[-1] - note.offset_s) < 0.003
    voiced = contour.frequency_hz[contour.voiced]
    assert abs(1200 * np.log2(np.median(voiced) / note.frequency_hz)) < 5
    index = track.at(contour.time_s)
    np.testing.assert_array_equal(track.level_db[index], contour.level_db)
    assert heard.contour(-1).time_s[0] == heard.contour(17).time_s[0]


def test_tracks(samples):
    track = leadpipe.track(samples, RATE)
    assert len(track) == len(track.to_frame()) == len(track.frequency_hz)
    assert track.to_numpy().dtype == leadpipe.FRAME_DTYPE
    assert list(track.at([-1.0, 0.0, 1.0, 99.0])) == [-1, 0, track.at([1.0])[0], -1]
    assert abs(track.time_s[track.at([1.0])[0]] - 1.0) <= track.hop_s / 2 + 1e-9


def test_horns_and_tunings():
    horns = leadpipe.horns()
    assert len(horns) == 35 and leadpipe.Horn("flugelhorn") in horns
    flugelhorn = leadpipe.Horn("flugelhorn")
    assert (flugelhorn.sounds, flugelhorn.clef, flugelhorn.valves) == (-2, "treble", 3)
    assert leadpipe.note_name(flugelhorn.written(58)) == "C4"
    assert flugelhorn.concert(flugelhorn.written(61)) == 61
    assert leadpipe.Horn("trumpet").fingerings(58)[0] == "open"
    assert "just" in leadpipe.tunings() and len(leadpipe.tunings()) == 17
    just = leadpipe.Tuning("just", tonic="A", reference_hz=442.0)
    assert just.cents(442.0 * 5 / 4) == pytest.approx(0.0, abs=1e-9)
    assert just.cents(442.0 * 2 ** (4 / 12)) == pytest.approx(13.686, abs=0.001)
    assert np.isnan(just.cents(0.0))
    assert 442.0 in np.round(just.frequencies_hz, 9)


def test_horns_and_tunings_as_objects(samples):
    just = leadpipe.Tuning("just", tonic="Bb", reference_hz=441.0)
    objects = leadpipe.transcribe(samples, RATE, horn=leadpipe.Horn("trumpet"), tuning=just)
    names = leadpipe.transcribe(
        samples, RATE, horn="trumpet", tuning="just", tonic="Bb", reference_hz=441.0
    )
    assert_same(objects.to_numpy(), names.to_numpy())
    assert (objects.horn, objects.tuning, objects.reference_hz) == ("trumpet", "just", 441.0)


def test_takes_side_by_side(samples):
    """Threads give what one call after the other gives."""
    pieces = [samples[at * 4_800 :] for at in range(8)]
    hear = lambda piece: leadpipe.transcribe(piece, RATE).to_csv()  # noqa: E731
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(hear, pieces)) == [hear(piece) for piece in pieces]


def test_samples_are_not_copied(tmp_path):
    """Memory grows by less than the array while it is transcribed."""
    script = f"""
import resource, numpy as np, leadpipe
take = np.tile(leadpipe.demo_line({RATE}), 45)
stereo = np.stack([take, take], axis=1)
leadpipe.transcribe(take[: 20 * {RATE}], {RATE}, contours=False)
for samples in (take, stereo, stereo[:, 1]):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    leadpipe.transcribe(samples, {RATE}, contours=False)
    print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, take.nbytes // 1024)
"""
    # Elsewhere, or the sources beside these tests would be imported.
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    for line in done.stdout.splitlines():
        grown_kb, array_kb = map(int, line.split())
        assert grown_kb < array_kb / 2, done.stdout
