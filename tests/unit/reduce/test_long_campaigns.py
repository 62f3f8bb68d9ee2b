"""Flights one after another: the same results as all at once, and statistics that many runs do not slow down."""

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from logger_app.errors import ReduceError
from logger_app.records.results import StallSpeed
from logger_app.records.runs import StallEvent
from logger_app.reduce import results_io, tables
from logger_app.reduce.as_json import reduction_to_json
from logger_app.reduce.campaign import Options, Reducer, reduce_campaign
from logger_app.reduce.compare import compare_all
from logger_app.reduce.differences import Side, difference_of
from logger_app.reduce.results_io import ResultsDocument
from logger_app.reduce.statistics import sides_differ_p
from logger_app.reduce.tables import plain_text


def flights(make):
    """Three flights of two configurations, one run of them scratched."""
    made = []
    for f, (configuration, vs_kt) in enumerate((("base", 45.0), ("cuffs", 42.5), ("base", 45.4)), 1):
        runs = [
            make.run(make.approach(vs_kt=vs_kt + 0.2 * k), id=f"r{k}", flight=f"f{f}", number=k + 1) for k in range(3)
        ]
        made.append(make.flight(runs, id=f"f{f}", configuration=configuration))
    scratched = replace(made[0].runs.runs[1], discarded=True, why_discarded="scratch that")
    runs = (made[0].runs.runs[0], scratched, made[0].runs.runs[2])
    return [replace(made[0], runs=replace(made[0].runs, runs=runs)), *made[1:]]


def test_one_after_another_says_the_same_as_all_at_once(make):
    campaign, data = make.campaign(), flights(make)
    reducer = Reducer(campaign)

    in_full = [run for flight in data for run in reducer.add(flight)]
    one_by_one = reducer.finish()

    at_once = reduce_campaign(campaign, data)
    assert tuple(in_full) == at_once.runs
    assert replace(one_by_one, runs=()) == replace(at_once, runs=())
    assert [run.vs_std_kt for run in one_by_one.runs] == [run.vs_std_kt for run in at_once.runs]


def test_a_second_look_at_some_runs_of_a_flight_gives_what_the_first_gave(make):
    data = flights(make)
    reducer = Reducer(make.campaign())
    first = reducer.add(data[1])

    again = reducer.reduce(data[1], only={"r2"})

    assert again == (first[2],)
    assert len(reducer.finish().runs) == 3


def test_options_that_contradict_each_other_are_refused_before_any_flight(make):
    with pytest.raises(ReduceError, match="both or neither"):
        Reducer(make.campaign(), Options(to_cg_mm=2000.0))


@pytest.mark.parametrize("in_memory", [1, 10**6])
@pytest.mark.parametrize("count", [0, 3])
def test_the_document_written_run_by_run_is_that_of_the_whole(make, tmp_path, monkeypatch, in_memory, count):
    monkeypatch.setattr(results_io, "IN_MEMORY_BYTES", in_memory)
    whole = reduce_campaign(make.campaign(name='"runs": [],\n'), flights(make)[:count])
    said = io.StringIO()

    with ResultsDocument(tmp_path) as document:
        for run in whole.runs:
            document.add([run])
        path = document.finish(whole)
        document.copy_to(said)

    text = json.dumps(reduction_to_json(whole), ensure_ascii=False, indent=1) + "\n"
    assert said.getvalue() == text == path.read_text("utf-8")


def test_a_document_that_was_not_finished_leaves_nothing(make, tmp_path):
    with pytest.raises(KeyboardInterrupt), ResultsDocument(tmp_path) as document:
        document.add(reduce_campaign(make.campaign(), flights(make)).runs)
        raise KeyboardInterrupt

    assert list(tmp_path.iterdir()) == []


def test_many_runs_are_not_all_printed_and_that_is_said(make, monkeypatch):
    monkeypatch.setattr(tables, "MAX_LINES", 2)
    campaign = make.campaign()
    text = plain_text(campaign, reduce_campaign(campaign, flights(make)))

    assert "Runs, the last 2 of 9; all are in results/reduction.json" in text
    assert text.count("\n  f3 ") == 2 and text.count("\n  f2 ") == 0
    assert "Left out\n  f1 r1: discarded" in text


