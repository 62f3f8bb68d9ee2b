"""What the flight screen shows and what its buttons ask for. Pure: a snapshot in, a view out.

The screen never asks for a look: everything on it is also a tone or can be done by voice. The largest word is where the run
is. The last call is labelled with its age, dim in a run, and goes after a while: it must not be read as an airspeed indicator.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from logger_app.domain.stall_events import STALL_KINDS
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import POWER_IDLE, TestPoint
from logger_app.units import NS_PER_S, from_kt, to_kt
from logger_app.workflows.flight_session import IN_RUN, FlightState, Intent, Phase, in_words
from logger_app.workflows.known import NOTHING_KNOWN, Known

STRIP_S = 30.0
STRIP_KT = 18.0  # at least this much of the scale, so that a knot of wander does not fill the strip
# Level of a voice in a headset that the recogniser likes; below and above it the screen says so.
QUIET_DBFS = -45.0
LOUD_PEAK = 32_000
LEVEL_RANGE_DBFS = (-60.0, 0.0)
# The last call is shown bright, fainter and no more, by its age [s] (common practice, no source).
FADES_S = 5.0
FAINT_S = 10.0
GONE_S = 20.0
IN_RUN_ALPHA = 0.45
STEP_WORDS = {
    Phase.SET_UP: "SET UP",
    Phase.ON_CONDITION: "ON\nCONDITION",
    Phase.APPROACH: "APPROACH",
    Phase.STALL: "STALL",
    Phase.VERDICT: "RUN OVER",
    Phase.HOLD: "HOLD",
    Phase.KNOCKED_OFF: "KNOCK IT\nOFF",
    Phase.LANDED: "FLIGHT\nENDED",
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
class FlyContext:
    """What the screen knows besides the flight.

    Heights of the campaign [ft], whether the briefing was read, blank in a run or not, what earlier flights say.
    """

    floor_ft: float | None = None
    entry_min_ft: float | None = None
    briefing: tuple[tuple[str, tuple[str, ...]], ...] = ()
    acknowledged: bool = True
    blank_in_run: bool = False
    known: Known = NOTHING_KNOWN


NO_CONTEXT = FlyContext()


@dataclass(frozen=True, slots=True, kw_only=True)
class FlyView:
    """All that is drawn. `banner_role` is one of text, good, again, stop, trouble; `sign` a drawn shape."""

    recording: str
    recording_ok: bool
    level: float
    level_words: str
    place: str
    setup: tuple[tuple[str, bool], ...]  # (words, called differently): power, flap, bank
    phase: str
    heights: str  # floor and entry, while setting up
    last: str
    last_note: str
    last_alpha: float
    trace_alpha: float  # 0: nothing is drawn
    partial: str
    banner: str
    banner_role: str
    sign: str
    strip: StripView
    buttons: tuple[ButtonView, ...] = field(default=())

    def button(self, key: str) -> ButtonView:
        """The button at a place."""
        return next(b for b in self.buttons if b.key == key)


def view(snapshot, cue_text: str = "", context: FlyContext = NO_CONTEXT) -> FlyView:
    """What to draw.

    Parameters
    ----------
    cue_text : str
        A cue of the last seconds, shown while nothing more important is.
    """
    state = snapshot.state
    recording, recording_ok = _recording(snapshot)
    level, level_words = _level(snapshot)
    banner, role, sign = _banner(snapshot, cue_text, context)
    flying = state.phase in IN_RUN
    hidden = flying and context.blank_in_run
    last, note, alpha = ("", "", 0.0) if hidden else _last(snapshot)
    strip = StripView() if hidden else strip_view(snapshot)
    return FlyView(
        recording=recording,
        recording_ok=recording_ok,
        level=level,
        level_words=level_words,
        place=_place(state),
        setup=_setup(state),
        phase=STEP_WORDS[state.phase],
        heights="" if flying or strip.dots else _heights(state, context),
        last=last,
        last_note=note,
        last_alpha=alpha,
        trace_alpha=0.0 if not strip.dots else IN_RUN_ALPHA if flying else 1.0,
        partial="" if hidden else snapshot.partial,
        banner=banner,
        banner_role=role,
        sign=sign,
        strip=strip,
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
    if snapshot.ended:
        return f"SOUND ENDED {at}", False
    if snapshot.microphone_trouble or snapshot.sound is None:
        return f"NO SOUND {at}", False
    if not snapshot.sound.recording:
        return f"NOT RECORDED {at}", False
    return f"REC {at}", True


def _level(snapshot) -> tuple[float, str]:
    sound = snapshot.sound
    if sound is None or snapshot.microphone_trouble or snapshot.ended:
        return 0.0, "NO MIC"
    low, high = LEVEL_RANGE_DBFS
    level = min(1.0, max(0.0, (sound.level_dbfs - low) / (high - low)))
    if sound.peak >= LOUD_PEAK:
        return level, "TOO LOUD"
    return level, "QUIET" if sound.level_dbfs < QUIET_DBFS else "MIC OK"


def _place(state: FlightState) -> str:
    """Which run of which point on which card: ``A1 run 2/3, card 1/2``."""
    point = state.test_point
    if point is None:
        return "no cards"
    cards = list(dict.fromkeys(one.card for one in state.points))
    flown = min(state.counted(point.id) + 1, point.runs_wanted)
    return f"{point.id} run {flown}/{point.runs_wanted}, card {cards.index(point.card) + 1}/{len(cards)}"


def _heights(state: FlightState, context: FlyContext) -> str:
    """Floor and minimum entry altitude, one a line; empty once the flight has ended."""
    if state.phase is Phase.LANDED:
        return ""
    floor = "not set" if context.floor_ft is None else f"{context.floor_ft:g} ft"
    entry = "not set" if context.entry_min_ft is None else f"{context.entry_min_ft:g} ft"
    return f"Floor {floor}\nMin. entry {entry}".replace(" ", "\u00a0")


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


def _last(snapshot) -> tuple[str, str, float]:
    """The last call, a note beside it (age, doubt), and how bright it is; nothing once it is old."""
    call = snapshot.last_call
    age_s = (snapshot.flight_ns - call.end_ns) / NS_PER_S if call else 0.0
    if call is None or age_s > GONE_S or snapshot.ended:
        return "", "no call yet" if call is None else f"no call for {age_s:.0f} s", 1.0
    alpha = 1.0 if age_s <= FADES_S else 0.7 if age_s <= FAINT_S else 0.45
    note = f"last call, {max(0.0, age_s):.0f} s ago" + (", unsure" if "unsure" in (call.flags or ()) else "")
    if snapshot.state.phase in IN_RUN:
        alpha *= IN_RUN_ALPHA
    return _call_words(call, snapshot.state.unit), note, alpha


def _call_words(call: HeardCall, unit: str) -> str:
    if call.kind is CallKind.AIRSPEED:
        return f"{call.value:g} {call.unit or unit}" if isinstance(call.value, (int, float)) else "?"
    text = EVENT_WORDS.get(call.name, call.name.replace("_", " "))
    if call.value is not None:
        text += f" {call.value:g}" if isinstance(call.value, (int, float)) else f" {call.value}"
    return f"{text} {call.unit or ''}".rstrip()


def _banner(snapshot, cue_text: str, context: FlyContext) -> tuple[str, str, str]:
    """(words, role, sign), the most important first; empty when there is nothing to add to the phase."""
    state, sound = snapshot.state, snapshot.sound
    if snapshot.unsaved:
        return f"DISK FULL: {snapshot.unsaved} rows wait to be saved", "trouble", "warn"
    if state.phase is Phase.KNOCKED_OFF:
        return "Knock it off. RESUME when ready", "stop", "stop"
    if state.phase is Phase.LANDED:
        return "Flight ended. All data saved", "good", "tick"
    if state.phase is Phase.VERDICT and state.last_run:
        verdict = state.last_run.verdict
        return in_words(verdict), "good" if verdict.counts else "again", "tick" if verdict.counts else "again"
    if state.note_ns is not None:
        return "Note: speak", "text", "dot"
    if snapshot.ended:
        return "The recording has ended; nothing is heard any more", "trouble", "warn"
    if snapshot.microphone_trouble:
        return f"{_first_upper(_short(snapshot.microphone_trouble))}; use the buttons", "trouble", "warn"
    if sound and not sound.recording:
        return "Disk full: calls are kept, sound is not", "trouble", "warn"
    if sound and sound.minutes_left is not None:
        return f"Disk: room for {sound.minutes_left:.0f} more minutes of sound", "trouble", "warn"
    if snapshot.hearing:
        return "Not hearing: sound is recorded; use the buttons", "trouble", "warn"
    if state.contradicted:
        return f"You called a different {' and '.join(state.contradicted)} from the card", "again", "warn"
    if cue_text and state.phase not in IN_RUN:
        return cue_text, "text", "dot"
    return context.known.in_words(state) if state.phase is Phase.SET_UP else "", "text", "dot"


def _short(trouble: str) -> str:
    return trouble.split(" (")[0]


def _first_upper(text: str) -> str:
    return text[:1].upper() + text[1:]


# ---- buttons -----------------------------------------------------------------------------------------


# The next step, drawn as the one large button.
NEXT_STEP = {
    Phase.SET_UP: "on_condition",
    Phase.ON_CONDITION: "stall",
    Phase.APPROACH: "stall",
    Phase.STALL: "recovered",
    Phase.VERDICT: "on_condition",
    Phase.HOLD: "hold",
    Phase.KNOCKED_OFF: "hold",
}


def _buttons(state: FlightState) -> tuple[ButtonView, ...]:
    """Each button keeps its place and its meaning; what cannot be done now is drawn as an outline."""
    flying, last = bool(state.run), state.last_run
    stopped = state.phase in (Phase.HOLD, Phase.KNOCKED_OFF, Phase.LANDED)
    back = last is not None and last.discarded and not flying and state.phase is not Phase.KNOCKED_OFF
    scratchable = flying or bool(last and not last.discarded)
    can_turn = not flying and state.phase not in (Phase.KNOCKED_OFF, Phase.LANDED) and len(state.points) > 1
    complete = state.phase is Phase.VERDICT and state.test_point is not None and state.complete(state.test_point)
    main = "next" if complete and can_turn else NEXT_STEP.get(state.phase, "")
    note = "END\nNOTE" if state.note_ns is not None else "NOTE"

    def button(key: str, label: str, intent: Intent | None, enabled: bool = True) -> ButtonView:
        role = "stop" if key == "stop" else "main" if key == main else "button"
        return ButtonView(key=key, label=label, intent=intent, role=role, enabled=enabled)

    return (
        button("stop", "KNOCK\nIT OFF", Intent.KNOCK_IT_OFF),
        button("on_condition", "ON\nCONDITION", Intent.ON_CONDITION, state.phase is not Phase.LANDED),
        button("stall", "STALL", Intent.STALL, flying and state.phase is not Phase.STALL),
        button("recovered", "RECOVERED", Intent.RECOVERED, flying),
        button("discard", *(("KEEP\nRUN", Intent.REINSTATE) if back else ("SCRATCH", Intent.DISCARD, scratchable))),
        button("hold", *(("RESUME", Intent.RESUME) if stopped else ("HOLD", Intent.HOLD))),
        button("next", _turned("NEXT", state.point_after), Intent.NEXT, can_turn),
        button("note", note, Intent.NOTE),
        button("more", "MORE", None),
    )


def _turned(word: str, point: TestPoint | None) -> str:
    return f"{word}\n{point.id}" if point else word


# ---- the panel over the reading area -----------------------------------------------------------------


class Panel(StrEnum):
    """What lies over the reading area; the buttons of a run stay free."""

    NONE = ""
    MORE = "more"
    END = "end"
    HELP = "help"
    CAUTIONS = "cautions"
    LANDED = "landed"


HELP_WORDS = (
    "Say: on condition. Then the airspeeds as you read them.",
    "Say what happens: buffet, break, wing dropping, stick on the stop, recovered.",
    "Between runs: next card, scratch that, mark, note, hold, resume.",
    "Stop at any time: knock it off, or your team's own words.",
    "No touch is needed in a run. This is a recorder, not an instrument.",
    "Keys: O on condition, S stall, R recovered, X scratch, H hold, N next, T note, M more, Esc back.",
)
CAUTION_LINES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelView:
    """A panel: heading, lines, buttons. A button's key says what it does; `intent` what it asks of the flight."""

    heading: str
    lines: tuple[str, ...] = ()
    buttons: tuple[ButtonView, ...] = ()


