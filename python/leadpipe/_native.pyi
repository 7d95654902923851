"""The native half. Its calls take what the modules beside it have prepared; what is
documented here is what users meet: :class:`Horn`, :class:`Tuning`."""

import os
from typing import Any, final

import numpy as np
import numpy.typing as npt

__all__ = [
    "Horn",
    "Tuning",
    "horns",
    "note_name",
    "tunings",
    "panics",
    "Line",
    "transcribe",
    "Settings",
    "track",
    "Tracker",
    "Writer",
    "demo_line",
    "VERSION",
    "EXTENSIONS",
    "DEFAULT_GATE_DB",
]

VERSION: str
EXTENSIONS: list[str]
DEFAULT_GATE_DB: float

_Frames = tuple[
    npt.NDArray[np.float64],
    npt.NDArray[np.float64],
    npt.NDArray[np.float32],
    npt.NDArray[np.float32],
]

@final
class Horn:
    """A horn: ``Horn("flugelhorn")``, or of a TOML file, ``Horn("mine.toml")``.

    Keys are MIDI numbers.
    """

    def __new__(cls, name: str) -> Horn: ...
    @property
    def name(self) -> str: ...
    @property
    def title(self) -> str:
        """Name in full."""
    @property
    def sounds(self) -> int:
        """Semitones from written to sounding, negative where it sounds lower."""
    @property
    def clef(self) -> str:
        """``treble``, ``alto``, ``tenor`` or ``bass``."""
    @property
    def low(self) -> int:
        """Lowest sounding key."""
    @property
    def high(self) -> int:
        """Highest sounding key."""
    @property
    def valves(self) -> int:
        """Number of valves, 0 for a slide."""
    @property
    def slide(self) -> bool: ...
    def written(self, concert: int) -> int:
        """The written key of a sounding key."""
    def concert(self, written: int) -> int:
        """The sounding key of a written key."""
    def fingerings(self, concert: int) -> list[str]:
        """Fingerings or slide positions of a sounding key, the likeliest first."""

@final
class Tuning:
    """A tuning: ``Tuning("just", tonic="Bb")``, or of a TOML or .syx file."""

    def __new__(
        cls, name: str, tonic: str | None = None, reference_hz: float = 440.0
    ) -> Tuning: ...
    @property
    def name(self) -> str: ...
    @property
    def title(self) -> str:
        """Name in full."""
    @property
    def about(self) -> str:
        """Description in a sentence."""
    @property
    def reference_hz(self) -> float:
        """Frequency of A4."""
    @property
    def degrees_cents(self) -> npt.NDArray[np.float64]:
        """Degrees above the tonic, shape ``(degrees,)``."""
    @property
    def period_cents(self) -> float:
        """1200 for the octave."""
    @property
    def frequencies_hz(self) -> npt.NDArray[np.float64]:
        """All its pitches, rising, shape ``(pitches,)``."""
    def cents(self, frequency_hz: float) -> float:
        """Deviation of a frequency from the nearest pitch; positive is sharp."""

@final
class Settings:
    def __new__(
        cls,
        *,
        horn: Horn | str | None,
        tuning: Tuning | str,
        tonic: str | None,
        reference_hz: float,
        causal: bool,
        channel: int | None,
        start_s: float | None,
        end_s: float | None,
        gate_db: float,
        snap: str,
        zero_volt_note: float,
        contours: bool,
    ) -> Settings: ...

@final
class Writer:
    @staticmethod
    def csv() -> Writer: ...
    @staticmethod
    def json() -> Writer: ...
    @staticmethod
    def svg() -> Writer: ...
    @staticmethod
    def midi(
        *,
        tempo: float | None,
        steady: bool,
        meter: str | None,
        pickup: float | None,
        downbeat_s: float | None,
        smallest_note: int | None,
        swing: float | None,
        fifths: int | None,
    ) -> Writer: ...
    @staticmethod
    def musicxml(
        *,
        tempo: float | None,
        steady: bool,
        meter: str | None,
        pickup: float | None,
        downbeat_s: float | None,
        smallest_note: int | None,
        swing: float | None,
        fifths: int | None,
        cents_over: float | None,
    ) -> Writer: ...
    @staticmethod
    def cv(*, full_scale_v: float, sample_rate: int) -> Writer: ...

@final
class Line:
    @property
    def source(self) -> str: ...
    @property
    def length_s(self) -> float: ...
    @property
    def warnings(self) -> list[str]: ...
    @property
    def horn(self) -> str | None: ...
    @property
    def tuning(self) -> str: ...
    @property
    def reference_hz(self) -> float: ...
    def __len__(self) -> int: ...
    def columns(self) -> dict[str, Any]: ...
    def contour(self, at: int) -> _Frames: ...
    def render(self, writer: Writer) -> bytes: ...
    def save(self, writer: Writer, path: str | os.PathLike[str]) -> None: ...
    def intonation(self, temperature_c: float) -> str: ...
    def compare_score(
        self, score: str | os.PathLike[str], part: int | None, shift: int
    ) -> tuple[str, int | None, list[str]]: ...
    def compare_line(self, other: Line, shift: int) -> tuple[str, int | None]: ...

@final
class Tracker:
    def __new__(cls, sample_rate: float, settings: Settings) -> Tracker: ...
    @property
    def sample_rate(self) -> float: ...
    @property
    def closed(self) -> bool: ...
    def push(self, block: npt.NDArray[Any]) -> tuple[_Frames, list[bool], Line]: ...
    def finish(self) -> tuple[_Frames, list[bool], Line]: ...
    def close(self) -> None: ...

def transcribe(
    take: str | os.PathLike[str] | npt.NDArray[Any],
    sample_rate: float | None,
    name: str,
    settings: Settings,
) -> Line: ...
def track(
    take: str | os.PathLike[str] | npt.NDArray[Any],
    sample_rate: float | None,
    name: str,
    settings: Settings,
) -> tuple[_Frames, list[str]]: ...
def horns() -> list[Horn]:
    """All built-in horns."""

def tunings() -> list[str]:
    """Names of the built-in tunings."""

def note_name(midi: int) -> str:
    """Name of a MIDI key: 60 is ``C4``."""

def demo_line(sample_rate: float) -> npt.NDArray[np.float32]:
    """The built-in take: 18 notes of a flugelhorn by a small brass synthesis, of every
    articulation one, with breath and room noise.

    Args:
        sample_rate: in hertz, 8 to 192 kHz.

    Returns:
        Samples, mono, full scale 1.0, shape ``(frames,)``, 13.4 s.
    """

def panics() -> None: ...
