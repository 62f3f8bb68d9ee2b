"""The plain text of a reduction, and its JSON."""

import json
from dataclasses import replace

import numpy as np

from logger_app.records.plan import Indicator
from logger_app.reduce.as_json import reduction_to_json, run_text, run_to_json
from logger_app.reduce.campaign import reduce_campaign
from logger_app.reduce.tables import plain_text


def reduction(make, **over):
    data = [
        make.flight(
            [
                make.run(make.approach(vs_kt=v), id=f"a{k}", flight="f1", number=k + 1)
                for k, v in enumerate((45.0, 45.4))
            ]
        ),
        make.flight(
            [make.run(make.approach(vs_kt=43.0, event="recovered"), id="b0", flight="f2")],
            id="f2",
            configuration="cuffs",
        ),
    ]
    campaign = make.campaign(**over)
    return campaign, reduce_campaign(campaign, data)


def test_every_note_caveat_and_reason_is_in_the_text(make):
    campaign, result = reduction(make, calibrations=())

    text = plain_text(campaign, result)

    for said in (*result.comparisons[0].notes, *result.cells[0].notes, *result.runs[0].notes, result.excluded[0].why):
        assert said in text


def test_indicated_speeds_are_in_the_dials_own_unit(make):
    campaign, result = reduction(make, indicator=Indicator(unit="km/h"))

    text = plain_text(campaign, result)

    assert "IAS, km/h" in text
    assert f"{result.runs[0].vs_ias_kt * 1.852:.1f}" in text


def test_json_is_plain_and_keeps_the_agreed_names(make):
    _, result = reduction(make)

    document = json.loads(json.dumps(reduction_to_json(result), allow_nan=False))

    assert document["excluded"] == [{"run": "b0", "why": result.excluded[0].why, "flight": "f2"}]
    assert document["runs"][0]["event"] == "pitch_down"
    assert {"vs_ias_kt", "vs_cas_kt", "vs_std_kt", "entry_rate_kt_per_s", "method", "counts", "why"} <= set(
        document["runs"][0]
    )
    assert {"difference_kt", "low_kt", "high_kt", "verdict", "words"} <= set(document["comparisons"][0])
    assert document["rules"]


def test_an_empty_reduction_prints_too(make):
    _, result = reduction(make)
    empty = replace(result, runs=(), cells=(), comparisons=(), excluded=())

    assert "0 % of the runs" in plain_text(make.campaign(), replace(empty, reviewed_share=0.0))


def test_the_columns_stand_under_one_another_and_hold_the_figures(make):
    campaign, result = reduction(make)
    text = plain_text(campaign, result)
    head, *rows = text.split("Test points\n")[1].split("\n\n")[0].splitlines()
    cell = result.cells[0]

    assert [c.strip() for c in head.split("  ") if c.strip()] == [
        "point",
        "configuration",
        "stall",
        "n",
        "IAS, kt",
        "std CAS, kt",
        "sd",
        "95 %, kt",
        "u all, kt",
        "basis",
    ]
    for name, value in (
        ("stall", "pitch down"),
        ("n", "2"),
        ("IAS, kt", f"{cell.vs_ias_kt:.1f}"),
        ("sd", f"{cell.vs_std_sd_kt:.2f}"),
        ("95 %, kt", f"{cell.low_kt:.1f} to {cell.high_kt:.1f}"),
        ("u all, kt", f"{cell.vs_std_u_kt:.1f}"),
    ):
        assert rows[0][head.index(f"  {name}  ") + 2 :].startswith(value)


def test_a_figure_that_is_not_there_is_a_dash(make):
    campaign, result = reduction(make)
    bare = replace(result, cells=(replace(result.cells[0], vs_ias_kt=None, low_kt=None),))
    head, row = plain_text(campaign, bare).split("Test points\n")[1].splitlines()[:2]

    assert row[head.index("IAS, kt") :].startswith("- ") and row[head.index("95 %, kt") :].startswith("- ")


def test_a_remark_names_four_runs_and_counts_the_rest(make):
    campaign, result = reduction(make)

    def remark(n):
        runs = tuple(
            replace(result.runs[0], run=f"r{k}", run_number=k, notes=("odd",), caveats=()) for k in range(1, n + 1)
        )
        text = plain_text(campaign, replace(result, runs=runs, cells=(), comparisons=()))
        return next(line for line in text.splitlines() if line.startswith("  odd:"))

    assert remark(4) == "  odd: f1 run 1, f1 run 2, f1 run 3, f1 run 4"
    assert remark(5) == "  odd: f1 run 1, f1 run 2, f1 run 3, f1 run 4 and 1 more"
    assert remark(9).endswith("f1 run 4 and 5 more")


def test_long_campaigns_print_the_last_thousand_runs(make):
    campaign, result = reduction(make)

    def text(n):
        runs = tuple(replace(result.runs[0], run=f"r{k}", run_number=k, notes=(), caveats=()) for k in range(1, n + 1))
        return plain_text(campaign, replace(result, runs=runs))

    assert "Runs\n" in text(1000)
    long = text(1001)
    assert "Runs, the last 1000 of 1001;" in long
    assert "f1      2 " in long and "f1      1 " not in long


def test_the_share_that_a_person_has_seen(make):
    campaign, result = reduction(make)

    assert "90 % of the runs have been reviewed" in plain_text(campaign, replace(result, reviewed_share=0.9))


def test_json_rounds_to_four_decimals_and_has_no_figure_where_there_is_none(make):
    _, result = reduction(make)
    run = replace(
        result.runs[0],
        vs_ias_kt=45.123456,
        vs_cas_kt=float("nan"),
        vs_std_kt=float("inf"),
        notes=("a",),
        curve=((1.000049, 2.0),),
    )
    document = reduction_to_json(replace(result, runs=(run,)))["runs"][0]

    assert (document["vs_ias_kt"], document["vs_cas_kt"], document["vs_std_kt"]) == (45.1235, None, None)
    assert (document["notes"], document["curve"], document["counts"], document["run_number"]) == (
        ["a"],
        [[1.0, 2.0]],
        True,
        1,
    )
    assert run_to_json(run) == document


def test_the_text_of_a_run_is_what_the_standard_library_makes_of_it(make):
    _, result = reduction(make)
    odd = replace(
        result.runs[0],
        notes=('"quoted"', "Höhe\n\x07 \\ \u2028", ""),
        vs_ias_kt=np.float64(45.12345678),
        entry_rate_kt_per_s=-0.0,
        vs_cas_kt=1e-7,
        weight_kg=1e16,
        bank_deg=30,
        curve=(),
        readings=tuple(
            (x, -x) for k in range(-6, 20) for x in (1.00005 * 10**k, 0.5 * 10**k, 9.99995 * 10**k, 0.00005)
        ),
    )
    for run in (*result.runs, odd):
        standard = json.dumps(run_to_json(run), ensure_ascii=False, indent=1, allow_nan=False)

        assert run_text(run) == standard
        assert run_text(run, "  ") == standard.replace("\n", "\n  ")