def panel_shown(wanted: Panel, state: FlightState, context: FlyContext, acknowledged: bool) -> Panel:
    """The panel to draw: none in a run; cautions first, where nobody has read them; the end when the flight has ended."""
    if state.phase is Phase.LANDED:
        return Panel.LANDED
    if state.phase in IN_RUN or state.phase is Phase.KNOCKED_OFF:
        return Panel.NONE
    untouched = state.phase is Phase.SET_UP and not state.runs
    if not acknowledged and untouched and context.briefing:
        return Panel.CAUTIONS
    return wanted if wanted not in (Panel.CAUTIONS, Panel.LANDED) else Panel.NONE


def few(lines: Sequence[str]) -> bool:
    """Whether a part of the briefing holds no more lines than are read with ease."""
    return len(lines) <= CAUTION_LINES


def caution_parts(context: FlyContext, fit: Callable[[Sequence[str]], bool] = few) -> list[list[str]]:
    """The briefing in parts that fit the panel; one line is a part, whether it fits or not."""
    parts: list[list[str]] = [[]]
    for line in (f"{heading.upper()}: {text}" for heading, texts in context.briefing for text in texts):
        if parts[-1] and not fit([*parts[-1], line]):
            parts.append([])
        parts[-1].append(line)
    return parts


def panel_view(
    panel: Panel, state: FlightState, context: FlyContext, part: int = 0, fit: Callable[[Sequence[str]], bool] = few
) -> PanelView | None:
    """What a panel shows, or None without one; of the briefing the part of that number, in parts that `fit`."""

    def button(key: str, label: str, intent: Intent | None = None, role: str = "button", enabled: bool = True):
        return ButtonView(key=key, label=label, intent=intent, role=role, enabled=enabled)

    shut = button("shut", "CARDS")
    if panel is Panel.MORE:
        here = next((k for k, point in enumerate(state.points) if point.id == state.point), 0)
        before = state.points[here - 1] if here else None
        return PanelView(
            heading="More",
            buttons=(
                button("back", _turned("BACK", before), Intent.PREVIOUS, enabled=before is not None and not state.run),
                button("mark", "MARK", Intent.MARK),
                button("palette", "DAY\nNIGHT"),
                button("help", "HELP"),
                button("end", "END\nFLIGHT"),
                shut,
            ),
        )
    if panel is Panel.END:
        end = button("land", "YES, END\nFLIGHT", Intent.LAND, role="stop")
        lines: tuple[str, ...] = ("Recording stops and the flight is closed.",)
        return PanelView(heading="End the flight?", lines=lines, buttons=(shut, end))
    if panel is Panel.HELP:
        return PanelView(heading="What you can say", lines=HELP_WORDS, buttons=(shut,))
    if panel is Panel.CAUTIONS:
        parts = caution_parts(context, fit)
        part = min(part, len(parts) - 1)
        last = part + 1 == len(parts)
        action = (
            button("read", "I HAVE\nREAD IT", role="main") if last else button("more_cautions", "MORE", role="main")
        )
        return PanelView(
            heading=f"Before the first run: {part + 1} of {len(parts)}", lines=tuple(parts[part]), buttons=(action,)
        )
    if panel is Panel.LANDED:
        lines = ("Flight ended. All data saved.", "Next: review the calls.")
        again = button("resume", "RESUME\nFLIGHT", Intent.RESUME)
        return PanelView(heading="Flight ended", lines=lines, buttons=(button("close", "CLOSE", role="main"), again))
    return None


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
    heard = [(call, _speed_kt(call)) for call in calls if call.kind is CallKind.AIRSPEED]
    speeds = [(call, speed) for call, speed in heard if speed is not None]
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
    """The calls of the open run, else of the last one while its verdict is shown, else those from which a run may grow."""
    state = snapshot.state
    if state.run:
        calls = list(state.run.calls)
    elif state.phase is Phase.VERDICT and state.last_run:
        ids = set(state.last_run.calls)
        calls = [call for call in snapshot.strip if call.id in ids]
    else:
        calls = list(state.forming)
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
