"""How a flight ended: what was lost, what did not answer in time, and how to say so."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

# How long each thread may take to end. Sound waits up to 20 s for a slow disk and 30 s for a slow recogniser; printing
# and tones are given up when nothing moves for so long.
SOUND_WRITER_S = 25.0
HEARING_S = 40.0
# Hearing after landing: this, and as long again as the sound lasts.
HEARING_LATER_S = 30.0
TONES_S = 1.0
CORE_S = 20.0
PRINTING_S = 2.0
PRINTING_PLAYED_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """What there is to say at the end of a flight; all is well in an empty one.

    `late` are the threads that did not end in time, in words. `recorded_s` is how much sound is on the disk.
    `sound_trouble` says what was wrong with the sound when the flight ended, for the last `missing_s`; `silent`: all
    of it was silence.
    """

    flight_dir: Path
    late: tuple[str, ...] = ()
    rows_not_printed: int = 0
    printing_failure: Exception | None = None
    tones_not_played: int = 0
    tones_failure: Exception | None = None
    sound_expected: bool = False
    recorded_s: float = 0.0
    silent: bool = False
    sound_trouble: str = ""
    missing_s: float = 0.0
    hearing_failure: str = ""

    @property
    def reader_gone(self) -> bool:
        """Whether the rows were not printed because nobody reads them any more (`| head`)."""
        return isinstance(self.printing_failure, BrokenPipeError)

    @property
    def sound_lost(self) -> str:
        """What makes a flight that should have been recorded a failure, in a sentence; empty when it was."""
        if not self.sound_expected:
            return ""
        if not self.recorded_s:
            return f"{self.flight_dir}: no sound was recorded at all ({self.sound_trouble or 'none came'})."
        if self.silent:
            return f"{self.flight_dir}: only silence was recorded; was the microphone muted?"
        if self.sound_trouble:
            last = f"the last {self.missing_s:.0f} s were" if self.missing_s else "the end was"
            return f"{self.flight_dir}: {last} not recorded ({self.sound_trouble})."
        return ""

    def sentences(self) -> list[str]:
        """What was lost or late, each in a sentence; the journal has every row all the same."""
        found = [f"{thread} did not finish in time; not waited for." for thread in self.late]
        if self.rows_not_printed:
            why = f" ({self.printing_failure})" if self.printing_failure else ": the output was blocked"
            found.append(f"{_some(self.rows_not_printed, 'row')} not printed{why}. The journal has them.")
        if self.tones_not_played:
            why = f" ({self.tones_failure})" if self.tones_failure else ": the loudspeaker was not responding"
            found.append(f"{_some(self.tones_not_played, 'tone')} not played{why}.")
        if self.hearing_failure:
            found.append(f"Not all sound was heard ({self.hearing_failure}); it is recorded.")
        return found


def _some(count: int, noun: str) -> str:
    return f"{count} {noun}{' was' if count == 1 else 's were'}"
