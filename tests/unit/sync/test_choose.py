import pytest

from logger_app.domain.cameras import picture_lag_s
from logger_app.domain.moments import Moment, ias_at, moments, when
from logger_app.errors import SyncError
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.sync.choose import choose_runs


def result(run="r1", rate=1.0, counts=True, reviewed=False, number=1, flight="f", **more):
    curve = tuple((100.0 + k, 64.0 - rate * k) for k in range(15))
    fields = {"event_flight_s": 114.0, "vs_ias_kt": 64.0 - 14 * rate, "curve": curve} | more
    return StallSpeed(
        run=run,
        run_number=number,
        flight=flight,
        configuration="a",
        point="A1",
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=counts,
        reviewed=reviewed,
        entry_rate_kt_per_s=rate,
        **fields,
    )


def test_when_a_speed_was_flown():
    assert when(result(), Moment("stall")) == (114.0, 50.0, "")
    assert when(result(), Moment("", ratio=1.1))[:2] == pytest.approx((109.0, 55.0))
    assert when(result(), Moment("", ias_kt=60.5))[:2] == pytest.approx((103.5, 60.5))
    assert when(result(), Moment("", ias_kt=60.5), 0.5)[0] == pytest.approx(103.0), (
        "what the words tell of came before them"
    )


def test_a_speed_that_was_not_flown_is_not_made_up():
    assert when(result(), Moment("", ias_kt=49.5))[0] == pytest.approx(114.5), (
        "a little beyond the calls is on the line"
    )
    flight_s, _, why = when(result(), Moment("", ias_kt=45))
    assert flight_s is None and "from 64.0 to 50.0 kt" in why
    assert when(result(event_flight_s=None), Moment("stall"))[2] == "no stall event in this run"
    assert "too few calls" in when(result(curve=()), Moment("", ratio=1.1))[2]


def test_the_line_serves_where_there_is_no_curve():
    straight = result(curve=(), fit=(100_000_000_000, 64.0, -1.0))

    assert when(straight, Moment("", ias_kt=55))[0] == pytest.approx(109.0)
    assert ias_at(straight, 110.0) == pytest.approx(54.0)
    assert ias_at(straight, 120.0) is None


def test_a_wavering_approach_is_taken_at_its_last_passing():
    wavering = result(curve=((0, 60), (1, 55), (2, 57), (3, 50)), event_flight_s=3.0, vs_ias_kt=50.0)

    assert when(wavering, Moment("", ias_kt=56))[0] == pytest.approx(2 + 1 / 7)


def test_columns_as_a_user_writes_them():
    assert moments("1.2, stall,48kt", "kt") == (
        Moment("1.2 Vs", ratio=1.2),
        Moment("stall"),
        Moment("48 kt", ias_kt=48),
    )
    assert moments("60", "mph")[0].ias_kt == pytest.approx(52.14, abs=0.01)
    for text in ("", "soon", "0.9", "5", "48 knots", "900kt", "5kt", "nan", "-1.1"):
        with pytest.raises(SyncError, match="--at"):
            moments(text, "kt")


def test_runs_that_count_then_reviewed_then_nearest_rates():
    a = [result("a1", 1.0), result("a2", 0.7, number=2), result("a3", 1.31, counts=False, number=3)]
    b = [result("b1", 1.3, number=4), result("b2", 0.75, number=5)]
    chosen, why = choose_runs({"a": a, "b": b})
    assert (chosen["a"].run, chosen["b"].run) == ("a2", "b2") and "nearest entry rates" in why
    b[0] = result("b1", 1.3, number=4, reviewed=True)
    assert choose_runs({"a": a, "b": b})[0]["b"].run == "b1"


def test_a_run_that_does_not_count_is_said_not_to():
    """The only run with pictures had no stall speed that counts, and was shown "at the stall" like any other."""
    poor = result("a3", counts=False, number=3, why=("2 airspeed(s) called before the event; needs 3",))
    _, why = choose_runs({"a": [poor], "b": [result("b2", number=2)]})

    assert "f run 3 does not count (2 airspeed(s) called before the event; needs 3): its stall speed" in why
    assert "not count" not in choose_runs({"b": [result("b2", number=2)]})[1]


def test_a_run_can_be_chosen():
    runs = {"a": [result("a1"), result("a2", number=2)], "b": [result("b1")]}
    chosen, why = choose_runs(runs, {"a": "f:2"})
    assert chosen["a"].run == "a2" and "chosen by you" in why
    with pytest.raises(SyncError, match="expected one of those with pictures: f:1, f:2"):
        choose_runs(runs, {"a": "f:9"})


def test_the_lag_is_taken_off_once():
    assert picture_lag_s(result(), 0.5) == 0.5
    assert picture_lag_s(result(reading_lag_removed=True), 0.5) == 0.0


def test_of_thousands_of_runs_a_message_names_some():
    runs = [result(run=f"r{k}", number=k) for k in range(2000)]

    with pytest.raises(SyncError) as caught:
        choose_runs({"base": runs}, {"base": "nowhere"})

    assert "and 1960 more" in str(caught.value) and len(str(caught.value)) < 1000


def test_of_many_runs_of_four_generations_the_nearest_rates_are_still_found():
    """The 20,000 sets that were looked at left out the last runs of the first generation: 16 each make 65,536."""
    far = {name: [result(f"{name}{k}", 0.6 + 0.01 * j, number=k) for k in range(16)] for j, name in enumerate("abcd")}
    far["a"][15] = result("a15", 1.0, number=15)
    for name in "bcd":
        far[name][15] = result(f"{name}15", 1.0, number=15)

    chosen, _ = choose_runs(far)

    assert [chosen[name].run for name in "abcd"] == ["a15", "b15", "c15", "d15"]
