"""Every error that a user can cause or meet, in one tree.

::

    LoggerError
    ├── CardError        ValueError   campaign.toml, cards, configurations, loading
    ├── PackError        ValueError   a language pack, a team's own calls
    ├── SoundError       OSError      a sound or video file that cannot be used
    ├── CaptureError     OSError      microphone or recording
    ├── EngineError      ValueError   a recogniser or its model
    ├── LogError         OSError      a flight folder
    │   ├── LogDamaged
    │   └── LogTooNew
    ├── ReviewError      ValueError   a correction that cannot be taken
    ├── SyncError        ValueError   cameras and clocks
    ├── ReduceError      ValueError
    │   ├── BadQuantity
    │   ├── TooFewCalls
    │   └── OutsideValidity
    └── ReportError      OSError      writing results

A message says which thing, where, what was got, what was needed and what to do now. The
command line prints it on one line and exits with 1; `--debug` shows the traceback as well.
Programmer mistakes are ordinary `TypeError` or `AssertionError` and are not in this tree.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong with an input.

    `where` names file and key, line or time; `got` and `expected` say what was found and
    what would be right; `hint` says what to do, if that is not already plain.
    """

    where: str
    got: str
    expected: str
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: got {self.got}; expected {self.expected}"
        return f"{text}. {self.hint}" if self.hint else text


class LoggerError(Exception):
    """Root of the tree. `hint` says what to do; `faults` lists every offender at once."""

    recoverable = True

    def __init__(self, message: str = "", *, hint: str = "", faults: tuple[Fault, ...] = (), **facts):
        self.hint = hint
        self.faults = tuple(faults)
        self.facts = facts
        for name, value in facts.items():
            setattr(self, name, value)
        parts = [message] if message else []
        parts += [str(fault) for fault in self.faults]
        text = "\n".join(parts)
        super().__init__(f"{text} {hint}".strip() if hint else text)


class CardError(LoggerError, ValueError):
    """The campaign, a card, a configuration or the loading is wrong."""


class PackError(LoggerError, ValueError):
    """A language pack or a team's own calls cannot be used."""


class SoundError(LoggerError, OSError):
    """A sound or video file is missing, empty, damaged or has no sound in it."""


class CaptureError(LoggerError, OSError):
    """The microphone or the recording failed."""


class EngineError(LoggerError, ValueError):
    """A recogniser, or the model it needs, is not usable."""


class LogError(LoggerError, OSError):
    """A flight folder cannot be read or written."""


class LogDamaged(LogError):
    """A flight folder holds damaged rows or sound; the rest is still readable."""


class LogTooNew(LogError):
    """A flight folder was written by a newer version."""

    recoverable = False


class ReviewError(LoggerError, ValueError):
    """A correction names something that is not there or asks for an impossible value."""


class SyncError(LoggerError, ValueError):
    """A camera cannot be put on the flight clock."""


class ReduceError(LoggerError, ValueError):
    """A result cannot be computed from what there is."""


class BadQuantity(ReduceError):
    """A quantity is outside what the formula or physics allows."""


class TooFewCalls(ReduceError):
    """Too few readings for the figure asked for."""


class OutsideValidity(ReduceError):
    """The input lies outside the range for which the method is valid."""


class ReportError(LoggerError, OSError):
    """Results could not be written; whatever was there before is untouched."""
