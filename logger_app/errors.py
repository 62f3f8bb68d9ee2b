"""Every error that a user can cause or meet, in one tree.

::

    LoggerError
    ├── CardError        ValueError   campaign.toml, cards, configurations, loading
    ├── PackError        ValueError   a language pack, a team's own calls
    ├── SoundError       OSError      a sound or video file that cannot be used
    ├── CaptureError     OSError      microphone or recording
    ├── EngineError      ValueError   a recogniser or its model
    ├── FileRefused      OSError      a link, a pipe or an endless file in place of an ordinary one
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

What an input says is shown in a message, never obeyed: `visible` writes out what a terminal would
act on, and a fault is cut to a length that can be read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

# Longest shown of where a fault is (a path may be long), of what was found there and of what was expected
# [characters]; of a whole message without its faults; and how many faults at once. More does not help to mend a file.
LONGEST_WHERE, LONGEST_GOT, LONGEST_EXPECTED, LONGEST_MESSAGE, MAX_FAULTS = 600, 240, 1200, 2400, 40
# Control characters (C0, DEL, C1: with them begin the sequences of ECMA-48), line and paragraph separators,
# marks that turn the direction of writing (UAX #9), halves of surrogate pairs.
_ACTED_ON = re.compile("[\\x00-\\x1f\\x7f-\\x9f\\u2028\\u2029\\u202a-\\u202e\\u2066-\\u2069\\ud800-\\udfff]")


class Notice(UserWarning):
    """Something in a campaign was left out and the work went on; the command line says so on standard error."""


def visible(text: str, keep: str = "") -> str:
    """Text with what a terminal would act on written out.

    Parameters
    ----------
    keep : str
        Characters that may act, such as a line break.

    Returns
    -------
    str
        The same, with such characters as Python and JSON write them.

    Examples
    --------
    >>> visible("red \\x1b[31m")
    'red \\\\x1b[31m'
    """
    return _ACTED_ON.sub(lambda m: m[0] if m[0] in keep else _escape(ord(m[0])), text)


def _escape(code: int) -> str:
    # JSON escapes C0 itself and takes \\u for the rest: a document stays what it says.
    return f"\\x{code:02x}" if code < 0x20 else f"\\u{code:04x}"


def _cut(text: str, most: int) -> str:
    """Visible, and the middle left out where it is long."""
    if len(text) > most:
        text = f"{text[: 2 * most // 3]} … {text[-most // 3 :]}"
    shown = visible(text)
    return shown if len(shown) <= 2 * most else f"{shown[: 2 * most]} …"


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
        where, expected = _cut(self.where, LONGEST_WHERE), _cut(self.expected, LONGEST_EXPECTED)
        if self.got in ("", "nothing", "none"):
            text = f"{where}: missing; expected {expected}"
        else:
            text = f"{where}: got {_cut(self.got, LONGEST_GOT)}; expected {expected}"
        return f"{text}. {_cut(self.hint, LONGEST_EXPECTED)}" if self.hint else text


class LoggerError(Exception):
    """Root of the tree. `hint` says what to do; `faults` lists every offender at once."""

    def __init__(self, message: str = "", *, hint: str = "", faults: tuple[Fault, ...] = (), **facts):
        self.hint = hint
        self.faults = tuple(faults)
        self.facts = facts
        for name, value in facts.items():
            setattr(self, name, value)
        parts = [_cut(message, LONGEST_MESSAGE)] if message else []
        parts += [str(fault) for fault in self.faults[:MAX_FAULTS]]
        if len(self.faults) > MAX_FAULTS:
            parts.append(f"... and {len(self.faults) - MAX_FAULTS} more")
        text = "\n".join(parts)
        super().__init__(f"{text} {_cut(hint, LONGEST_EXPECTED)}".strip() if hint else text)


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


class FileRefused(LoggerError, OSError):
    """A path leads out of the campaign through a link, is not an ordinary file, or is too large."""


class LogError(LoggerError, OSError):
    """A flight folder cannot be read or written."""


class LogDamaged(LogError):
    """A flight folder holds damaged rows or sound; the rest is still readable."""


class LogTooNew(LogError):
    """A flight folder was written by a newer version."""


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
