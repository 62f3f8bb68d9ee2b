"""A trace as read: samples on its own clock, in named columns with units. Not for: any meaning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from logger_app.errors import Fault, ReduceError

LONGEST_HOLE_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """Samples on the trace's own clock: `time_s` (n,) rising; `columns` name -> (n,), NaN where missing.

    `on_flight_clock` says that `time_s` is the flight clock already.
    """

    source: str
    time_s: np.ndarray
    columns: Mapping[str, np.ndarray]
    on_flight_clock: bool = False
    notes: tuple[str, ...] = ()

    def at(self, column: str, time_s: float) -> float | None:
        """A column at a time on the trace's clock; None where there is none, or a hole."""
        if column not in self.columns:
            return None
        known = np.isfinite(self.columns[column])
        times, values = self.time_s[known], self.columns[column][known]
        after = int(np.searchsorted(times, time_s))
        if not 0 < after < len(times) or times[after] - times[after - 1] > LONGEST_HOLE_S:
            return None
        return float(np.interp(time_s, times, values))


def cannot(trace: Trace, got: str, expected: str) -> ReduceError:
    """The error for a trace that cannot be used."""
    return ReduceError(faults=(Fault(where=f"trace {trace.source}", got=got, expected=expected),))
