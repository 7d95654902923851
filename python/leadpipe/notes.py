"""Notes of a take: :func:`transcribe`, :class:`Transcription`, :class:`Note`."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NoReturn, TypedDict, overload

import numpy as np
import numpy.typing as npt

from . import _native
from ._samples import Take, arguments, warn
from ._settings import HornLike, Snap, TuningLike, settings
from .tracks import Track

if TYPE_CHECKING:
    import pandas
    from typing_extensions import Unpack

    from .practice import Comparison, Intonation

__all__ = ["NOTE_DTYPE", "Note", "PartOptions", "Technique", "Transcription", "transcribe"]

NOTE_DTYPE = np.dtype(
    [
        ("onset_s", "f8"),
        ("offset_s", "f8"),
        ("decided_s", "f8"),
        ("midi", "i2"),
        ("frequency_hz", "f8"),
        ("cents", "f8"),
        ("concert", "U5"),
        ("written", "U5"),
        ("volts", "f8"),
        ("attack", "U7"),
        ("length", "U13"),
        ("technique", "U48"),
        ("level_db", "f4"),
        ("confidence", "f4"),
        ("accent", "?"),
        ("dip_db", "f4"),
        ("rise_s", "f4"),
        ("sounding", "f4"),
        ("body_s", "f4"),
        ("accent_db", "f4"),
        ("vibrato_hz", "f4"),
        ("vibrato_cents", "f4"),
        ("flutter_hz", "f4"),
        ("flutter_db", "f4"),
        ("trill_hz", "f4"),
        ("trill_cents", "f4"),
        ("glissando_cents", "f4"),
        ("scoop_cents", "f4"),
        ("fall_cents", "f4"),
        ("doit_cents", "f4"),
        ("brightness", "f4"),
    ]
)
"""A row of :meth:`Transcription.to_numpy`. The first eighteen columns are those of the
command line's CSV, unrounded (the main README describes them); the rest are the
measurements behind each technique, NaN for a note without it, and last the brightness, NaN
where it was not measured. Seconds, hertz, cents
(positive is sharp), volts at 1 V per octave, dBFS (RMS) and dB."""

_TECHNIQUES = {
    "vibrato": ("vibrato_hz", "vibrato_cents"),
    "flutter": ("flutter_hz", "flutter_db"),
    "trill": ("trill_hz", "trill_cents"),
    "glissando": (None, "glissando_cents"),
    "scoop": (None, "scoop_cents"),
    "fall": (None, "fall_cents"),
    "doit": (None, "doit_cents"),
}


class PartOptions(TypedDict, total=False):
    """What is known of a part's tempo and bars. What is left out is estimated."""

    tempo: float | None
    """Quarter notes a minute, 20 to 400."""
    steady: bool
    """Keep one tempo all through; otherwise the beat follows the player."""
    meter: str | None
    """Time signature, such as ``"3/4"``, or ``"free"`` for no bars."""
    pickup: float | None
    """Quarter notes before the first bar line, less than a bar: 0, 0.5, 1, 2."""
    downbeat_s: float | None
    """Some bar begins with the note at this time."""
    smallest_note: int | None
    """Smallest value that is written: 4, 8, 16 or 32."""
    swing: float | None
    """Share of a beat that the first of two eighths takes, 0.5 to 0.8."""
    fifths: int | None
    """Sharps of the written key, negative for flats, -7 to 7."""


_ESTIMATED = PartOptions(
    tempo=None,
    steady=False,
    meter=None,
    pickup=None,
    downbeat_s=None,
    smallest_note=None,
    swing=None,
    fifths=None,
)


@dataclass(frozen=True)
class Technique:
    """What happens to pitch or level within a note."""

    name: str
    """``vibrato``, ``flutter``, ``trill``, ``glissando``, ``scoop``, ``fall`` or ``doit``."""
    rate_hz: float | None
    """Oscillations a second; ``None`` for what does not repeat."""
    extent: float
    """Cents: from the middle to either side of a vibrato, between the two pitches of a
    trill, the distance of the others. Of a flutter dB, half of peak to peak."""


