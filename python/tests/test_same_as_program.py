"""The package gives what the program gives, to the last digit and byte."""

from __future__ import annotations

import json

import numpy as np
import pretty_midi
import pytest
import soundfile
from conftest import FIXTURES, RATE, assert_same

import leadpipe

SETTINGS = [
    ({}, []),
    ({"horn": "flugelhorn"}, ["--horn", "flugelhorn"]),
    ({"horn": "flugelhorn", "causal": True}, ["--horn", "flugelhorn", "--causal"]),
    (
        {"tuning": "just", "tonic": "Bb", "reference_hz": 442.0, "snap": "bend"},
        ["--tuning", "just", "--tonic", "Bb", "--reference", "442", "--snap", "bend"],
    ),
    (
        {"start_s": 3.2, "end_s": 8.1, "gate_db": -60.0, "zero_volt_note": 48.0},
        ["--start", "3.2", "--end", "8.1", "--gate", "-60", "--zero-volt-note", "C3"],
    ),
]


def csv_row(note: leadpipe.Note) -> list[str]:
    """A row of the program's list, rounded here from the full values."""
    return [
        f"{note.onset_s:.4f}",
        f"{note.offset_s:.4f}",
        f"{note.decided_s:.4f}",
        str(note.midi),
        f"{note.frequency_hz:.3f}",
        note.concert,
        note.written,
        note.attack,
        note.length,
        note.technique,
        f"{note.level_db:.1f}",
        f"{note.confidence:.3f}",
        str(note.accent).lower(),
        f"{note.dip_db:.1f}",
        f"{note.rise_s:.3f}",
        f"{note.sounding:.3f}",
        "" if note.brightness is None else f"{note.brightness:.2f}",
    ]


COLUMNS = (
    "onset_s offset_s decided_s midi frequency_hz concert written attack length technique "
    "level_db confidence accent dip_db rise_s sounding brightness"
).split()


@pytest.mark.parametrize("settings, options", SETTINGS)
def test_notes(program, demo, settings, options):
    printed = program("transcribe", demo, "--format", "csv", *options)
    heard = leadpipe.transcribe(demo, **settings)
    assert len(heard) > 5
    assert heard.to_csv() == printed
    assert heard.to_json() == program("transcribe", demo, "--format", "json", *options)
    head, *rows = (line.split(",") for line in printed.splitlines())
    for note, row in zip(heard, rows, strict=True):
        values = dict(zip(head, row))
        assert csv_row(note) == [values[name] for name in COLUMNS]
        assert abs(note.cents - float(values["cents"])) <= 0.05 + 1e-9
        assert abs(note.volts - float(values["volts"])) <= 0.00005 + 1e-9


@pytest.mark.parametrize("name", ["Ab3", "B3", "C3", "Db3"])
def test_notes_of_recordings(program, name):
    take = FIXTURES / f"tenor-trombone-{name}.wav"
    heard = leadpipe.transcribe(take, horn="trombone")
    assert len(heard) == 1
    assert heard.to_csv() == program("transcribe", take, "--horn", "trombone", "--format", "csv")


@pytest.mark.parametrize("causal", [False, True])
def test_track(program, demo, causal):
    printed = program("track", demo, "--horn", "flugelhorn", *["--causal"] * causal)
    track = leadpipe.track(demo, horn="flugelhorn", causal=causal)
    rows = ["time_s,frequency_hz,confidence,level_db"]
    for frame in track.to_numpy():
        hz = "" if np.isnan(frame["frequency_hz"]) else f"{frame['frequency_hz']:.3f}"
        rows.append(
            f"{frame['time_s']:.5f},{hz},{frame['confidence']:.3f},{frame['level_db']:.1f}"
        )
    assert "\n".join(rows) + "\n" == printed
    assert 0.5 < track.voiced.mean() < 1.0


