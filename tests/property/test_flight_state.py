"""No order of calls and touches can lose a call, put one in two runs, or leave an illegal state."""

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from logger_app.fly.flight_records import COMMANDS, IN_RUN, Intent, Phase, Touch
from logger_app.fly.flight_state import advance, begin, silent_since_ns
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.plan import TestPoint
from logger_app.records.runs import RunEnd
from logger_app.units import s_to_ns

POINTS = (
    TestPoint(id="A1", card="A", runs_wanted=1),
    TestPoint(id="A2", card="A", flap_deg=15, runs_wanted=2),
    TestPoint(id="B1", card="B", power="2100 rpm", power_rpm=2100, bank_deg=-30, runs_wanted=1),
)
AFTER = {
    "on_condition": {Phase.ON_CONDITION},
    "approach": {Phase.APPROACH},
    "stall": {Phase.STALL},
    "hold": {Phase.HOLD},
    "landed": {Phase.LANDED},
}
"""What a step leaves when it is the last one of its event."""

spoken = st.one_of(
    st.tuples(st.just(CallKind.AIRSPEED), st.just("ias"), st.sampled_from([None, 40, 47, 55, 60, 62, 299])),
    st.tuples(
        st.just(CallKind.EVENT),
        st.sampled_from(["on_condition", "recovered", "buffet", "break", "wing_drop_left", "aft_stop", "spin"]),
        st.none(),
    ),
    st.tuples(st.just(CallKind.SETTING), st.just("flap"), st.sampled_from([0, 15, 40, "full"])),
    st.tuples(st.just(CallKind.SETTING), st.just("power"), st.sampled_from(["idle", "full", 2100, 2400])),
    st.tuples(st.just(CallKind.SETTING), st.sampled_from(["bank", "altitude", "fuel", "heading"]), st.just(-30)),
    st.tuples(st.just(CallKind.COMMAND), st.sampled_from([*COMMANDS, "unknown"]), st.sampled_from([None, "A2", "b"])),
)
wait_s = st.sampled_from([0.0, 0.3, 1.0, 2.0, 7.0, 13.0, 45.0])


class Cards(RuleBasedStateMachine):
    """Any pilot at all."""

    @initialize(points=st.sampled_from([POINTS, POINTS[:1], ()]))
    def start(self, points):
        self.state = begin(points)
        self.now_ns = 0
        self.given = []
        self.n = 0
        self.last = None
        self.closed = []

    def _take(self, event):
        before = self.state
        self.state, self.last = advance(before, event)
        self.closed += self.last.closed
        assert advance(before, event) == (self.state, self.last)  # the same again: it is a function

    @rule(what=spoken, wait=wait_s, length=st.sampled_from([0.0, 0.4, 2.0]))
    def hear(self, what, wait, length):
        self.now_ns += s_to_ns(wait)
        self.n += 1
        kind, name, value = what
        call = HeardCall(
            id=f"c{self.n}",
            start_ns=self.now_ns,
            end_ns=self.now_ns + s_to_ns(length),
            kind=kind,
            name=name,
            value=value,
            unit="kt" if kind is CallKind.AIRSPEED else None,
        )
        self.given.append(call.id)
        self._take(call)

    @rule(intent=st.sampled_from(sorted(Intent)), wait=wait_s, point=st.sampled_from([None, "A1", "B", "x"]))
    def touch(self, intent, wait, point):
        self.now_ns += s_to_ns(wait)
        self.n += 1
        self._take(Touch(id=f"t{self.n}", flight_ns=self.now_ns, intent=intent, point=point))

    @invariant()
    def every_call_is_in_exactly_one_place(self):
        if not hasattr(self, "state"):
            return
        places = list(self.state.loose) + [call.id for call in self.state.forming]
        places += [id for run in self.state.runs for id in run.calls]
        places += [call.id for call in self.state.run.calls] if self.state.run else []
        assert sorted(places) == sorted(self.given)

    @invariant()
    def the_state_is_legal(self):
        if not hasattr(self, "state"):
            return
        state = self.state
        assert (state.run is not None) <= (state.phase in IN_RUN | {Phase.HOLD})
        assert (state.phase in IN_RUN) <= (state.run is not None)
        assert not (state.run and state.forming)
        assert state.phase is not Phase.HOLD or state.held is not Phase.HOLD
        assert state.point is None or state.point in [point.id for point in state.points]
        assert state.runs_begun == len(state.runs) + (state.run is not None)

    @invariant()
    def runs_are_whole(self):
        if not hasattr(self, "state"):
            return
        runs = self.state.runs
        assert len({run.id for run in runs}) == len(runs)
        assert [run.id for run in self.closed] == [run.id for run in runs]
        for run in runs:
            assert run.end_ns >= run.start_ns
            assert run.verdict.run == run.id
            assert run.verdict.counts == (run.verdict.why == ())
            assert not (run.verdict.counts and run.ended in (RunEnd.DISCARDED, RunEnd.KNOCKED_OFF))

    @invariant()
    def every_transition_is_a_step(self):
        if not hasattr(self, "state") or self.last is None:
            return
        ids = [step.id for step in self.last.steps if step.id]
        assert len(ids) == len(set(ids))
        for step in self.last.steps:
            assert (step.by == "voice") <= (step.call is not None)
        if self.last.steps and self.last.steps[-1].step in AFTER:
            assert self.state.phase in AFTER[self.last.steps[-1].step]
        for run in self.last.closed:
            assert run in self.state.runs

    @invariant()
    def silence_ends_what_it_says(self):
        if not hasattr(self, "state"):
            return
        since_ns = silent_since_ns(self.state, self.now_ns + s_to_ns(60))
        assert (since_ns is not None) == (self.state.run is not None)


TestCards = Cards.TestCase
TestCards.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)


@given(st.lists(spoken, max_size=30))
@settings(max_examples=100, deadline=None)
def test_phase_changes_only_with_a_step_or_a_closed_run(calls):
    state = begin(POINTS)
    for k, (kind, name, value) in enumerate(calls):
        before = state.phase
        state, out = advance(
            state,
            HeardCall(
                id=f"c{k}",
                start_ns=s_to_ns(k),
                end_ns=s_to_ns(k + 0.5),
                kind=kind,
                name=name,
                value=value,
                unit="kt" if kind is CallKind.AIRSPEED else None,
            ),
        )

        assert state.phase == before or out.steps or out.closed
