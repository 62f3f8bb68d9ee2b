"""What the flight screen shows and what its buttons ask for. Pure: a snapshot in, a view out.

The screen never asks for a look: everything on it is also a tone or can be done by voice.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from logger_app.domain.stall_events import STALL_KINDS
from logger_app.fly.flight_state import IN_RUN, FlightState, Intent, Phase
from logger_app.fly.verdict import in_words
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import POWER_IDLE, TestPoint
from logger_app.units import NS_PER_S, from_kt, to_kt

STRIP_S = 30.0
STRIP_KT = 18.0  # at least this much of the scale, so that a knot of wander does not fill the strip
# Level of a voice in a headset that the recogniser likes; below and above it the screen says so.
QUIET_DBFS = -45.0
LOUD_PEAK = 32_000
LEVEL_RANGE_DBFS = (-60.0, 0.0)
STEP_WORDS = {
    Phase.SET_UP: "SET UP",
    Phase.ON_CONDITION: "ON CONDITION",
    Phase.APPROACH: "APPROACH",
    Phase.STALL: "STALL",
    Phase.VERDICT: "RUN OVER",
    Phase.HOLD: "HOLD",
    Phase.KNOCKED_OFF: "KNOCKED OFF",
    Phase.LANDED: "LANDED",
}
EVENT_WORDS = {
    "on_condition": "on condition",
    "scratch_that": "scratched",
    "knock_it_off": "knock it off",
    "wing_drop_left": "left wing drop",
    "wing_drop_right": "right wing drop",
    "aft_stop": "stick on stop",
    "nose_drop": "nose drop",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ButtonView:
    """A touch target: where it is (`key`), what it says, what it asks for, how it looks."""

    key: str
    label: str
    intent: Intent | None
    role: str = "button"  # button | main | stop
    enabled: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Dot:
    """A call on the strip: place from 0 to 1 (x: oldest to newest, y: slow to fast), label, whether it is sure."""

    x: float
    y: float
    label: str
    sure: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class EventLine:
    """An event on the strip."""

    x: float
    label: str
    stall: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StripView:
    """The calls of the approach falling against time, with the entry-rate band as a polygon of (x, y)."""

    dots: tuple[Dot, ...] = ()
    events: tuple[EventLine, ...] = ()
    band: tuple[tuple[float, float], ...] = ()
    high_label: str = ""
    low_label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlyView:
    """All that is drawn. `banner_role` is one of text, good, again, stop, trouble; `sign` a drawn shape."""

    recording: str
    recording_ok: bool
    level: float
    level_words: str
    place: str
    setup: tuple[tuple[str, bool], ...]  # (words, said otherwise): power, flap, bank
    last: str
    last_note: str
    partial: str
    banner: str
    banner_role: str
    sign: str
    strip: StripView
    main: ButtonView
    buttons: tuple[ButtonView, ...] = field(default=())

    def button(self, key: str) -> ButtonView:
        """The button at a place."""
        return self.main if key == "main" else next(b for b in self.buttons if b.key == key)


def view(snapshot, cue_text: str = "") -> FlyView:
    """What to draw.

    Parameters
    ----------
    cue_text : str
        A cue of the last seconds, shown while nothing more important is.
    """
    state = snapshot.state
    recording, recording_ok = _recording(snapshot)
    level, level_words = _level(snapshot)
    banner, role, sign = _banner(snapshot, cue_text)
    last, note = _last(snapshot.last_call, state.unit)
    return FlyView(
        recording=recording,
        recording_ok=recording_ok,
        level=level,
        level_words=level_words,
        place=_place(state),
        setup=_setup(state),
        last=last,
        last_note=note,
        partial=snapshot.partial,
        banner=banner,
        banner_role=role,
        sign=sign,
        strip=strip_view(snapshot),
        main=_main(state),
        buttons=_buttons(state),
    )


# ---- words -------------------------------------------------------------------------------------------


def clock_words(flight_ns: int) -> str:
    """The flight clock: ``12:05`` or ``1:02:05``."""
    seconds = flight_ns // NS_PER_S
    hours, minutes, seconds = seconds // 3600, seconds // 60 % 60, seconds % 60
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def _recording(snapshot) -> tuple[str, bool]:
    at = clock_words(snapshot.flight_ns)
    if snapshot.microphone_trouble or snapshot.sound is None:
        return f"NO SOUND {at}", False
    if not snapshot.sound.recording:
        return f"NOT RECORDED {at}", False
    return f"REC {at}", True


def _level(snapshot) -> tuple[float, str]:
    sound = snapshot.sound
    if sound is None or snapshot.microphone_trouble:
        return 0.0, "NO MIC"
    low, high = LEVEL_RANGE_DBFS
    level = min(1.0, max(0.0, (sound.level_dbfs - low) / (high - low)))
    if sound.peak >= LOUD_PEAK:
        return level, "TOO LOUD"
    return level, "QUIET" if sound.level_dbfs < QUIET_DBFS else "MIC OK"


def _place(state: FlightState) -> str:
    """Which run of which point on which card: ``A1 run 2/3, card 1/4``."""
    point = state.test_point
    if point is None:
        return "no cards"
    flown = min(state.counted(point.id) + 1, point.runs_wanted)
    return f"{point.id} run {flown}/{point.runs_wanted}, card {state.points.index(point) + 1}/{len(state.points)}"


def _setup(state: FlightState) -> tuple[tuple[str, bool], ...]:
    point = state.test_point
    if point is None:
        return (("NO CARD", False), ("", False), ("", False))
    otherwise = state.contradicted
    return (
        ("IDLE" if point.power == POWER_IDLE else point.power.upper(), "power" in otherwise),
        ("FLAP UP" if point.flap_deg == 0 else f"FLAP {point.flap_deg:g}", "flap" in otherwise),
        (bank_words(point), "bank" in otherwise),
    )


def bank_words(point: TestPoint) -> str:
    """The bank in the fewest words."""
    if not point.bank_deg:
        return "LEVEL"
    return f"BANK {abs(point.bank_deg):g} {'R' if point.bank_deg > 0 else 'L'}"


def _last(call: HeardCall | None, unit: str) -> tuple[str, str]:
    """The last call as the biggest thing, and a note beside it: unit, doubt."""
    if call is None:
        return "-", ""
    if call.kind is CallKind.AIRSPEED:
        value = f"{call.value:g}" if isinstance(call.value, (int, float)) else "?"
        return value, f"{call.unit or unit}{'  unsure' if call.flags and 'unsure' in call.flags else ''}"
    value = call.value
    text = EVENT_WORDS.get(call.name, call.name.replace("_", " "))
    if value is not None:
        text += f" {value:g}" if isinstance(value, (int, float)) else f" {value}"
    return text, call.unit or ""


def _banner(snapshot, cue_text: str) -> tuple[str, str, str]:
    """(words, role, sign), the most important first."""
    state, sound = snapshot.state, snapshot.sound
    if snapshot.unsaved:
        return f"DISK FULL: {snapshot.unsaved} rows wait to be saved", "trouble", "warn"
    if state.phase is Phase.KNOCKED_OFF:
        return "KNOCK IT OFF", "stop", "stop"
    if state.phase is Phase.LANDED:
        return "LANDED: everything is kept", "good", "tick"
    if state.phase is Phase.VERDICT and state.last_run:
        verdict = state.last_run.verdict
        return in_words(verdict), "good" if verdict.counts else "again", "tick" if verdict.counts else "again"
    if state.note_ns is not None:
        return "NOTE: speak", "text", "dot"
    if snapshot.microphone_trouble:
        return f"{_first_upper(_short(snapshot.microphone_trouble))}; cards go on by touch", "trouble", "warn"
    if sound and not sound.recording:
        return "Disk full: sound not recorded, calls are kept", "trouble", "warn"
    if sound and sound.minutes_left is not None:
        return f"Disk: sound for {sound.minutes_left:.0f} more minutes", "trouble", "warn"
    if snapshot.hearing:
        return "Not hearing: sound is recorded, cards go on by touch", "trouble", "warn"
    if cue_text and state.phase not in IN_RUN:
        return cue_text, "text", "dot"
    if state.contradicted:
        return f"Said otherwise than the card: {', '.join(state.contradicted)}", "again", "warn"
    return STEP_WORDS[state.phase], "text", "dot"


def _short(trouble: str) -> str:
    return trouble.split(" (")[0]


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]


# ---- buttons -----------------------------------------------------------------------------------------


def _main(state: FlightState) -> ButtonView:
    label, intent = {
        Phase.ON_CONDITION: ("APPROACH", Intent.APPROACH),
        Phase.APPROACH: ("STALL", Intent.STALL),
        Phase.STALL: ("RECOVERED", Intent.RECOVERED),
        Phase.HOLD: ("END FLIGHT", Intent.LAND),
        Phase.KNOCKED_OFF: ("END FLIGHT", Intent.LAND),
        Phase.LANDED: ("CLOSE", None),
    }.get(state.phase, ("ON CONDITION", Intent.ON_CONDITION))
    return ButtonView(key="main", label=label, intent=intent, role="main")


def _buttons(state: FlightState) -> tuple[ButtonView, ...]:
    flying = state.phase in IN_RUN
    last = state.last_run
    back = last is not None and last.discarded and not state.run and state.phase is not Phase.KNOCKED_OFF
    discard = (
        ButtonView(key="discard", label="KEEP RUN", intent=Intent.REINSTATE)
        if back
        else ButtonView(
            key="discard",
            label="SCRATCH",
            intent=Intent.DISCARD,
            enabled=bool(state.run or (last and not last.discarded)),
        )
    )
    stopped = state.phase in (Phase.HOLD, Phase.KNOCKED_OFF, Phase.LANDED)
    hold = (
        ButtonView(key="hold", label="RESUME", intent=Intent.RESUME)
        if stopped
        else ButtonView(key="hold", label="HOLD", intent=Intent.HOLD)
    )
    again = state.phase is Phase.VERDICT
    can_turn = not state.run and state.phase not in (Phase.KNOCKED_OFF, Phase.LANDED) and bool(state.points)
    recovered = ButtonView(key="back", label="RECOV'D", intent=Intent.RECOVERED)
    previous = ButtonView(
        key="back",
        label="AGAIN" if again else _turned("BACK", state.point_before),
        intent=Intent.AGAIN if again else Intent.PREVIOUS,
        enabled=can_turn,
    )
    return (
        ButtonView(key="stop", label="KNOCK\nIT OFF", intent=Intent.KNOCK_IT_OFF, role="stop"),
        discard,
        recovered if flying else previous,
        hold,
        ButtonView(key="mark", label="MARK", intent=Intent.MARK),
        ButtonView(key="note", label="END\nNOTE" if state.note_ns is not None else "NOTE", intent=Intent.NOTE),
        ButtonView(key="next", label=_turned("NEXT", state.point_after), intent=Intent.NEXT, enabled=can_turn),
    )


def _turned(word: str, point: TestPoint | None) -> str:
    return f"{word}\n{point.id}" if point else word


# ---- the strip -----------------------------------------------------------------------------------------


def strip_view(snapshot) -> StripView:
    """The approach of now, or the last one, as dots from 0 to 1.

    Returns
    -------
    StripView
        Dots, events and the band that the card wants, from the run's first airspeed on.
    """
    state = snapshot.state
    calls, start_ns, end_ns = _strip_calls(snapshot)
    speeds = [(call, _speed_kt(call)) for call in calls if call.kind is CallKind.AIRSPEED]
    speeds = [(call, speed) for call, speed in speeds if speed is not None]
    if not speeds:
        return StripView()
    span_ns = max(STRIP_S * NS_PER_S, end_ns - start_ns)
    fastest, slowest = max(s for _, s in speeds), min(s for _, s in speeds)
    margin = max(2.5, 0.14 * (fastest - slowest))
    high = fastest + margin
    low = min(slowest - margin, high - STRIP_KT)

    def x(at_ns):
        return min(1.0, max(0.0, (at_ns - start_ns) / span_ns))

    def y(speed_kt):
        return min(1.0, max(0.0, (speed_kt - low) / (high - low)))

    dots = tuple(
        Dot(x=x(call.start_ns), y=y(speed), label=f"{call.value:g}", sure="unsure" not in call.flags)
        for call, speed in speeds
    )
    events = tuple(
        EventLine(
            x=x(call.start_ns),
            label=EVENT_WORDS.get(call.name, call.name.replace("_", " ")),
            stall=call.name in STALL_KINDS,
        )
        for call in calls
        if call.kind is CallKind.EVENT and call.name not in ("on_condition", "recovered")
    )
    first, speed0 = speeds[0]
    point = state.test_point
    band = _band(first.start_ns, speed0, point, start_ns, span_ns, x, y, low) if point else ()
    unit = state.unit
    return StripView(
        dots=dots,
        events=events,
        band=band,
        high_label=f"{from_kt(high, unit):.0f}",
        low_label=f"{from_kt(low, unit):.0f}",
    )


def _strip_calls(snapshot) -> tuple[list[HeardCall], int, int]:
    """The calls of the open run, else of the last one while its verdict stands, else the latest ones."""
    state = snapshot.state
    if state.run:
        calls = list(state.run.calls)
    elif state.phase is Phase.VERDICT and state.last_run:
        ids = set(state.last_run.calls)
        calls = [call for call in snapshot.strip if call.id in ids]
    else:
        since_ns = snapshot.flight_ns - round(STRIP_S * NS_PER_S)
        calls = [call for call in snapshot.strip if call.start_ns >= since_ns]
    airspeeds = [call for call in calls if call.kind is CallKind.AIRSPEED]
    start_ns = airspeeds[0].start_ns - NS_PER_S if airspeeds else snapshot.flight_ns
    end_ns = max([call.end_ns for call in calls], default=snapshot.flight_ns)
    calls = [call for call in calls if call.start_ns >= start_ns]
    return calls, start_ns, end_ns + 2 * NS_PER_S


def _band(from_ns, speed_kt, point, start_ns, span_ns, x, y, low) -> tuple[tuple[float, float], ...]:
    """A wedge: where the speed may be if it has fallen at a rate inside the card's band all the time."""
    left_s = (start_ns + span_ns - from_ns) / NS_PER_S

    def until(rate):
        """Where a falling line leaves the strip: at its right edge or at its foot."""
        seconds = min(left_s, (speed_kt - low) / rate)
        return x(from_ns + seconds * NS_PER_S), y(speed_kt - rate * seconds)

    fast, slow = until(point.rate_high_kt_per_s), until(point.rate_low_kt_per_s)
    corner = ((1.0, 0.0),) if fast[1] <= 0.0 and slow[0] >= 1.0 else ()
    return ((x(from_ns), y(speed_kt)), slow, *corner, fast)


def _speed_kt(call: HeardCall) -> float | None:
    return to_kt(float(call.value), call.unit or "kt") if isinstance(call.value, (int, float)) else None
