# %% [markdown]
# # A take, from sound to figures
#
# A notebook in plain Python: open it as one in any editor that knows `# %%` cells, or run
# it with `python guide/guide.py`, which leaves its figures in `guide/figures`. It needs
# `pip install 'leadpipe[guide]' pandas`.
#
# The sound is made here or lies in `fixtures/`, so that what was played is known.

# %%
import sys
from pathlib import Path

import matplotlib

if "ipykernel" not in sys.modules:
    matplotlib.use("Agg")

import librosa
import matplotlib.pyplot as plt
import mir_eval
import numpy as np

import leadpipe
from leadpipe import mir

HERE = Path(__file__).resolve().parent
FIGURES = HERE / "figures"
FIXTURES = HERE.parents[1] / "fixtures"
FIGURES.mkdir(exist_ok=True)


def keep(figure: plt.Figure, name: str) -> None:
    figure.tight_layout()
    figure.savefig(FIGURES / f"{name}.png", dpi=100)


# %% [markdown]
# ## Notes
#
# `transcribe` takes a path or an array. The horn names the written notes and narrows the
# search; the tuning is what cents are measured against.

# %%
RATE = 48_000
take = leadpipe.demo_line(RATE)
notes = leadpipe.transcribe(take, RATE, horn="flugelhorn", name="lamplight")
print(notes)
for note in notes[8:12]:
    print(f"{note.onset_s:7.3f} s  {note.written:4} {note.cents:+5.1f} cents  {note.attack}, "
          f"{note.length} {note.technique}")  # fmt: skip

# %% [markdown]
# As a table, for pandas or NumPy:

# %%
table = notes.to_frame()
print(table.groupby("attack")[["cents", "level_db"]].agg(["mean", "count"]).round(1))

# %% [markdown]
# ## Pitch over time
#
# `track` gives the pitch every 1.4 ms; NaN is "no tone".

# %%
track = leadpipe.track(take, RATE, horn="flugelhorn")
figure, (above, below) = plt.subplots(2, 1, figsize=(9, 5), sharex=True)
above.semilogy(track.time_s, track.frequency_hz, lw=1)
for note in notes:
    above.hlines(note.frequency_hz, note.onset_s, note.offset_s, "tab:orange", lw=3, alpha=0.5)
    above.annotate(note.written, (note.onset_s, note.frequency_hz * 1.03), fontsize=7)
above.set(ylabel="frequency (Hz)", title="pitch and notes, written for flugelhorn")
# A hop is shorter than a period: the level of 20 ms is what is heard.
power = np.convolve(10 ** (track.level_db / 10), np.ones(15) / 15, mode="same")
below.plot(track.time_s, 10 * np.log10(power), lw=0.8)
below.set(xlabel="time (s)", ylabel="level (dBFS)")
keep(figure, "pitch")

# %% [markdown]
# Within a note, `contour` has the hops. The vibrato that was played: 5.2 a second, 24
# cents either way.

# %%
at = next(i for i, note in enumerate(notes) if "vibrato" in note.technique)
contour = notes.contour(at)
vibrato = notes[at].techniques[0]
figure, axes = plt.subplots(figsize=(9, 2.6))
axes.plot(contour.time_s, 1200 * np.log2(contour.frequency_hz / notes[at].frequency_hz))
axes.set(
    xlabel="time (s)",
    ylabel="cents",
    title=f"{vibrato.name} of {vibrato.rate_hz:.1f} Hz, {vibrato.extent:.0f} cents",
)
keep(figure, "vibrato")
assert abs(vibrato.rate_hz - 5.2) < 0.2

# %% [markdown]
# ## Intonation
#
# The same line against just intonation on its tonic.

# %%
just = leadpipe.transcribe(take, RATE, horn="flugelhorn", tuning="just", tonic="Bb")
figure, axes = plt.subplots(figsize=(9, 2.8))
for shift, (label, heard) in enumerate([("equal", notes), ("just on B flat", just)]):
    pitches = heard.intonation().pitches
    places = np.arange(len(pitches)) + 0.4 * shift
    axes.bar(places, [p["mean_cents"] for p in pitches], width=0.38, label=label)
axes.set_xticks(np.arange(len(pitches)) + 0.2, [p["written"] for p in pitches])
axes.axhline(0, color="black", lw=0.5)
axes.set(xlabel="written pitch", ylabel="cents")
axes.legend()
keep(figure, "intonation")
print(f"best reference: A4 = {notes.intonation().best_reference_hz:.1f} Hz")

# %% [markdown]
# ## Live
#
# A `Tracker` never looks ahead. Blocks of any length go in; frames and notes come out.

# %%
tracker = leadpipe.Tracker(RATE, horn="flugelhorn")
delays_ms = []
for start in range(0, len(take), 256):
    for event in tracker.push(take[start : start + 256]).events:
        if isinstance(event, leadpipe.NoteStarted):
            delays_ms.append(1000 * (event.decided_s - event.onset_s))
tracker.finish()
print(f"{len(delays_ms)} notes, decided {np.median(delays_ms):.0f} ms after their onset (median)")

