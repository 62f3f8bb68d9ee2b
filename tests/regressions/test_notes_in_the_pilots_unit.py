"""What `reduce` says was in knots where the indicator reads miles an hour."""

import re
from dataclasses import replace

from builders import Make

from logger_app.records.plan import CalibrationTable
from logger_app.reduce.campaign import reduce_campaign
from logger_app.reduce.tables import plain_text


def test_a_campaign_in_miles_an_hour_is_told_in_miles_an_hour():
    make = Make()
    short = CalibrationTable(flap_deg=0, ias_kt=(50, 60, 80), cas_kt=(54, 62, 80), u_kt=0.8)
    campaign = make.campaign(calibrations=(short,))
    in_mph, in_kt = (replace(campaign, indicator=replace(campaign.indicator, unit=unit)) for unit in ("mph", "kt"))
    flights = [
        make.flight(
            [make.run(make.approach(vs_kt=vs, rate=rate), id=f"r{k}", number=k) for k, (vs, rate) in enumerate(speeds)],
            id=configuration,
            configuration=configuration,
        )
        for configuration, speeds in {
            "base": [(45.0, 1.0), (45.4, 0.9), (44.8, 1.1), (45.1, 3.0)],
            "cuffs": [(43.0, 1.0), (43.4, 1.2), (42.9, 1.0)],
        }.items()
    ]

    said, knots = (plain_text(one, reduce_campaign(one, flights)) for one in (in_mph, in_kt))

    assert "lower by 2.1 mph" in said and "lower by 1.9 kt" in knots
    assert "mph/s; the card asks for" in said and "extrapolated by up to" in said
    assert not [line for line in said.split("\n") if re.search(r"\bkt\b", line.split("14 CFR")[0])]
