"""How well the reader of sequences does on simulated N-best lists. Prints a table; asserts nothing.

    python tests/bench/sequence.py [--runs N] [--json]

Each number's words are points in a space where words that sound alike lie near each other (13/30,
5/9, 3/2, ...); a "sound" is its point plus noise, so the N-best posteriors are exactly those that an
ideal engine would give, cut to five. `sharp` makes the engine more certain than it ought to be. The
approaches wander, rates differ, calls drop out, talk is taken for calls, last digits are said alone.
"""

from __future__ import annotations

import argparse
import json
import sys

import numpy as np

from logger_app.hear.sequence import SequenceReader, read_sequence
from logger_app.records.calls import Alternative, CallKind, Flag, HeardCall
from logger_app.units import s_to_ns

LOW, HIGH = 30, 100
LOOK = {Flag.UNSURE, Flag.IMPLAUSIBLE, Flag.SOUNDS_LIKE, Flag.OUT_OF_RANGE, Flag.NO_DECADE, Flag.DISAGREE}
DIM = 24


def points(rng) -> tuple[np.ndarray, np.ndarray]:
    """Values (digits alone are 1 to 9) and where their sounds lie, shape (n, DIM)."""
    digit = rng.normal(0, 1, (10, DIM))
    for a, b, pull in ((9, 5, 0.5), (3, 2, 0.6), (6, 2, 0.35), (4, 5, 0.3), (1, 9, 0.25)):
        digit[a] = (1 - pull) * digit[a] + pull * digit[b]
    tens = rng.normal(0, 1, (11, DIM)) * 1.1
    tens[6] = 0.7 * tens[6] + 0.3 * tens[7]
    ty = rng.normal(0, 0.5, DIM)
    values = np.array([*range(1, 10), *range(LOW, HIGH + 1)])
    where = []
    for value in values:
        if value <= 9:
            where.append(digit[value])
        elif value % 10 == 0:
            where.append(tens[value // 10] + ty)
        else:
            where.append(tens[value // 10] + digit[value % 10])
    return values, np.array(where)


def flight(rng, runs: int, rough: float = 0.3):
    """Times, true values and kinds of one flight: ('ias', t, value, shorthand) or (name, t, None, False)."""
    said, t = [], 3.0
    for _ in range(runs):
        stall = rng.uniform(38, 62)
        rate = rng.uniform(0.5, 2.0)
        speed0 = stall + rng.uniform(11, 17)
        said.append(("on_condition", t, None, False))
        t += rng.uniform(1.5, 4)
        began, wander = t, 0.0
        previous = None
        while True:
            wander = 0.8 * wander + rng.normal(0, rough)
            value = int(round(speed0 - rate * (t - began) + wander))
            if value <= stall:
                break
            short = previous is not None and previous // 10 == value // 10 and value % 10 and rng.random() < 0.12
            said.append(("ias", t, value, bool(short)))
            previous = value
            t += rng.uniform(0.8, 2.2)
        for _ in range(rng.integers(0, 4)):  # wandering at the stall
            value = int(round(stall + rng.normal(0, 2 * rough)))
            said.append(("ias", t, value, False))
            t += rng.uniform(0.8, 1.8)
        said.append(("break", t, None, False))
        broke, gain = t, rng.uniform(1.5, 4.0)
        t += rng.uniform(1, 2.5)
        for _ in range(rng.integers(0, 3)):  # called on the way up
            said.append(("ias", t, int(round(stall - 1 + gain * (t - broke) + rng.normal(0, 0.7))), False))
            t += rng.uniform(1, 2)
        said.append(("recovered", t, None, False))
        t += rng.uniform(15, 60)
    return said


def hear(rng, said, values, where, noise: float, sharp: float):
    """N-best calls for what was said; (call, truth) pairs, truth None for talk taken for a call."""
    heard = []
    for kind, t, value, short in said:
        if kind != "ias":
            heard.append(
                (
                    HeardCall(
                        id=f"e{len(heard)}",
                        start_ns=s_to_ns(t),
                        end_ns=s_to_ns(t + 0.5),
                        kind=CallKind.EVENT,
                        name=kind,
                    ),
                    None,
                )
            )
            continue
        if rng.random() < 0.04:
            continue
        heard.append((nbest(rng, len(heard), t, value % 10 if short else value, values, where, noise, sharp), value))
        if rng.random() < 0.01:
            talk = int(rng.choice(values))
            heard.append((nbest(rng, len(heard), t + 0.6, talk, values, where, noise, sharp), None))
    return heard


def nbest(rng, k, t, value, values, where, noise, sharp) -> HeardCall:
    sound = where[np.flatnonzero(values == value)[0]] + rng.normal(0, noise, DIM)
    score = -sharp * ((sound - where) ** 2).sum(axis=1) / (2 * noise**2)
    share = np.exp(score - score.max())
    share /= share.sum()
    order = np.argsort(-share)[:5]
    rivals = tuple(
        Alternative(kind=CallKind.AIRSPEED, name="ias", value=float(values[j]), posterior=float(share[j]))
        for j in order
    )
    return HeardCall(
        id=f"c{k}",
        start_ns=s_to_ns(t),
        end_ns=s_to_ns(t + 0.6),
        kind=CallKind.AIRSPEED,
        name="ias",
        value=rivals[0].value,
        unit="kt",
        posterior=min(1.0, rivals[0].posterior),
        alternatives=rivals,
        flags=(Flag.SHORTHAND,) if rivals[0].value <= 9 else (),
    )


def measure(noise: float, rough: float, sharp: float, runs: int, seed: int, causal: bool) -> dict:
    """One row of the table."""
    rng = np.random.default_rng(seed)
    n = right = fixed = far = silent = flagged = sure = sure_right = invented = 0
    for _ in range(max(1, runs // 8)):
        values, where = points(rng)
        heard = hear(rng, flight(rng, 8, rough), values, where, noise, sharp)
        calls = [call for call, _ in heard]
        if causal:
            reader = SequenceReader(unit="kt", low=LOW, high=HIGH)
            read = [reader.read(call) for call in sorted(calls, key=lambda c: c.start_ns)]
        else:
            read = read_sequence(calls, unit="kt", low=LOW, high=HIGH)
        truth = {call.id: value for call, value in heard}
        for call in read:
            if call.kind is not CallKind.AIRSPEED:
                continue
            value, look = truth[call.id], bool(LOOK & set(call.flags))
            if value is None:
                invented += 1
                silent += not look
                continue
            n += 1
            ok = call.value == value
            right += ok
            proposed = call.proposed if call.proposed is not None else call.value
            fixed += proposed == value
            far += abs(proposed - value) > 1
            silent += not ok and not look
            flagged += ok and look
            sure += call.posterior >= 0.9
            sure_right += call.posterior >= 0.9 and ok
    return {
        "noise": noise,
        "rough": rough,
        "sharp": sharp,
        "causal": causal,
        "n": n,
        "heard_right_pct": 100 * right / n,
        "proposed_right_pct": 100 * fixed / n,
        "proposed_off_by_more_than_1_pct": 100 * far / n,
        "silent_wrong_pct": 100 * silent / (n + invented),
        "flagged_right_pct": 100 * flagged / max(1, right),
        "sure_right_pct": 100 * sure_right / max(1, sure),
        "sure_share_pct": 100 * sure / n,
        "talk": invented,
    }


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=240)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    cases = [(noise, rough, 1.0) for noise in (0.7, 1.1, 1.3) for rough in (0.2, 0.5)] + [(1.1, 0.2, 1.4)]
    rows = [measure(*case, args.runs, 7, causal) for case in cases for causal in (False, True)]
    if args.json:
        json.dump({"rows": rows}, sys.stdout, indent=1)
        return 0
    print(
        "noise rough sharp causal     n  heard  proposed  >1 off  wrong unflagged  right flagged  >=0.9 right (share)  talk"
    )
    for r in rows:
        print(
            f"{r['noise']:5.2f} {r['rough']:5.1f} {r['sharp']:5.1f} {r['causal']!s:6} {r['n']:5d} {r['heard_right_pct']:6.1f} {r['proposed_right_pct']:9.1f}"
            f" {r['proposed_off_by_more_than_1_pct']:7.1f}"
            f" {r['silent_wrong_pct']:15.2f} {r['flagged_right_pct']:14.1f} {r['sure_right_pct']:13.1f} ({r['sure_share_pct']:.0f} %) {r['talk']:6d}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