@dataclass(frozen=True)
class Note:
    """A note. The same quantities as a row of :data:`NOTE_DTYPE`."""

    onset_s: float
    """Where the tone begins, without the air before it, seconds from the take's start."""
    offset_s: float
    """Where the tone ends, seconds."""
    decided_s: float
    """Stream time at which the causal tracker decides on the note, seconds; the note's end, if it
    never does."""
    midi: int
    """MIDI number of the sounding note, A4 = 69."""
    frequency_hz: float
    """Over the steady part of the note."""
    cents: float
    """Against the nearest pitch of the tuning; positive is sharp."""
    concert: str
    """Name as it sounds, such as ``Bb3``."""
    written: str
    """Name in the horn's part."""
    volts: float
    """1 V per octave, 0 V at ``zero_volt_note``."""
    attack: str
    """``tongued``, ``slurred`` or ``breath``."""
    length: str
    """``staccatissimo``, ``staccato``, ``normal`` or ``tenuto``."""
    techniques: tuple[Technique, ...]
    level_db: float
    """dBFS (RMS), the loudest 20 ms."""
    confidence: float
    """Share of the sound that the pitch explains, 0 to 1."""
    accent: bool
    dip_db: float
    """How far the level dips before the note."""
    rise_s: float
    """Time from 20 dB to 3 dB under the note's early peak."""
    sounding: float
    """Share of the time to the next onset for which it is played, from its onset to its release."""
    body_s: float
    """The same in seconds."""
    accent_db: float
    """Early peak against the body of the note."""
    brightness: float | None
    """Harmonic spectral centroid in units of the fundamental: 1 for a sine, more the
    brassier. ``None`` where it was not measured."""

    @property
    def duration_s(self) -> float:
        """Sounding length in seconds."""
        return self.offset_s - self.onset_s

    @property
    def technique(self) -> str:
        """Names of the techniques, separated by spaces."""
        return " ".join(t.name for t in self.techniques)


_FIELDS = [name for name in Note.__dataclass_fields__ if name != "techniques"]


def to_array(line: _native.Line) -> npt.NDArray[np.void]:
    """A native line as a structured array."""
    rows = np.zeros(len(line), NOTE_DTYPE)
    for name, values in line.columns().items():
        rows[name] = values
    return rows


def to_notes(rows: npt.NDArray[np.void]) -> tuple[Note, ...]:
    """Rows of :data:`NOTE_DTYPE` as objects."""
    return tuple(_note(row) for row in rows)


def _note(row: np.void) -> Note:
    techniques = []
    for name in row["technique"].split():
        rate, extent = _TECHNIQUES[name]
        rate_hz = None if rate is None else float(row[rate])
        techniques.append(Technique(name, rate_hz, float(row[extent])))
    values = {name: row[name].item() for name in _FIELDS}
    # Notes are compared, and NaN is not equal to itself.
    if np.isnan(row["brightness"]):
        values["brightness"] = None
    return Note(**values, techniques=tuple(techniques))