def run(k, speed, configuration, flight, rate):
    return StallSpeed(
        run=f"{flight}r{k}",
        run_number=k,
        flight=flight,
        configuration=configuration,
        point="A1",
        event=StallEvent.PITCH_DOWN,
        method="fit",
        counts=True,
        vs_ias_kt=speed,
        vs_std_kt=speed,
        bases=(("raw", speed, 0.5),),
        entry_rate_kt_per_s=rate,
    )


def side(rng, configuration, days, mean):
    made = []
    for day in range(days):
        for k in range(int(rng.integers(1, 6))):
            rate = rng.uniform(0.6, 1.4)
            made.append(
                run(
                    k,
                    mean + 0.4 * np.sin(day) - 0.8 * (rate - 1) + rng.normal(0, 0.5),
                    configuration,
                    f"{configuration}{day}",
                    rate,
                )
            )
    return made


@pytest.mark.parametrize("days", [2, 7, 40])
def test_days_as_blocks_with_the_rate_agree_with_statsmodels_where_days_are_uneven(days):
    """Against statsmodels' least squares with a column a day."""
    import statsmodels.api as sm

    rng = np.random.default_rng(days)
    sides = [side(rng, "base", days, 48.0), side(rng, "cuffs", days, 46.5)]
    day_of = {r.flight: r.flight.removeprefix(r.configuration) for s in sides for r in s}
    both = [*sides[0], *sides[1]]
    columns = [
        np.ones(len(both)),
        [float(r.configuration == "cuffs") for r in both],
        [r.entry_rate_kt_per_s for r in both],
    ]
    columns += [[float(day_of[r.flight] == d) for r in both] for d in sorted(set(day_of.values()))[1:]]
    theirs = sm.OLS([r.vs_std_kt for r in both], np.column_stack(columns)).fit()

    ours = difference_of(*(Side(runs=tuple(s), speeds=tuple(r.vs_std_kt for r in s)) for s in sides), day_of)[0]

    assert ours.method == "covariate+block"
    assert (ours.found.value, ours.found.se, ours.found.df) == pytest.approx(
        (theirs.params[1], theirs.bse[1], theirs.df_resid), abs=1e-9
    )
    assert ours.sd_kt == pytest.approx(np.sqrt(theirs.scale), abs=1e-9)


def test_days_on_which_all_rates_were_one_fall_back_on_something_else(make):
    """Two days, each flown at a rate of its own: a day's constant says the same as the rate."""
    speeds = {
        ("base", 0): (48.0, 48.4),
        ("base", 1): (47.0, 47.3),
        ("cuffs", 0): (46.1, 46.0),
        ("cuffs", 1): (45.2, 45.6),
    }
    runs = [run(k, v, c, f"{c}{d}", 0.8 + 0.3 * d) for (c, d), pair in speeds.items() for k, v in enumerate(pair)]

    (found,) = compare_all(make.campaign(), runs, {r.flight: r.flight[-1] for r in runs})

    assert found.method == "flights"
    assert {m[0] for m in found.alternatives} == {"covariate", "welch"}


@pytest.mark.parametrize(
    "table", [((2000, 1930), (2100, 1850)), ((3, 3000), (2900, 5)), ((4000, 0), (0, 4000)), ((0, 3), (2000, 1))]
)
def test_thousands_of_wing_drops_agree_with_scipy(table):
    """Against scipy.stats.fisher_exact."""
    assert sides_differ_p(*table) == pytest.approx(stats.fisher_exact(table)[1], rel=1e-6, abs=1e-12)


def test_flight_means_are_listed_while_they_can_be_taken_in(make):
    def note(flights):
        runs = [
            run(k, 48.0 + 0.1 * f + c, n, f"{n}{f}", 1.0)
            for n, c in (("base", 0.0), ("cuffs", -2.0))
            for f in range(flights)
            for k in (0, 1)
        ]
        (found,) = compare_all(make.campaign(), runs)
        return next(note for note in found.notes if note.startswith("base: flight means"))

    assert note(3) == "base: flight means 48.0, 48.1, 48.2 kt"
    assert note(21) == "base: flight means 48.0 to 50.0 over 21 flights, standard deviation 0.62 kt"
