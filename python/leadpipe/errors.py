"""Exceptions of the package. Every text says what is wrong, where, and how to fix it,
in the words of the program ``leadpipe``.

::

    LeadpipeError
    ├── InputError (ValueError)       a take, an array or a score cannot be used
    │   └── SilentError               there is no sound in it
    ├── SettingError (ValueError)     a name or a value is not possible
    ├── OutputError (OSError)         a file cannot be written
    ├── ClosedError (RuntimeError)    a tracker is used after its end
    ├── ForkError (RuntimeError)      a tracker is used in a forked process
    └── InternalError (RuntimeError)  a fault of leadpipe itself

    RecordingWarning (UserWarning)    the recording can be used, but has a fault
    ScoreWarning (UserWarning)        some of the score is not read
"""

__all__ = [
    "ClosedError",
    "ForkError",
    "InputError",
    "InternalError",
    "LeadpipeError",
    "OutputError",
    "RecordingWarning",
    "ScoreWarning",
    "SettingError",
    "SilentError",
]


class LeadpipeError(Exception):
    """Whatever leadpipe refuses or cannot do."""


class InputError(LeadpipeError, ValueError):
    """A take, an array of samples or a score cannot be used."""


class SilentError(InputError):
    """A take holds no sound at all."""


class SettingError(LeadpipeError, ValueError):
    """A name (of a horn, a tuning) or a value (a rate, a range) is not possible."""


class OutputError(LeadpipeError, OSError):
    """A file cannot be written. Nothing of it is left."""


class ClosedError(LeadpipeError, RuntimeError):
    """A tracker is used after :meth:`~leadpipe.Tracker.finish` or ``close``."""


class ForkError(LeadpipeError, RuntimeError):
    """A tracker is used in a process that was forked after the tracker was made."""


class InternalError(LeadpipeError, RuntimeError):
    """A fault of leadpipe itself, caught before it could end the process."""


class RecordingWarning(UserWarning):
    """The recording can be used, but is clipped, has a DC offset, or holds no notes."""


class ScoreWarning(UserWarning):
    """Parts of a score, notes of its chords or their ends are not read: a horn plays one at a
    time."""
