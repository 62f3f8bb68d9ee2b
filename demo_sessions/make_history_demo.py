"""Make the demo of a design's history: five generations of an invented aircraft, as transcripts with known truth.

Not run by the program or the tests. Everything is drawn from one seed; a second run gives the same files.

    python demo_sessions/make_history_demo.py       writes heron_fences/inputs/ and heron_fences/expected/truth.json

Per run: a true approach with a wander, the pilot's readings (whole knots, spoken half a second later), the warning, the
stall and its side. Per station of both wings: the ratio to the stall speed at which it first separated. Films are not made
here: the demo draws them from this truth (`logger_app/workflows/drawn_wing.py`).
"""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent / "heron_fences"
SEED = 20_310_904
LAG_S = 0.5  # needle to word, as the campaign's indicator says
FLIGHTS_EACH, RUNS_EACH = 2, 4
FLIGHT_SCATTER_KT, RUN_SCATTER_KT = 0.25, 0.45
# IAS at the stall at 1 kt/s, by configuration and point [kt].
STALL_IAS_KT = {
    "plain": {"A1": 45.6, "A2": 39.4},
    "fence_right": {"A1": 45.2, "A2": 39.2},
    "fences": {"A1": 44.4, "A2": 38.9},
    "fences_strips": {"A1": 44.6, "A2": 39.0},
    "strips": {"A1": 45.5, "A2": 39.5},
}
# How often the left wing, the right wing or neither drops.
DROPS = {
    "plain": (0.15, 0.75, 0.10),
    "fence_right": (0.85, 0.05, 0.10),
    "fences": (0.25, 0.25, 0.50),
    "fences_strips": (0.05, 0.10, 0.85),
    "strips": (0.20, 0.55, 0.25),
}
WARNING_MARGIN_KT = {"plain": 2.0, "fence_right": 2.2, "fences": 2.4, "fences_strips": 5.8, "strips": 5.4}
SPAN_PCT, CHORD_PCT = (15, 30, 45, 60, 75, 90), (20, 60)
# Ratio to the stall speed at which the 20 % row of a station first separates, root to tip; the 60 % row is 0.03 earlier.
PLAIN = (1.03, 1.04, 1.06, 1.09, 1.12, 1.10)
FENCED = (1.03, 1.05, 1.08, 1.07, 1.02, 1.01)
STRIPPED = {15: 1.13, 30: 1.11}
FIRST = {
    "plain": {"left": PLAIN, "right": tuple(r + 0.01 for r in PLAIN)},
    "fence_right": {"left": PLAIN, "right": FENCED},
    "fences": {"left": FENCED, "right": FENCED},
    "fences_strips": {
        side: tuple(STRIPPED.get(span, ratio) for span, ratio in zip(SPAN_PCT, FENCED)) for side in ("left", "right")
    },
    "strips": {
        side: tuple(STRIPPED.get(span, ratio - 0.02) for span, ratio in zip(SPAN_PCT, PLAIN))
        for side in ("left", "right")
    },
}
UNITS = ["zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"]
TENS = ["_", "_", "twenty", "thirty", "forty", "fifty", "sixty", "seventy"]
SETUP = {"A1": ("power idle", "flaps up"), "A2": ("power idle", "flaps thirty")}


def spoken(speed: int, rng) -> str:
    """An airspeed as a pilot says it."""
    tens, ones = divmod(speed, 10)
    words = TENS[tens] if not ones else f"{TENS[tens]} {UNITS[ones]}"
    return rng.choice([words, words, words, f"{UNITS[tens]} {UNITS[ones]}", f"that's {words}", f"now {words}"])


class Flight:
    """One flight being written: its clock, its cues and the truth of its runs."""

    def __init__(self, rng, configuration: str):
        self.rng, self.configuration = rng, configuration
        self.at_s, self.cues, self.runs = 20.0, [], []
        self.day_kt = rng.normal(0, FLIGHT_SCATTER_KT)

    def say(self, at_s: float, words: str) -> float:
        length = 0.25 + 0.28 * len(words.split())
        self.cues.append((round(at_s, 2), round(at_s + length, 2), words))
        return at_s + length

    def fly(self, point: str) -> None:
        rng, configuration = self.rng, self.configuration
        for words in SETUP[point]:
            self.at_s = self.say(self.at_s, words) + 1.5
        self.at_s = self.say(self.at_s + 3.0, "on condition") + 2.0
        rate = float(rng.uniform(0.7, 1.2))
        stall = STALL_IAS_KT[configuration][point] + self.day_kt + rng.normal(0, RUN_SCATTER_KT) - 0.3 * (rate - 1.0)
        begin, start_kt = self.at_s, stall * 1.33
        event_s = begin + (start_kt - stall) / rate
        warned = False
        warning_kt = stall + WARNING_MARGIN_KT[configuration] + rng.normal(0, 0.4)
        at = begin
        while at < event_s - 0.45:
            true_kt = start_kt - rate * (at - begin) + 0.35 * math.sin(at / 2.1)
            if not warned and true_kt <= warning_kt:
                self.say(at + LAG_S, "buffet")
                warned, at = True, at + 0.8
                continue
            self.say(at + LAG_S, spoken(round(true_kt), rng))
            at += float(rng.uniform(0.95, 1.3))
        side = rng.choice(["left", "right", "none"], p=DROPS[configuration])
        words = "break" if side == "none" else f"wing dropping {side}"
        self.at_s = self.say(event_s + LAG_S, words)
        self.at_s = self.say(self.at_s + 3.0, "recovered") + rng.uniform(8, 15)
        number = len(self.runs) + 1
        self.runs.append(
            {
                "number": number,
                "point": point,
                "stall_ias_kt": round(stall, 2),
                "entry_rate_kt_per_s": round(rate, 4),
                "stall_s": round(event_s, 3),
                "drop": str(side),
                "first_ratio": self._first(point),
            }
        )

    def _first(self, point: str) -> dict[str, dict[str, float]]:
        flap = 0.01 if point == "A2" else 0.0
        found: dict[str, dict[str, float]] = {}
        for wing, ratios in FIRST[self.configuration].items():
            found[wing] = {
                f"{span}/{chord}": round(
                    float(max(1.0, ratio + flap + 0.03 * (chord == 60) + self.rng.normal(0, 0.008))), 3
                )
                for span, ratio in zip(SPAN_PCT, ratios)
                for chord in CHORD_PCT
            }
        return found


def main() -> None:
    rng = np.random.default_rng(SEED)
    truth = {"seed": SEED, "stall_ias_kt": STALL_IAS_KT, "flights": []}
    for number, configuration in enumerate(c for c in STALL_IAS_KT for _ in range(FLIGHTS_EACH)):
        name = f"flight_{number + 1:02d}_{configuration}"
        flight = Flight(rng, configuration)
        for point in ("A1", "A2"):
            for _ in range(RUNS_EACH):
                flight.fly(point)
        write(HERE / "inputs" / "transcripts" / f"{name}.csv", ("start_s", "end_s", "words"), flight.cues)
        filmed = number % FLIGHTS_EACH == 0
        truth["flights"].append({"flight": name, "configuration": configuration, "filmed": filmed, "runs": flight.runs})
    (HERE / "expected" / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def write(path: Path, head, rows) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as out:
        csv.writer(out, lineterminator="\n").writerows([head, *rows])


if __name__ == "__main__":
    main()
