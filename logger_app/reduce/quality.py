"""A run counts if ...: every rule, stated once. The pilot can overrule all but the last group.

`rules` is the list that the report prints. A rule that excludes gives a reason; a caveat leaves
the run in and says something beside its figure. Overruling is a row in the journal, seen here
as `Run.overruled`. Sources: 14 CFR 23.201 [CFR23.201]; the rest is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger_app.domain.approach import LONGEST_GAP_S, MAX_BELOW_LAST_CALL_KT, MIN_CALLS
from logger_app.records.plan import TestPoint
from logger_app.records.runs import Run, RunEnd, StallEvent
from logger_app.reduce.stall_speed import RunStall
from logger_app.units import from_kt, speed_text

SLOWEST_RATE_KT_PER_S = 0.1
LARGEST_U_KT = 2.0
# The other way round the approach turned up at its end: a caveat.
MAX_ABOVE_LAST_CALL_KT = 2.5
# 14 CFR 23.201(b): start at least 10 kt above the stall [CFR23.201].
START_ABOVE_STALL_KT = 10.0
# 14 CFR 23.203(a)(1): a turning-flight stall is entered at not more than 1 kt/s [CFR23.203].
TURNING_RATE_KT_PER_S = 1.0
LEVEL_WITHIN_DEG = 5.0
# The trim speed of a card is where the approach begins: called from farther above it than this, the aeroplane was
# trimmed for another speed, or not yet. A first call below it says nothing: pilots trim, then begin to call. Ours.
TRIM_WITHIN_KT = 5.0
# Below this share of the stall that the plan expects the calls are misheard, or the plan is wrong: flaps, weight and
# power together change a stall speed by less. Ours.
MIN_SHARE_OF_EXPECTED = 0.5


def rules(unit: str = "kt") -> tuple[tuple[str, str, str], ...]:
    """(name, effect, rule): what the report prints under "a run counts if", speeds in the pilot's unit."""

    def text(speed_kt: float) -> str:
        return speed_text(speed_kt, unit, ".2g")

    return (
        ("discarded", "excluded", "the pilot discarded it (scratch that) or it was knocked off"),
        ("no event", "excluded", "no stall event was called: its lowest speed is not a stall speed"),
        ("too few calls", "excluded", f"fewer than {MIN_CALLS} airspeeds were called before the event"),
        ("late silence", "excluded", f"the last usable call came more than {LONGEST_GAP_S:g} s before the event"),
        ("not slowing", "excluded", f"the calls do not fall by at least {text(SLOWEST_RATE_KT_PER_S)}/s"),
        ("entry rate", "excluded", "the entry rate is clearly outside the card's band (by more than its uncertainty)"),
        ("too uncertain", "excluded", f"the stall speed's standard uncertainty is above {text(LARGEST_U_KT)}"),
        (
            "wrong decade",
            "excluded",
            "a decade of its airspeeds may have been heard wrongly all through: settle it in review",
        ),
        ("no test point", "left out", "it fits no test point, or its configuration is not known (assign it in review)"),
        ("no speed", "left out", "no usable airspeed was called"),
        (
            "time shared",
            "left out",
            "two parts of the flight have the same times there: the clock went back at a restart",
        ),
        (
            "short entry",
            "caveat",
            f"the approach was called from less than {text(START_ABOVE_STALL_KT)} above the stall",
        ),
        (
            "extrapolated",
            "excluded",
            f"the fit lies more than {text(MAX_BELOW_LAST_CALL_KT)} below the last call, and no speed was called at the "
            "stall, nor does a trace or a person confirm it",
        ),
        (
            "fell on",
            "excluded",
            f"too few calls for a fit, and the speed fell by more than {text(MAX_BELOW_LAST_CALL_KT)} between the "
            "call used and the event",
        ),
        (
            "far below plan",
            "excluded",
            f"the stall speed is below {100 * MIN_SHARE_OF_EXPECTED:.0f} % of the one that the plan expects",
        ),
        (
            "trim speed",
            "caveat",
            f"the first airspeed called is more than {text(TRIM_WITHIN_KT)} above the trim speed on the card",
        ),
        ("read beyond", "caveat", f"the fit lies more than {text(MAX_ABOVE_LAST_CALL_KT)} above the last call used"),
        ("turning entry", "caveat", f"a banked run was entered at clearly more than {text(TURNING_RATE_KT_PER_S)}/s"),
        ("altitude", "caveat", "the altitude called is outside the card's band"),
        ("interrupted", "caveat", "the recording or the calls broke off during the run"),
    )