def test_files(program, demo, tmp_path):
    program(
        "transcribe", demo, "--horn", "flugelhorn", "--out", tmp_path / "theirs", "--tempo", "92",
        "--meter", "4/4", "--cents-over", "3", "--volts-full-scale", "5",
        "--write", "csv,json,midi,cv,musicxml,svg",
    )  # fmt: skip
    heard = leadpipe.transcribe(demo, horn="flugelhorn")
    ours = tmp_path / "ours"
    part = {"tempo": 92.0, "meter": "4/4"}
    heard.write_csv(ours / "lamplight.csv")
    heard.write_json(ours / "lamplight.json")
    heard.write_midi(ours / "lamplight.mid", **part)
    heard.write_cv(ours / "lamplight.cv.wav", full_scale_v=5.0)
    heard.write_musicxml(ours / "lamplight.musicxml", **part, cents_over=3.0)
    heard.write_svg(ours / "lamplight.svg")
    theirs = sorted(path.name for path in (tmp_path / "theirs").iterdir())
    assert theirs == sorted(path.name for path in ours.iterdir())
    for name in theirs:
        assert (ours / name).read_bytes() == (tmp_path / "theirs" / name).read_bytes(), name
    assert heard.to_midi(**part) == (ours / "lamplight.mid").read_bytes()


def test_files_with_what_is_usual(program, demo, tmp_path):
    program("transcribe", demo, "--out", tmp_path, "--write", "midi,cv,musicxml")
    heard = leadpipe.transcribe(demo)
    heard.write_cv(tmp_path / "ours.cv.wav")
    assert (tmp_path / "ours.cv.wav").read_bytes() == (tmp_path / "lamplight.cv.wav").read_bytes()
    assert heard.to_midi() == (tmp_path / "lamplight.mid").read_bytes()
    assert heard.to_musicxml() == (tmp_path / "lamplight.musicxml").read_text()


def test_what_is_not_ours_is_not_replaced(demo, tmp_path):
    (tmp_path / "notes.mid").write_text("somebody else's")
    heard = leadpipe.transcribe(demo)
    with pytest.raises(leadpipe.OutputError, match="did not write"):
        heard.write_midi(tmp_path / "notes.mid")
    assert (tmp_path / "notes.mid").read_text() == "somebody else's"
    heard.write_midi(tmp_path / "ours.mid")
    heard.write_midi(tmp_path / "ours.mid", tempo=60.0)
    assert (tmp_path / "ours.mid").read_bytes() == heard.to_midi(tempo=60.0)


def test_faults_of_a_file_are_warnings(program, demo, tmp_path):
    unclosed = bytearray(demo.read_bytes())
    data = unclosed.index(b"data")
    unclosed[4:8] = unclosed[data + 4 : data + 8] = b"\0\0\0\0"
    path = tmp_path / "unclosed.wav"
    path.write_bytes(unclosed)
    with pytest.warns(leadpipe.RecordingWarning, match="recorder that lost power"):
        heard = leadpipe.transcribe(path)
    assert len(heard) == 18
    assert heard.to_csv() == program("transcribe", path, "--format", "csv")


def test_intonation(program, demo):
    printed = json.loads(
        program(
            "intonation", demo, "--horn", "flugelhorn", "--temperature", "16", "--format", "json"
        )
    )
    report = leadpipe.transcribe(demo, horn="flugelhorn").intonation(temperature_c=16.0)
    assert report.to_dict() == printed
    assert len(report.notes) == 18