class Transcription(Sequence[Note]):
    """A transcribed take: a sequence of :class:`Note`, in order of time.

    Made by :func:`transcribe`. It cannot be pickled, since it holds every hop of its
    notes; :meth:`to_numpy` and the notes themselves can.
    """

    def __init__(self, line: _native.Line) -> None:
        self._line = line

    @property
    def source(self) -> str:
        """Name of the take, without folder and extension."""
        return self._line.source

    @property
    def length_s(self) -> float:
        """Where the take, or the chosen part of it, ends, in seconds."""
        return self._line.length_s

    @property
    def horn(self) -> str | None:
        """Name of the horn."""
        return self._line.horn

    @property
    def tuning(self) -> str:
        """Name of the tuning."""
        return self._line.tuning

    @property
    def reference_hz(self) -> float:
        """Frequency of A4 that cents are measured against."""
        return self._line.reference_hz

    @property
    def warnings(self) -> list[str]:
        """Faults of the recording, a line each."""
        return self._line.warnings

    @cached_property
    def notes(self) -> tuple[Note, ...]:
        """The notes as objects."""
        return to_notes(self.to_numpy())

    def __len__(self) -> int:
        return len(self._line)

    def __iter__(self) -> Iterator[Note]:
        return iter(self.notes)

    @overload
    def __getitem__(self, at: int) -> Note: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[Note]: ...
    def __getitem__(self, at: int | slice) -> Note | Sequence[Note]:
        return self.notes[at]

    def __repr__(self) -> str:
        return f"<Transcription of {self.source}: {len(self)} notes in {self.length_s:.1f} s>"

    def __reduce__(self) -> NoReturn:
        raise TypeError(
            "a Transcription cannot be pickled; send its notes on: to_numpy() or .notes"
        )

    def to_numpy(self) -> npt.NDArray[np.void]:
        """The notes as a structured array.

        Returns:
            Array of shape ``(notes,)`` and dtype :data:`NOTE_DTYPE`.
        """
        return to_array(self._line)

    def to_frame(self) -> pandas.DataFrame:
        """The notes as a pandas data frame, a row a note, columns as in
        :data:`NOTE_DTYPE`. Needs pandas."""
        import pandas

        return pandas.DataFrame(self.to_numpy())

    def contour(self, at: int) -> Track:
        """Pitch and level within a note.

        Args:
            at: index of the note.

        Returns:
            The hops, one every 1.4 ms.
        """
        return Track(*self._line.contour(range(len(self))[at]))

    def intonation(self, temperature_c: float = 20.0) -> Intonation:
        """How in tune the playing is: :func:`leadpipe.intonation`."""
        from .practice import intonation

        return intonation(self, temperature_c=temperature_c)

    def compare(
        self,
        target: str | os.PathLike[str] | Transcription,
        *,
        part: int | None = None,
        shift: int = 0,
    ) -> Comparison:
        """Compares the playing with a score or a take: :func:`leadpipe.compare`."""
        from .practice import compared

        return compared(self, target, part, shift, calls=1)

    def to_csv(self) -> str:
        """The note list as the command line prints it with ``--format csv``."""
        return self._line.render(_native.Writer.csv()).decode()

    def to_json(self) -> str:
        """The note list as the command line prints it with ``--format json``."""
        return self._line.render(_native.Writer.json()).decode()

    def to_midi(self, **part: Unpack[PartOptions]) -> bytes:
        """The bytes of :meth:`write_midi`."""
        return self._line.render(_midi(part))

    def to_musicxml(self, *, cents_over: float | None = None, **part: Unpack[PartOptions]) -> str:
        """The text of :meth:`write_musicxml`."""
        return self._line.render(_musicxml(cents_over, part)).decode()

    def write_csv(self, path: str | os.PathLike[str]) -> None:
        """Writes the note list as CSV.

        Raises:
            OutputError: the file cannot be written; nothing of it is then left. The
                same holds for every writer here.
        """
        self._line.save(_native.Writer.csv(), path)

    def write_json(self, path: str | os.PathLike[str]) -> None:
        """Writes the note list as JSON (``leadpipe transcribe --schema``)."""
        self._line.save(_native.Writer.json(), path)

    def write_midi(self, path: str | os.PathLike[str], **part: Unpack[PartOptions]) -> None:
        """Writes a Standard MIDI File with pitch bend and breath control.

        Args:
            path: where to.
            part: what is known of tempo and bars: :class:`PartOptions`.
        """
        self._line.save(_midi(part), path)

    def write_musicxml(
        self,
        path: str | os.PathLike[str],
        *,
        cents_over: float | None = None,
        **part: Unpack[PartOptions],
    ) -> None:
        """Writes the printable part as MusicXML 4.0.

        Args:
            path: where to.
            cents_over: notes that are farther than this from the tuning carry their
                cents as text; by default none do.
            part: what is known of tempo and bars: :class:`PartOptions`.
        """
        self._line.save(_musicxml(cents_over, part), path)

    def write_cv(
        self,
        path: str | os.PathLike[str],
        *,
        full_scale_v: float = 10.0,
        sample_rate: int = 48_000,
    ) -> None:
        """Writes control voltages as a four-channel 32-bit float WAV file: pitch (1 V per
        octave), gate and trigger (0 and 5 V), loudness (0 V at -60 dBFS, 5 V at full
        scale).

        Before the file goes into modules, check that the interface is DC-coupled, what
        its full scale is, and what voltage the module's input accepts; if in doubt,
        follow their manuals.

        Args:
            path: where to.
            full_scale_v: voltage that the interface puts out at digital full scale.
            sample_rate: of the file, in hertz.
        """
        writer = _native.Writer.cv(full_scale_v=full_scale_v, sample_rate=sample_rate)
        self._line.save(writer, path)

    def write_svg(self, path: str | os.PathLike[str]) -> None:
        """Writes a picture of the pitch over time."""
        self._line.save(_native.Writer.svg(), path)


