"""The plain text of a reduction, and its JSON."""

import json
from dataclasses import replace

from logger_app.records.plan import Indicator
from logger_app.reduce.as_json import reduction_to_json
from logger_app.reduce.campaign import reduce_campaign
from logger_app.reduce.tables import plain_text


def reduction(make, **over):
    data = [
        make.flight([make.run(make.approach(vs_kt=v), id=f"a{k}", flight="f1", number=k + 1) for k, v in enumerate((45.0, 45.4))]),
        make.flight([make.run(make.approach(vs_kt=43.0, event="recovered"), id="b0", flight="f2")], id="f2", configuration="cuffs"),
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
    assert {"vs_ias_kt", "vs_cas_kt", "vs_std_kt", "entry_rate_kt_per_s", "method", "counts", "why"} <= set(document["runs"][0])
    assert {"difference_kt", "low_kt", "high_kt", "verdict", "words"} <= set(document["comparisons"][0])
    assert document["rules"]


def test_an_empty_reduction_prints_too(make):
    _, result = reduction(make)
    empty = replace(result, runs=(), cells=(), comparisons=(), excluded=())

    assert "0 % of the runs" in plain_text(make.campaign(), replace(empty, reviewed_share=0.0))
