"""Clocks and the maps between them.

The flight clock counts audio samples from the start of recording and is the master. A camera's
clock is its presentation time stamps. Wall-clock UTC is a label: two of them are never subtracted.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.units import ns_to_s


class Stretch:
    """Anything from `start_ns` to `end_ns` of the flight clock, in seconds too."""

    __slots__ = ()
    start_ns: int
    end_ns: int

    @property
    def start_s(self) -> float:
        """Its start on the flight clock [s]."""
        return ns_to_s(self.start_ns)

    @property
    def end_s(self) -> float:
        """Its end on the flight clock [s]."""
        return ns_to_s(self.end_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockMap:
    """From another clock to the flight clock: ``flight_s = offset_s + other_s * (1 + drift_ppm * 1e-6)``.

    ::

        flight clock   0 ──────────┬────────────────────────┬──────>
                                   │ offset_s               │
        camera clock               0 ────────────────────── ┴──>     drift stretches it
                                   ├── valid_from_s .. valid_to_s ──┤   (camera clock)

    Asking for a time outside the valid span raises `ValueError`, as does going back to a camera
    that was not running then. `u_s` is the standard uncertainty anywhere in the valid span.
    `evidence` says how it was found and how sure that is.
    """

    source: str
    offset_s: float
    drift_ppm: float = 0.0
    u_s: float = 0.0
    valid_from_s: float = 0.0
    valid_to_s: float = float("inf")
    method: str = "sound"
    evidence: tuple[tuple[str, float | str], ...] = ()

    def to_flight_s(self, other_s: float) -> float:
        """A time on the other clock, on the flight clock [s].

        Raises
        ------
        ValueError
            Outside the valid span.
        """
        if not self.valid_from_s <= other_s <= self.valid_to_s:
            raise ValueError(
                f"{self.source}: {other_s:.3f} s is outside its valid span "
                f"{self.valid_from_s:.3f} to {self.valid_to_s:.3f} s"
            )
        return self.offset_s + other_s * (1 + self.drift_ppm * 1e-6)

    def from_flight_s(self, flight_s: float) -> float:
        """A time on the flight clock, on the other clock [s].

        Raises
        ------
        ValueError
            The other clock was not running then.
        """
        other_s = (flight_s - self.offset_s) / (1 + self.drift_ppm * 1e-6)
        if not self.valid_from_s - 1e-9 <= other_s <= self.valid_to_s + 1e-9:
            raise ValueError(f"{self.source}: flight time {flight_s:.3f} s is not in this recording")
        return other_s