def test_compare(program, demo, tmp_path):
    heard = leadpipe.transcribe(demo, horn="flugelhorn")
    score = tmp_path / "part.mid"
    heard.write_midi(score)
    printed = program(
        "compare", demo, score, "--horn", "flugelhorn", "--shift", "1", "--format", "json"
    )
    shifted = heard.compare(score, shift=1)
    assert shifted.to_dict() == json.loads(printed)
    assert shifted.better_shift == -1
    chord = pretty_midi.PrettyMIDI()
    chord.instruments.append(pretty_midi.Instrument(0))
    for pitch in (58, 62):
        chord.instruments[0].notes.append(pretty_midi.Note(80, pitch, 0.0, 1.0))
    chord.write(str(tmp_path / "chord.mid"))
    with pytest.warns(leadpipe.ScoreWarning, match="the highest is kept") as caught:
        heard.compare(tmp_path / "chord.mid")
        leadpipe.compare(heard, tmp_path / "chord.mid")
    assert {warning.filename for warning in caught} == {__file__}
    other = leadpipe.transcribe(demo, horn="flugelhorn", end_s=9.0)
    against = heard.compare(other)
    assert (against.right, against.extra) == (len(other), len(heard) - len(other))


def test_arrays_are_as_good_as_files(demo, tmp_path):
    whole, rate = soundfile.read(demo, dtype="float32")
    expected = leadpipe.transcribe(demo, horn="flugelhorn").to_numpy()
    beside = np.stack([np.zeros_like(whole), whole], axis=1)
    spaced = np.zeros(3 * len(whole), dtype="float32")
    spaced[::3] = whole
    reversed_twice = whole[::-1].copy()[::-1]
    fortran = np.asfortranarray(beside)
    swapped = whole.astype(">f4")
    packed = np.zeros(len(whole), dtype=[("flag", "u1"), ("sample", "f4")])
    packed["sample"] = whole
    for form, channel in [
        (whole, None),
        (whole.astype("float64"), None),
        (whole[:, None], None),
        (list(map(float, whole[:RATE])) + list(map(float, whole[RATE:])), None),
        (spaced[::3], None),
        (reversed_twice, None),
        (swapped, None),
        (packed["sample"], None),
        (beside, 2),
        (fortran, 2),
        (beside.astype("float64"), 2),
    ]:
        heard = leadpipe.transcribe(form, rate, horn="flugelhorn", channel=channel)
        assert_same(heard.to_numpy(), expected)


def test_channels_are_mixed_as_in_files(program, demo, tmp_path):
    whole, rate = soundfile.read(demo, dtype="float32")
    stereo = np.stack([whole, 0.3 * whole], axis=1)
    path = tmp_path / "stereo.wav"
    soundfile.write(path, stereo, rate, subtype="FLOAT")
    for channel, options in [(None, []), (1, ["--channel", "1"])]:
        printed = program("transcribe", path, "--format", "csv", *options)
        assert leadpipe.transcribe(path, channel=channel).to_csv() == printed
        assert leadpipe.transcribe(stereo, rate, channel=channel).to_csv() == printed


def test_the_same_words(program, demo, tmp_path):
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "text.wav").write_text("no sound")
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE), RATE)
    for arguments, call in [
        (["nowhere.wav"], lambda: leadpipe.transcribe("nowhere.wav")),
        ([tmp_path], lambda: leadpipe.transcribe(tmp_path)),
        *[
            ([tmp_path / name], lambda name=name: leadpipe.transcribe(tmp_path / name))
            for name in ("empty.wav", "text.wav", "silent.wav")
        ],
        (
            [demo, "--horn", "flugelhron"],
            lambda: leadpipe.transcribe(demo, horn="flugelhron"),
        ),
        (
            [demo, "--tuning", "equal-13"],
            lambda: leadpipe.transcribe(demo, tuning="equal-13"),
        ),
        ([demo, "--channel", "2"], lambda: leadpipe.transcribe(demo, channel=2)),
    ]:
        with pytest.raises(leadpipe.LeadpipeError) as refused:
            call()
        if arguments == [tmp_path]:
            # The program looks for takes in it.
            assert "this is a folder" in str(refused.value)
            continue
        assert str(refused.value) == program.refuses("transcribe", *arguments)


def test_version(program):
    assert program("--version").split()[1] == leadpipe.__version__