def _midi(part: PartOptions) -> _native.Writer:
    return _native.Writer.midi(**(_ESTIMATED | part))


def _musicxml(cents_over: float | None, part: PartOptions) -> _native.Writer:
    return _native.Writer.musicxml(**(_ESTIMATED | part), cents_over=cents_over)


def transcribe(
    take: Take,
    sample_rate: float | None = None,
    *,
    horn: HornLike = None,
    tuning: TuningLike = "equal-12",
    tonic: str | None = None,
    reference_hz: float = 440.0,
    causal: bool = False,
    channel: int | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
    gate_db: float = _native.DEFAULT_GATE_DB,
    snap: Snap = "off",
    zero_volt_note: float = 60.0,
    contours: bool = True,
    name: str | None = None,
) -> Transcription:
    """Transcribes a take: every note with pitch, cents and articulation.

    The same code as the command ``leadpipe transcribe``, with the same results. Other
    Python threads run meanwhile; a keyboard interrupt ends it.

    Args:
        take: path of a WAV, AIFF, CAF, FLAC, MP3 or OGG file, or samples: float32 or float64,
            full scale 1.0, shape ``(frames,)`` or ``(frames, channels)``. Mono or
            interleaved float32 is read where it lies; everything else is converted block
            by block. Do not change the array during the call.
        sample_rate: of an array, in hertz, 8 to 192 kHz. A file knows its own.
        horn: a name from :func:`leadpipe.horns`, a TOML file, or a
            :class:`~leadpipe.Horn`: written notes are in its transposition, and only its
            range is searched. Without one, written notes are those that sound.
        tuning: a name from :func:`leadpipe.tunings`, a TOML or .syx file, or a
            :class:`~leadpipe.Tuning`: what cents are measured against.
        tonic: of the tuning, such as ``"Bb"``; by default the tuning's own.
        reference_hz: frequency of A4, 380 to 500 Hz.
        causal: decide as the live engine does, without looking ahead.
        channel: of the horn, counted from 1; by default the mean of all channels.
        start_s, end_s: part of the take, in seconds from its start. Times of the notes
            count from the start of the take all the same.
        gate_db: ignore sound below this level, dBFS.
        snap: what pitch is sent on (MIDI, voltages): ``"off"`` what was played,
            ``"hard"`` the tuning's pitch, ``"bend"`` the tuning's pitch with the bends
            around it.
        zero_volt_note: MIDI number of the note at 0 V.
        contours: keep every hop of the notes (16 bytes each). Lists need none, but
            tell then by its end alone how long a note is written; MIDI, MusicXML,
            voltages, intonation and :meth:`Transcription.contour` do.
        name: of the take, in messages and files; by default the file's.

    Raises:
        InputError: a file is missing, damaged or no audio; an array is empty, of
            another type or shape, or holds NaN.
        SilentError: there is no sound in it.
        SettingError: no such horn, tuning, channel, or a value that is not possible.

    Warns:
        RecordingWarning: clipped, a DC offset, or no notes found.

    Example:
        >>> import leadpipe
        >>> take = leadpipe.demo_line(48_000)
        >>> notes = leadpipe.transcribe(take, 48_000, horn="flugelhorn")
        >>> len(notes), notes[0].written, notes[0].attack
        (18, 'C4', 'tongued')
    """
    checked = settings(
        horn=horn,
        tuning=tuning,
        tonic=tonic,
        reference_hz=reference_hz,
        causal=causal,
        channel=channel,
        start_s=start_s,
        end_s=end_s,
        gate_db=gate_db,
        snap=snap,
        zero_volt_note=zero_volt_note,
        contours=contours,
    )
    source, rate, called = arguments(take, sample_rate, name)
    line = _native.transcribe(source, rate, called, checked)
    warn(called, line.warnings)
    return Transcription(line)
