"""A sound campaign that the tests of this room put mistakes into."""

import pytest

SOUND = """\
# A campaign without a fault and without need of advice.
[campaign]
name = "Heron: cuffs"

[aircraft]
name = "Heron (invented)"
empty_weight_kg = 388
reference_weight_kg = 600
max_weight_kg = 640
wing_area_m2 = 12.4
fuel_density_kg_per_l = 0.72
fuel_burn_l_per_h = 17
fuel_capacity_l = 90
fuel_reserve_l = 15
empty_arm_mm = 2010
fuel_arm_mm = 2140
cg_min_mm = 1960
cg_max_mm = 2190
never_exceed_ias_kt = 130
max_bank_deg = 45

[[aircraft.flap_limit]]
flap_deg = 15
max_ias_kt = 85

[[aircraft.flap_limit]]
flap_deg = 30
max_ias_kt = 75

[[aircraft.station]]
name = "seats"
arm_mm = 2150
max_kg = 200

[[aircraft.station]]
name = "baggage"
arm_mm = 2600
max_kg = 25

[indicator]
unit = "kt"
graduation = 1.0

[[calibration]]
flap_deg = 0
ias_kt = [40, 50, 60, 80]
cas_kt = [43, 52, 61, 80]

[[calibration]]
flap_deg = 30
ias_kt = [35, 45, 55, 75]
cas_kt = [40, 48, 57, 75]

[[configuration]]
id = "baseline"
name = "Plain wing"

[[configuration]]
id = "cuffs"
name = "Drooped cuffs"
parent = "baseline"

[[configuration.change]]
item = "leading-edge cuff"
state = "measured"
span_from_pct = 55
span_to_pct = 92

[team]
floor_ft = 3000
entry_min_ft = 5000
knock_it_off = ["anyone says so"]
cautions = ["Spin recovery briefed."]

[team.words]
knock_it_off = ["knock it off"]
recovered = ["flying again"]

[plan]
smallest_difference_kt = 2
scatter_kt = 0.62
call_step_kt = 1
flight_scatter_kt = 0.2

[[card]]
id = "A"
title = "Idle, wings level"
setup = "Trim 65 kt, idle"
entry = "On condition at 65 kt, slow with elevator"
limits = ["Not below 3000 ft"]
hazard = 1
runs_wanted = 4

[[card.point]]
id = "A1"
power = "idle"
flap_deg = 0
trim_ias_kt = 70
expected_stall_ias_kt = 47
altitude_band_ft = [4500, 7500]

[[card.point]]
id = "A2"
power = "idle"
flap_deg = 30
trim_ias_kt = 62
expected_stall_ias_kt = 41

[[card]]
id = "B"
title = "Power, turning"
hazard = 3
runs_wanted = 4

[[card.point]]
id = "B1"
power = "2100 rpm"
flap_deg = 0
bank_deg = 30

[[flight]]
id = "01_baseline"
configuration = "baseline"
fuel_l = 70
load_kg = { seats = 160, baggage = 5 }
cards = ["A", "B"]

[[flight]]
id = "02_cuffs"
configuration = "cuffs"
fuel_l = 70
load_kg = { seats = 160, baggage = 5 }
cards = ["A", "B"]

[[flight]]
id = "03_baseline"
configuration = "baseline"
fuel_l = 70
load_kg = { seats = 160, baggage = 5 }
cards = ["A", "B"]
"""


@pytest.fixture
def sound():
    return SOUND


@pytest.fixture
def planted():
    """The sound campaign with texts replaced; each must be there exactly as often as given."""

    def plant(*swaps):
        text = SOUND
        for old, new in swaps:
            assert text.count(old) >= 1, f"not in the sound campaign: {old}"
            text = text.replace(old, new, 1)
        return text

    return plant