RULES = rules()


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Whether a run counts, the reasons if not, and the caveats that stand beside it.

    `too_far_only`: it does not count for one reason alone, a stall read too far below the last call.
    """

    counts: bool
    why: tuple[str, ...]
    caveats: tuple[str, ...]
    too_far_only: bool = False


def judge(
    run: Run,
    stall: RunStall,
    point: TestPoint | None,
    configuration: str | None,
    trace_ias_kt: float | None = None,
    unit: str = "kt",
    expected_ias_kt: float | None = None,
) -> Verdict:
    """Apply every rule to a run.

    Parameters
    ----------
    point : TestPoint or None
        The test point that it was flown for.
    trace_ias_kt : float, optional
        Indicated airspeed that a recorder shows at the event [kt].
    unit : str
        What the reasons give speeds in.
    expected_ias_kt : float, optional
        Indicated stall speed that the plan expects there; None where it expects none [kt].

    Returns
    -------
    Verdict
        All reasons at once; `RULES` states them.

    References
    ----------
    [CFR23.201] (b); [CP] the rest.
    """
    excluded = [
        *_discarded(run),
        *_event_and_calls(stall),
        *_figures(stall, point, unit),
        *_too_far(stall, trace_ias_kt, unit),
        *_fell_on(stall, trace_ias_kt, unit),
        *_far_below_plan(stall, expected_ias_kt, unit),
    ]
    if run.decade_doubt:
        excluded.append(f"{run.decade_doubt}; settle it in the review")
    left_out = []
    if point is None:
        left_out.append(run.why_no_point or f"test point {run.point!r} is not in the campaign")
    if configuration is None:
        left_out.append("the flight's configuration is not known")
    if stall.ias_kt is None:
        left_out.append("no usable airspeed was called")
    if run.clock_fault:
        left_out.append(run.clock_fault)
    caveats = _caveats(run, stall, point, unit)
    if trace_ias_kt is not None and not _too_far(stall, trace_ias_kt, unit) and (far := _too_far(stall, None, unit)):
        caveats.append(f"{far[0]}; it counts because a trace shows {speed_text(trace_ias_kt, unit)} at the event")
    counts = not excluded
    if run.overruled is not None and run.overruled != counts:
        counts = run.overruled
        said = "; ".join(excluded) or "no rule excluded it"
        caveats.append(f"the pilot overruled: the run {'counts' if counts else 'does not count'} although {said}")
        excluded = [] if counts else ["the pilot overruled: it does not count"]
    far = _too_far(stall, trace_ias_kt, unit)
    return Verdict(
        counts=counts and not left_out,
        why=tuple(excluded + left_out),
        caveats=tuple(caveats),
        too_far_only=bool(far) and far == excluded + left_out,
    )


def _discarded(run: Run) -> list[str]:
    return [f"discarded: {run.why_discarded or 'by the pilot'}"] if run.discarded else []


def _event_and_calls(stall: RunStall) -> list[str]:
    if stall.event is StallEvent.NOT_REACHED:
        return ["no stall event was called: its lowest speed is not a stall speed"]
    why = []
    if stall.calls_before < MIN_CALLS:
        why.append(f"{stall.calls_before} airspeed(s) called before the event; needs {MIN_CALLS}")
    elif stall.last_call_gap_s is not None and stall.last_call_gap_s > LONGEST_GAP_S:
        why.append(f"last usable call {stall.last_call_gap_s:.1f} s before the event; at most {LONGEST_GAP_S:g} s")
    return why


def _figures(stall: RunStall, point: TestPoint | None, unit: str) -> list[str]:
    why = []
    rate, u = stall.rate_kt_per_s, stall.rate_u_kt_per_s or 0.0
    if stall.event is not StallEvent.NOT_REACHED and rate is not None:
        if rate < SLOWEST_RATE_KT_PER_S:
            why.append(f"the calls do not fall (entry rate {speed_text(rate, unit, '.2f')}/s): no approach to a stall")
        elif point and (rate + u < point.rate_low_kt_per_s or rate - u > point.rate_high_kt_per_s):
            band = (
                f"{from_kt(point.rate_low_kt_per_s, unit):.3g} to {speed_text(point.rate_high_kt_per_s, unit, '.3g')}/s"
            )
            why.append(f"entry rate {speed_text(rate, unit, '.2f')}/s; the card asks for {band}")
    if stall.ias_u_kt is not None and stall.ias_u_kt > LARGEST_U_KT:
        why.append(
            f"stall speed known to {speed_text(stall.ias_u_kt, unit)} only; at most {speed_text(LARGEST_U_KT, unit, '.2g')}"
        )
    return why


def _too_far(stall: RunStall, trace_ias_kt: float | None, unit: str) -> list[str]:
    """A stall speed read far below the last call, with nothing that confirms it."""
    if stall.method != "fit" or stall.last_call_ias_kt is None or stall.ias_kt is None:
        return []
    below_kt = stall.last_call_ias_kt - stall.ias_kt
    seen = trace_ias_kt is not None and abs(trace_ias_kt - stall.ias_kt) <= MAX_BELOW_LAST_CALL_KT
    if below_kt <= MAX_BELOW_LAST_CALL_KT or seen:
        return []
    most = speed_text(MAX_BELOW_LAST_CALL_KT, unit, ".2g")
    return [f"the stall speed lies {speed_text(below_kt, unit)} below the last call; at most {most}"]


def _fell_on(stall: RunStall, trace_ias_kt: float | None, unit: str) -> list[str]:
    """A single call in place of a fit, with the airspeed falling on from it to the event."""
    if stall.method != "lowest" or stall.event is StallEvent.NOT_REACHED or len(stall.used) != 1:
        return []
    rate, gap_s = stall.rate_kt_per_s, stall.last_call_gap_s
    if stall.ias_kt is None or rate is None or gap_s is None or rate * gap_s <= MAX_BELOW_LAST_CALL_KT:
        return []
    if trace_ias_kt is not None and abs(trace_ias_kt - stall.ias_kt) <= MAX_BELOW_LAST_CALL_KT:
        return []
    fell, most = speed_text(rate * gap_s, unit, ".0f"), speed_text(MAX_BELOW_LAST_CALL_KT, unit, ".2g")
    return [
        f"the airspeed fell on by about {fell} in the {gap_s:.1f} s from the call used to the event; at most {most}"
    ]


def _far_below_plan(stall: RunStall, expected_ias_kt: float | None, unit: str) -> list[str]:
    """A stall speed that no aircraft of this plan has, whatever its calls say and whoever confirmed them."""
    if stall.ias_kt is None or expected_ias_kt is None or stall.ias_kt >= MIN_SHARE_OF_EXPECTED * expected_ias_kt:
        return []
    got, planned = speed_text(stall.ias_kt, unit, ".0f"), speed_text(expected_ias_kt, unit, ".0f")
    return [f"a stall at {got} where the plan expects {planned}: are its last calls right?"]


def _caveats(run: Run, stall: RunStall, point: TestPoint | None, unit: str) -> list[str]:
    caveats = []
    if stall.start_ias_kt is not None and stall.ias_kt is not None:
        above = stall.start_ias_kt - stall.ias_kt
        if above < START_ABOVE_STALL_KT:
            caveats.append(
                f"called from {speed_text(above, unit, '.0f')} above the stall; 14 CFR 23.201(b) begins at least 10 kt above"
            )
    if point and point.trim_ias_kt is not None and stall.start_ias_kt is not None:
        off_kt = stall.start_ias_kt - point.trim_ias_kt
        if off_kt > TRIM_WITHIN_KT:
            begun, trim = speed_text(stall.start_ias_kt, unit, ".0f"), speed_text(point.trim_ias_kt, unit, ".0f")
            caveats.append(f"the first airspeed called is {begun}; the card begins trimmed at {trim}")
    if stall.method == "fit" and stall.last_call_ias_kt is not None and stall.ias_kt is not None:
        above_kt = stall.ias_kt - stall.last_call_ias_kt
        if above_kt > MAX_ABOVE_LAST_CALL_KT:
            caveats.append(f"the fitted speed lies {speed_text(above_kt, unit)} above the last call used")
    rate, u = stall.rate_kt_per_s, stall.rate_u_kt_per_s or 0.0
    if point and abs(point.bank_deg) > LEVEL_WITHIN_DEG and rate is not None and rate - u > TURNING_RATE_KT_PER_S:
        caveats.append(f"turning stall entered at {speed_text(rate, unit)}/s; 14 CFR 23.203(a)(1) says at most 1 kt/s")
    altitude = stall.altitude_ft
    if point and altitude is not None:
        low, high = point.altitude_low_ft, point.altitude_high_ft
        if (low is not None and altitude < low) or (high is not None and altitude > high):
            caveats.append(f"altitude {altitude:.0f} ft is outside the card's band")
    if run.ended is RunEnd.GAP:
        caveats.append("the recording or the calls broke off during this run")
    return caveats