# %% [markdown]
# ## Our track and pYIN on the same takes
#
# A recording of known pitch (a tenor trombone's single notes, in `fixtures/`), and a glide
# with vibrato made here, whose frequency is known at every sample. Both trackers are put
# on librosa's grid and scored by `mir_eval.melody`: voicing, and frames within 50 cents.

# %%
HOP = 256


def scores(true_hz: np.ndarray, f0: np.ndarray, times: np.ndarray) -> dict[str, float]:
    kept = mir_eval.melody.evaluate(times, true_hz, times, np.nan_to_num(f0))
    return {name: kept[name] for name in ("Voicing Recall", "Raw Pitch Accuracy")} | {
        "Voicing False Alarm": kept["Voicing False Alarm"]
    }


def both(samples: np.ndarray, rate: int) -> tuple[mir.Pyin, tuple[np.ndarray, ...], np.ndarray]:
    theirs = librosa.pyin(samples, fmin=60, fmax=1_000, sr=rate, hop_length=HOP)
    ours = mir.to_librosa(
        leadpipe.track(samples, rate), sr=rate, hop_length=HOP, frames=len(theirs[0])
    )
    return ours, theirs, librosa.times_like(ours.f0, sr=rate, hop_length=HOP)


def show(name: str, true_hz: np.ndarray, ours: mir.Pyin, theirs: tuple, times: np.ndarray) -> None:
    print(f"\n{name:24} {'leadpipe':>10} {'pYIN':>10}")
    a, b = scores(true_hz, ours.f0, times), scores(true_hz, theirs[0], times)
    for score in a:
        print(f"{score:24} {a[score]:10.3f} {b[score]:10.3f}")


# %%
second_s = np.arange(3 * RATE // 2) / RATE
glide_hz = 196.0 * 2 ** (second_s / 1.5 * 7 / 12 + 0.25 / 12 * np.sin(2 * np.pi * 5 * second_s))
phase = 2 * np.pi * np.cumsum(glide_hz) / RATE
tone = sum(0.2 / k * np.sin(k * phase) for k in range(1, 9))
tone *= np.minimum(1, np.minimum(second_s, second_s[::-1]) / 0.03)
rest = np.zeros(RATE // 2)
noise = 1e-4 * np.random.default_rng(1).standard_normal(len(tone) + 2 * len(rest))
glide = (np.concatenate([rest, tone, rest]) + noise).astype("float32")

ours, theirs, times = both(glide, RATE)
true_hz = np.interp(times, 0.5 + second_s, glide_hz, left=0, right=0)
show("glide with vibrato", true_hz, ours, theirs, times)
assert scores(true_hz, ours.f0, times)["Raw Pitch Accuracy"] > 0.98

figure, axes = plt.subplots(figsize=(9, 3))
axes.plot(times, np.where(true_hz > 0, true_hz, np.nan), "k", lw=3, alpha=0.3, label="played")
axes.plot(times, ours.f0, label="leadpipe")
axes.plot(times, theirs[0], "--", label="pYIN")
axes.set(xlabel="time (s)", ylabel="frequency (Hz)")
axes.legend()
keep(figure, "glide")

# %% [markdown]
# Of a recording only the name of its note is known; the player is within 50 cents of it.

# %%
for name in ("Ab3", "C3"):
    recording, rate = librosa.load(FIXTURES / f"tenor-trombone-{name}.wav", sr=None)
    ours, theirs, times = both(recording, rate)
    loud = librosa.feature.rms(y=recording, hop_length=HOP, frame_length=1_024)[0][: len(times)]
    sounding = librosa.amplitude_to_db(loud, ref=np.max) > -30
    true_hz = np.where(sounding, librosa.note_to_hz(name.replace("b", "♭")), 0.0)
    show(f"tenor trombone, {name}", true_hz, ours, theirs, times)
    assert scores(true_hz, ours.f0, times)["Raw Pitch Accuracy"] > 0.95

# %% [markdown]
# ## Notes for other libraries

# %%
intervals, pitches = mir.intervals_and_pitches(notes)
causal = leadpipe.transcribe(take, RATE, horn="flugelhorn", causal=True)
f1 = mir_eval.transcription.precision_recall_f1_overlap(
    intervals, pitches, *mir.intervals_and_pitches(causal), offset_ratio=None
)[2]
print(f"the causal pass against the full one: note F {f1:.3f} (onset 50 ms, pitch 50 cents)")

midi = mir.to_pretty_midi(notes, tempo=92)
print(midi.instruments[0])
score = mir.to_music21(notes, tempo=92, meter="4/4")
print(score.parts[0].getInstrument(), score.analyze("key"))

# %% [markdown]
# ## Files
#
# The writers are the program's own. Before voltages go into modules, check that the
# interface is DC-coupled, what its full scale is, and what the module's input accepts.

# %%
notes.write_midi(FIGURES / "lamplight.mid", tempo=92)
notes.write_musicxml(FIGURES / "lamplight.musicxml", tempo=92, meter="4/4")
notes.write_cv(FIGURES / "lamplight.cv.wav", full_scale_v=10.0)
print(sorted(path.name for path in FIGURES.iterdir()))

# %% [markdown]
# A folder of takes, or a thousand: `leadpipe.archive`, in [the README](../README.md).
