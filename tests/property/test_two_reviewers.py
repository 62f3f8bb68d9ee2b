"""Two people edit the same exported table; whoever imports first, nobody's decision is lost or undone in silence."""

import csv
import io

from hypothesis import given, settings
from hypothesis import strategies as st

from logger_app.records.calls import CallKind, HeardCall
from logger_app.review.apply import apply_corrections
from logger_app.review.check import Current, correct
from logger_app.review.table import COLUMNS, read_changes, to_csv

HEARD = [
    HeardCall(
        id=f"c{k}",
        start_ns=k * 10**9,
        end_ns=k * 10**9 + 5 * 10**8,
        kind=CallKind.AIRSPEED,
        name="ias",
        value=60.0 - k,
        unit="kt",
    )
    for k in range(4)
]
NUMBERS = st.fixed_dictionaries(
    {},
    optional={
        "value": st.sampled_from(["58", "57", "56"]),
        "flight_s": st.sampled_from(["0.400", "1.5", "2.7"]),
        "status": st.sampled_from(["confirmed", "rejected", "heard"]),
    },
)
EDITS = NUMBERS | st.just({"kind": "event", "name": "buffet", "value": ""})
REVIEWER = st.dictionaries(st.sampled_from([call.id for call in HEARD]), EDITS, max_size=4)


class Flight:
    """A journal's corrections and the calls that they make, without a disk."""

    def __init__(self):
        self.corrections = []

    @property
    def calls(self):
        return apply_corrections(HEARD, self.corrections, "kt")

    def take(self, text, who, take_mine=False):
        changes = read_changes(text, self.calls, "t.csv", 100.0)
        wanted = list(changes.wanted)
        if take_mine:
            wanted += [one for conflict in changes.conflicts for one in conflict.wanted]
        for action, target, why, payload in wanted:
            now = Current(calls=self.calls, corrections=self.corrections, duration_ns=10**11)
            id = f"fix-{len(self.corrections):03d}"
            utc = "2031-05-04T07:12:03.000000Z"
            self.corrections.append(correct(now, action, target, id=id, utc=utc, who=who, why=why, **payload))
        return {conflict.id for conflict in changes.conflicts}

    def state(self, *without):
        return {
            call.id: (call.value, call.unit, call.kind, call.flight_ns, call.status)
            for call in self.calls
            if call.id not in without
        }


def edited(text, edits):
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    for row in rows:
        row.update(edits.get(row["id"], {}))
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


@st.composite
def cases(draw):
    """Edits made before the export, and those of the two reviewers afterwards."""
    return draw(REVIEWER), draw(REVIEWER), draw(REVIEWER)


def begun(before):
    flight = Flight()
    flight.take(edited(to_csv(flight.calls, {}), before), "before")
    return flight


@settings(max_examples=500)
@given(cases())
def test_the_order_of_two_imports_does_not_matter_and_conflicts_are_the_same(case):
    before, anna, ben = case
    first, second = begun(before), begun(before)
    table = to_csv(first.calls, {})
    of_anna, of_ben = edited(table, anna), edited(table, ben)

    assert not first.take(of_anna, "anna") and not second.take(of_ben, "ben")
    in_first, in_second = first.take(of_ben, "ben"), second.take(of_anna, "anna")

    assert in_first == in_second
    assert first.state(*in_first) == second.state(*in_first)


@settings(max_examples=500)
@given(cases())
def test_nothing_of_the_first_is_undone_and_untouched_rows_never_count(case):
    before, anna, ben = case
    flight = begun(before)
    table = to_csv(flight.calls, {})
    flight.take(edited(table, anna), "anna")
    decided, known = flight.state(), len(flight.corrections)
    conflicts = flight.take(edited(table, ben), "ben")
    after = flight.state()

    touched = {c.target for c in flight.corrections[known:]}
    assert touched <= {id for id, edit in ben.items() if edit}
    for id, state in decided.items():
        if id in conflicts or id not in touched:
            assert after[id] == state
        for field, k in (("value", 0), ("flight_s", 3)):
            if anna.get(id, {}).get(field) and id not in conflicts and field not in ben.get(id, {}):
                assert after[id][k] == state[k]


@settings(max_examples=300)
@given(cases())
def test_taking_mine_gives_what_the_table_says_and_once_is_enough(case):
    before, anna, ben = case
    flight = begun(before)
    table = to_csv(flight.calls, {})
    flight.take(edited(table, anna), "anna")
    mine = edited(table, ben)
    conflicts = flight.take(mine, "ben", take_mine=True)
    known = len(flight.corrections)
    rows = {row["id"]: row for row in csv.DictReader(io.StringIO(mine, newline=""))}
    exported = {row["id"]: row for row in csv.DictReader(io.StringIO(table, newline=""))}
    calls = {call.id: call for call in flight.calls}

    for id in conflicts:
        rejected = rows[id]["status"] == "rejected"
        assert calls[id].counts is not rejected
        if not rejected and rows[id]["value"] != exported[id]["value"]:
            assert calls[id].value == (float(rows[id]["value"]) if rows[id]["value"] else None)
    flight.take(mine, "ben", take_mine=True)
    assert len(flight.corrections) == known
