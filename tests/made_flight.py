"""A made flight of 40 runs and about 400 airspeed calls, with 40 known errors planted in it.

Invented data. The errors are those that recognisers make: teens for tens, another decade, digits
that sound alike, a neighbouring digit, dropped calls, invented calls. Posteriors are drawn
*calibrated*: first every call gets a posterior as a recogniser in noise would give it, then the
wrong ones are chosen with chances in proportion to ``1 - posterior``. Nothing else tells a wrong
call from a right one. Imported by the tests that need it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from logger_app.records.calls import Alternative, CallKind, HeardCall

SOUND_ALIKE = {5: 9, 9: 5, 6: 3, 3: 6, 7: 1, 1: 7, 4: 8, 8: 4, 2: 3, 0: 8}
KINDS = ("teen", "decade", "alike", "neighbour", "dropped", "invented")


@dataclass(frozen=True)
class MadeFlight:
    """`truth` gives the right value of each heard airspeed (None: nobody said it)."""

    calls: tuple[HeardCall, ...]
    truth: dict[str, float | None]
    dropped: tuple[tuple[float, float], ...]
    wrong: dict[str, str]
    duration_s: float


def heard(id, at_s, kind, name, value=None, posterior=0.99, alternatives=()):
    start_ns = round(at_s * 1e9)
    return HeardCall(
        id=id,
        start_ns=start_ns,
        end_ns=start_ns + 550_000_000,
        kind=kind,
        name=name,
        value=value,
        unit="kt" if kind is CallKind.AIRSPEED else None,
        words=f"{name.replace('_', ' ')} {'' if value is None else value}".strip() if name != "ias" else f"{value:g}",
        posterior=float(posterior),
        alternatives=tuple(alternatives),
        engine="made",
        pack="en",
    )


def spoken_runs(runs, setting=(("flap", 0.0), ("power", "idle"))):
    """Calls of runs a minute apart, each given by its airspeeds: set up, on condition, the approach, break, recovered."""
    calls = []

    def say(at_s, kind, name, value=None):
        call = heard(f"call-{at_s:06.1f}", at_s, kind, name, value)
        calls.append(replace(call, unit="kt" if kind is CallKind.AIRSPEED else None))

    for k, values in enumerate(runs):
        begin_s = 20.0 + 60 * k
        for j, (name, value) in enumerate(setting):
            say(begin_s - 5 + j, CallKind.SETTING, name, value)
        say(begin_s - 2, CallKind.COMMAND, "on_condition")
        for j, value in enumerate(values):
            say(begin_s + 1.4 * j, CallKind.AIRSPEED, "ias", float(value))
        say(begin_s + 1.4 * len(values), CallKind.EVENT, "break")
        say(begin_s + 1.4 * len(values) + 4, CallKind.EVENT, "recovered")
    return calls


def mistaken(value: float, how: str, rng) -> float:
    """What a recogniser makes of a spoken airspeed."""
    tens, ones = divmod(int(value), 10)
    if how == "teen":  # "fifty" heard as "fifteen", "forty six" as "fourteen six": 14
        return float(10 + tens)
    if how == "decade":
        return float(10 * (tens + rng.choice([-1, 1])) + ones)
    if how == "alike":
        return float(10 * tens + SOUND_ALIKE[ones])
    return float(value + rng.choice([-1, 1]))


def make_flight(seed: int = 1, runs: int = 40, errors: int = 40) -> MadeFlight:
    """The flight; `errors` are shared out evenly over the kinds."""
    rng = np.random.default_rng(seed)
    said, others, at_s = [], [], 20.0
    for run in range(runs):
        others.append((at_s, CallKind.SETTING, "flap", float(run % 2) * 15))
        others.append((at_s + 1.5, CallKind.SETTING, "power", "idle"))
        others.append((at_s + 3, CallKind.COMMAND, "on_condition", None))
        stall_kt, rate = 46.0 - 3 * (run % 2) + rng.normal(0, 0.5), rng.uniform(0.7, 1.3)
        wander = rng.normal(0, 0.5)
        begin_s = at_s + 8
        end_s = begin_s + (0.25 * stall_kt) / rate
        now_s = begin_s
        while now_s < end_s:
            wander = 0.7 * wander + rng.normal(0, 0.4)
            true_kt = stall_kt + rate * (end_s - now_s) + wander
            said.append((now_s, float(round(true_kt)), run))
            now_s += float(np.clip(rng.normal(1.15, 0.18), 0.75, 1.8))
        others.append((end_s + 0.2, CallKind.EVENT, "break", None))
        others.append((end_s + 4, CallKind.EVENT, "recovered", None))
        at_s = end_s + 30
    order = _posteriors(len(said), rng)
    per_kind = np.bincount(np.arange(errors) % len(KINDS), minlength=len(KINDS))
    how_many = dict(zip(KINDS, per_kind.tolist(), strict=True))
    substituted = sum(how_many[kind] for kind in KINDS[:4])
    weights = (1 - order) / (1 - order).sum()
    picked = rng.choice(len(said), substituted + how_many["dropped"], replace=False, p=weights)
    kinds = [kind for kind in KINDS[:5] for _ in range(how_many[kind])]
    fate = dict(zip(picked.tolist(), kinds, strict=True))
    drafts, dropped = [], []
    for k, (when_s, value, _) in enumerate(said):
        how = fate.get(k)
        if how == "dropped":
            dropped.append((when_s, value))
            continue
        reading = mistaken(value, how, rng) if how else value
        if how and reading == value:
            reading = value + 10
        # What a right call could have been mistaken for is drawn as the mistakes themselves are.
        rival = value if how else mistaken(value, KINDS[int(rng.integers(4))], rng)
        drafts.append((when_s, reading, value, how, float(order[k]), rival))
    for _ in range(how_many["invented"]):  # chatter heard as a number, in an approach
        k = int(rng.integers(len(said) - 1))
        when_s = said[k][0] + 0.5 * (said[k + 1][0] - said[k][0])
        drafts.append((when_s, float(rng.integers(20, 90)), None, "invented", float(rng.uniform(0.3, 0.9)), None))
    return _numbered(drafts, others, tuple(dropped), at_s)


def _posteriors(n: int, rng) -> np.ndarray:
    """As a recogniser gives them in a cockpit: most calls sure, a tail of doubtful ones."""
    sure = 1 - rng.beta(0.6, 40, n)
    doubtful = rng.uniform(0.3, 0.97, n)
    return np.where(rng.random(n) < 0.13, doubtful, sure)


def _numbered(drafts, others, dropped, duration_s) -> MadeFlight:
    calls, truth, wrong = [], {}, {}
    items = [(d[0], d) for d in drafts] + [(o[0], o) for o in others]
    for number, (_, item) in enumerate(sorted(items, key=lambda pair: pair[0]), 1):
        id = f"call-{number:04d}"
        if isinstance(item[1], CallKind):
            calls.append(heard(id, *item))
            continue
        when_s, reading, value, how, posterior, rival = item
        alternatives = []
        if rival is not None:
            share = (1 - posterior) * 0.6
            alternatives.append(Alternative(kind=CallKind.AIRSPEED, name="ias", value=rival, posterior=share))
        calls.append(heard(id, when_s, CallKind.AIRSPEED, "ias", reading, posterior, alternatives))
        truth[id] = value
        if how:
            wrong[id] = how
    return MadeFlight(tuple(calls), truth, dropped, wrong, duration_s)
