"""How many keys and touches it takes to mark three runs of two sides at four stops, with the assist's errors corrected.

The assist errs here as often as `tests/bench/tufts.py` measured on a kind of drawing that it was not fitted on. A stroke of the
finger along a row is one touch, as is a tap.
"""

from dataclasses import replace

import numpy as np
import pytest

from logger_app.domain.tuft_grid import Grid, places
from logger_app.domain.tufts import STATES, TuftMark, in_force
from logger_app.records.compare import Shown, SideFacts
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.ui.presenters import compare as p
from logger_app.ui.presenters.compare_state import Propose, TurnRun, begin, marks_here, wanted

RIGHT, DECLINED = 0.976, 0.084  # measured; of what was said, and of all looks
GRID = Grid(
    camera="wing",
    corners=((0.1, 0.2), (0.9, 0.2), (0.9, 0.8), (0.1, 0.8)),
    span_pct=tuple(6 + 12.5 * k for k in range(8)),
    chord_pct=(20.0, 50.0, 80.0),
)
RUNS = 3


def side(name, vs_kt, event_s, number):
    curve = tuple((event_s - back, vs_kt + back) for back in range(14, -1, -1))
    result = StallSpeed(
        run=f"{name}-{number}", run_number=number, flight=name, configuration=name, point="A1", event=next(iter(StallEvent)),
        method="fit", counts=True, vs_ias_kt=vs_kt, event_flight_s=event_s, curve=curve, entry_rate_kt_per_s=1.0,
    )  # fmt: skip
    return SideFacts(configuration=name, name=name, flight=name, run_number=number, result=result, event_s=event_s)


class Person:
    """Looks at each stop, corrects what is wrong, takes the rest; counts what the hands do."""

    def __init__(self, rng, right):
        self.rng, self.right, self.hands, self.run = rng, right, 0, 0
        self.truth, self.open_run = {}, None
        self.begin()

    def begin(self):
        sides = [
            side("baseline", 50, 100.0 * (self.run + 1), self.run + 1),
            side("cuffs", 46, 100.0 * (self.run + 1), self.run + 1),
        ]
        self.state = begin(sides, "kt", "ann", {(k, "wing"): GRID for k in (0, 1)})
        self.state = replace(self.state, at=1.2) if self.run else self.state
        self.show()

    def show(self):
        shown = tuple(
            Shown(camera="wing", pts=round(at * 1000), flight_s=at, aspect=1.5) for at, _ in wanted(self.state)
        )
        self.state = replace(self.state, shown=shown)

    def press(self, *keys, touch=False):
        """Keys count one each; the parts of a touch count one together."""
        self.hands += 1 if touch else len(keys)
        for key in keys:
            self.state, effects = p.update(self.state, key)
            self.show()
            for effect in effects:
                if isinstance(effect, Propose):
                    for at in effect.flight_s:
                        self.propose(effect.side, at)
                elif isinstance(effect, TurnRun):
                    self.finish()

    def finish(self):
        for k in (0, 1):
            self.check(k)
        self.run += 1
        if self.run < RUNS:
            self.begin()

    def check(self, k):
        for mark in in_force(self.state.marks[k]):
            assert not mark.proposed and mark.state is self.true_states(k, mark.flight_ns / 1e9)[mark.station]

    def true_states(self, k, at_s):
        """Separation spreads from the root's trailing edge outboard and forward as the speed falls; never twice the same."""
        key = (self.run, k, round(at_s, 3))
        if key not in self.truth:
            gone = 1 - (self.state.sides[k].event_s - at_s) / 10 + self.rng.normal(0, 0.05)
            level = {s.id: gone - s.span_pct / 100 - 0.6 * (1 - s.chord_pct / 100) + 0.2 for s in GRID.stations()}
            self.truth[key] = {name: STATES[int(np.clip(v / 0.3 + 1, 0, 3))] for name, v in level.items()}
        return self.truth[key]

    def propose(self, k, at_s):
        marks = []
        for name, state in self.true_states(k, at_s).items():
            if self.rng.random() < DECLINED:
                continue
            said = (
                state if self.rng.random() < self.right else STATES[(STATES.index(state) + self.rng.choice((1, 3))) % 4]
            )
            marks.append(
                TuftMark(
                    flight_ns=round(at_s * 1e9),
                    camera="wing",
                    frame_pts=round(at_s * 1000),
                    station=name,
                    state=said,
                    who="assist",
                    proposed=True,
                    confidence=0.8,
                    run=self.state.sides[k].result.run,
                )  # fmt: skip
            )
        self.state = p.written(self.state, k, marks, "")

    def correct(self):
        for k in (0, 1):
            true, here = self.true_states(k, self.state.shown[k].flight_s), marks_here(self.state, k)
            wrong = {name for name, mark in here.items() if mark.state is not true[name]}
            at = {q.station.id: (q.x / 1500, q.y / 1000) for q in places(GRID, 1500, 1000)}
            for chord in ("20", "50", "80"):
                row = [s.id for s in GRID.stations() if s.id.endswith(f"/{chord}")]
                while todo := [name for name in row if name in wrong]:
                    first = row.index(todo[0])
                    stroke = [todo[0]]
                    for name in row[first + 1 :]:  # as far as the same state is right
                        if true[name] is not true[todo[0]] or name not in wrong:
                            break
                        stroke.append(name)
                    if self.state.palette is not true[todo[0]]:
                        self.press(str(STATES.index(true[todo[0]]) + 1))
                    keys = [
                        f"{'drag' if n else 'tap'}:{k}:{at[name][0]}:{at[name][1]}" for n, name in enumerate(stroke)
                    ]
                    self.press(*keys, "release", touch=True)
                    wrong -= set(stroke)

    def work(self):
        self.press(",", ",", ",")
        while self.run < RUNS:
            run = self.run
            self.press("o")
            while self.run == run:
                self.correct()
                self.press("enter")


@pytest.mark.parametrize("seed", range(5))
def test_three_runs_of_two_sides_take_at_most_sixty_keys_or_taps(seed):
    """It took 91 keys and 368 taps."""
    person = Person(np.random.default_rng(seed), RIGHT)
    person.work()

    assert 18 <= person.hands <= 60
