"""Ready-made test conditions, each naming the paragraph that it comes from.

Data. The text of the paragraphs before Amdt 23-64 was read; the newer rules state aims, not
numbers. None of this says what is required of you: `DEFER`. Main names: `PRESETS`, `Preset`.
"""

from __future__ import annotations

from dataclasses import dataclass

DEFER = (
    "These conditions are quoted for orientation. Defer to the rules, limits and qualified people that apply to you."
)
CAUTIONS = (
    "This is a recorder, not an instrument: fly the aeroplane, look outside.",
    "Stalls with something new on the wing can end in a spin: brief the recovery before every flight.",
    "Clear the area; day, smooth air, horizon in sight; never over people.",
    "Rules, limits and qualified people come before anything on this card.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Preset:
    """Conditions of one kind of stall test.

    The band of rates is what a run must keep to be counted: for the tests at most 1 kt/s it reaches to 1.5, so that the
    value at 1 kt/s can be found by regression (common practice, no source).
    """

    id: str
    title: str
    basis: str
    objective: str
    entry: str
    procedure: tuple[str, ...]
    limits: tuple[str, ...]
    hazard: int
    recovery: str = "Elevator forward first; then power; wings level with rudder and aileron"
    bank_deg: float = 0.0
    start_above_stall_kt: float = 10.0
    rate_low_kt_per_s: float = 0.5
    rate_high_kt_per_s: float = 1.5
    trim_over_stall: float = 1.5


_SAY = (
    "Say the airspeed as it falls, every second or so",
    "Say what happens: warning, buffet, break, wing drop, stick on the stop",
)
_AT_THE_EVENT = "Recover at the event; say recovered"
_LEVEL_ENTRY = "Trimmed at 1.5 Vs, at least 10 kt above the stall; slow with elevator only, at most 1 kt/s"
_LEVEL = (*_SAY, "Go on to the pitch-down, or to 2 s with the stick on the stop", _AT_THE_EVENT)
_BASE = "14 CFR {} (as before Amdt 23-64)"

PRESETS = {
    preset.id: preset
    for preset in (
        Preset(
            id="level",
            title="stalls, wings level",
            basis=_BASE.format("23.201(b) to (d), 23.207(c)"),
            objective="Stall speed, warning and handling, wings level",
            entry=_LEVEL_ENTRY,
            procedure=_LEVEL,
            limits=(
                "Not more than 15 deg of roll or yaw (23.201(d))",
                "Warning at least 5 kt above the stall (23.207(c)): if there is none, stop",
            ),
            hazard=1,
        ),
        Preset(
            id="turning",
            title="stalls, turning",
            basis=_BASE.format("23.203(a)(1), (b)(4)"),
            objective="Stall speed and handling in a coordinated turn",
            entry="Coordinated turn at 30 deg of bank; tighten with elevator, slowing at most 1 kt/s",
            procedure=(*_SAY, "Hold the bank and the ball; recover at the event; say recovered"),
            limits=("Bank not beyond 60 deg with the turn, 30 deg against it (23.203(b)(4))",),
            hazard=3,
            bank_deg=30.0,
        ),
        Preset(
            id="accelerated",
            title="stalls, accelerated turning",
            basis=_BASE.format("23.203(a)(2), (b)(5)"),
            objective="Handling in an accelerated turning stall",
            entry="Coordinated turn at 30 deg of bank; tighten steadily, slowing 3 to 5 kt/s",
            procedure=(*_SAY, _AT_THE_EVENT),
            limits=("Bank not beyond 90 deg with the turn, 60 deg against it (23.203(b)(5))",),
            hazard=5,
            bank_deg=30.0,
            rate_low_kt_per_s=3.0,
            rate_high_kt_per_s=5.0,
        ),
        Preset(
            id="speeds",
            title="stall speeds, VS0 and VS1",
            basis="14 CFR 23.49(a), (b) (Amdt 23-62)",
            objective="VS0 and VS1: engine idling, propeller as for take-off, CG where the speed is highest",
            entry=_LEVEL_ENTRY,
            procedure=_LEVEL,
            limits=(
                "Throttle closed, or no more power than for zero thrust at 1.1 times the stall speed (23.49(a)(1))",
                "Most forward CG, as a rule, gives the highest speed (23.49(a)(5))",
            ),
            hazard=1,
        ),
    )
}
