"""An independent flight model flown by the tests, its speeds spoken as calls, and reduced.

JSBSim (jsbsim.sourceforge.net; the wheel carries the aircraft data, model c172p, which says of
itself that it is educational and unvalidated: a consistent truth, not a real aircraft). The model
is held in an idle glide, slowed at a set rate by its elevator, banked where asked. Truth is the
model's own speed when its lift coefficient first peaks. The printed figures were flown once with
jsbsim 1.3.3, apart from this program.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from logger_app.records.calls import CallKind, CallStatus, ReviewedCall
from logger_app.records.plan import Indicator
from logger_app.records.runs import Run, RunEnd
from logger_app.reduce.stall_speed import stall_of_run
from logger_app.reduce.standardise import cas_at_1_g_kt, cas_at_weight_kt, max_lift_coefficient, turn_load_factor
from logger_app.reduce.statistics import line_at
from logger_app.units import KG_PER_LB, M_PER_FT, s_to_ns

AREA_M2 = 174 * M_PER_FT**2

# case: weight lb, CAS kt at the CL peak, nzw, Vs1g kt, trimmed CL peak, entry rate 1.1 Vs to Vs kt/s
FLOWN = {
    "flap 0, 0.5": (1879.9, 48.71, 0.9551, 49.84, 1.2851, 0.478),
    "flap 0, 1": (1879.9, 48.82, 0.9587, 49.86, 1.2846, 0.853),
    "flap 0, 2": (1879.9, 48.64, 0.9506, 49.88, 1.2835, 1.478),
    "flap 0, 3": (1880.0, 46.98, 0.8867, 49.90, 1.2831, 2.294),
    "flap 30, 0.5": (1879.9, 43.74, 0.9582, 44.68, 1.5989, 0.438),
    "flap 30, 1": (1879.9, 43.70, 0.9578, 44.65, 1.6012, 0.724),
    "flap 30, 2": (1879.9, 42.90, 0.9273, 44.55, 1.6090, 1.339),
    "flap 30, 3": (1879.9, 41.95, 0.8877, 44.52, 1.6114, 2.005),
    "bank 30": (1879.9, 52.11, 1.0892, 49.93, 1.2806, 0.939),
    "bank 45": (1879.9, 56.86, 1.2931, 50.00, 1.2771, 0.954),
    "60 % throttle": (1879.7, 47.09, 0.9444, 48.46, 1.3598, 0.900),
}
# Same method at 2,300 lb, flap 0: CAS, nzw, Vs1g at 0.5, 1, 2, 3 kt/s commanded and the rates achieved.
HEAVY = [
    (53.47, 0.955, 54.72, 0.49),
    (53.52, 0.956, 54.74, 0.92),
    (52.87, 0.933, 54.75, 1.63),
    (51.75, 0.894, 54.74, 2.87),
]


@pytest.mark.parametrize("case", FLOWN)
def test_measured_load_factor_brings_every_case_to_1_g(case):
    weight_lb, cas, nzw, vs1g, cl, _ = FLOWN[case]

    assert cas_at_1_g_kt(cas, nzw) == pytest.approx(vs1g, abs=0.05)
    # CL from CAS taken as EAS: 0.02 kt at these heights. Tolerance from the printed hundredths of a knot.
    assert max_lift_coefficient(cas, weight_lb * KG_PER_LB, AREA_M2, nzw) == pytest.approx(cl, rel=2e-3)


@pytest.mark.parametrize("cas, nzw, vs1g, rate", HEAVY)
def test_the_heavier_aircraft_too(cas, nzw, vs1g, rate):
    assert cas_at_1_g_kt(cas, nzw) == pytest.approx(vs1g, abs=0.1)


def test_entry_rate_hardly_moves_the_1_g_speed_but_moves_the_raw_one():
    rates = [FLOWN[f"flap 0, {r}"][5] for r in ("0.5", "1", "2", "3")]
    raw = [FLOWN[f"flap 0, {r}"][1] for r in ("0.5", "1", "2", "3")]
    one_g = [cas_at_1_g_kt(FLOWN[f"flap 0, {r}"][1], FLOWN[f"flap 0, {r}"][2]) for r in ("0.5", "1", "2", "3")]

    assert -1.2 <= line_at(rates, raw, 1.0)[1] <= -0.8
    assert abs(line_at(rates, one_g, 1.0)[1]) <= 0.12


@pytest.mark.parametrize("flap, expected", [("flap 0", 48.55), ("flap 30", 43.22)])
def test_raw_speeds_read_at_1_kt_per_s(flap, expected):
    rates = [FLOWN[f"{flap}, {r}"][5] for r in ("0.5", "1", "2", "3")]
    raw = [FLOWN[f"{flap}, {r}"][1] for r in ("0.5", "1", "2", "3")]

    assert line_at(rates, raw, 1.0)[0].value == pytest.approx(expected, abs=0.02)


def test_raw_speeds_of_the_heavier_aircraft_read_at_1_kt_per_s():
    found, _ = line_at([row[3] for row in HEAVY], [row[0] for row in HEAVY], 1.0)

    assert found.value == pytest.approx(53.27, abs=0.02)


def test_light_to_heavy_leaves_only_the_effect_of_the_cg():
    scaled = cas_at_weight_kt(49.86, 1879.9, 2300)

    assert scaled == pytest.approx(55.15, abs=0.02)
    # Flown 54.74 at a CG 3.1 in farther aft: sqrt(1.2846 / 1.304) of the scaled speed.
    assert scaled * math.sqrt(1.2846 / 1.304) == pytest.approx(54.74, abs=0.05)


def test_bank_alone_is_not_the_load_factor_of_a_stall():
    # 1/cos gives 48.5 kt against the true 49.9; raw against raw it is roughly fair (48.8 wings level).
    by_bank = cas_at_1_g_kt(52.11, turn_load_factor(30))

    assert by_bank == pytest.approx(48.5, abs=0.05)
    assert by_bank - 49.9 < -1.3
    assert abs(by_bank - FLOWN["flap 0, 1"][1]) < 0.4


def test_power_lowers_the_stall():
    idle, power = FLOWN["flap 0, 1"], FLOWN["60 % throttle"]

    assert cas_at_1_g_kt(*idle[1:3]) - cas_at_1_g_kt(*power[1:3]) == pytest.approx(1.40, abs=0.05)


def test_the_models_own_geometry():
    import jsbsim

    sim = jsbsim.FGFDMExec(None)
    sim.set_debug_level(0)
    sim.load_model("c172p")

    # c172p.xml, metrics: 174 ft2, 4.9 ft, 35.8 ft. The CL figures above rest on this area.
    assert sim["metrics/Sw-sqft"] == pytest.approx(174)
    assert sim["metrics/cbarw-ft"] == pytest.approx(4.9)
    assert sim["metrics/bw-ft"] == pytest.approx(35.8)


def test_trimmed_lift_is_wing_body_lift_less_the_elevators_download():
    # c172p.xml: wing-body CL peaks at 1.47, elevator 0.43 per rad; at the CL peak -0.433 rad idle, -0.258 at 60 %.
    assert 1.47 + 0.43 * -0.433 == pytest.approx(FLOWN["flap 0, 1"][4], abs=0.002)
    assert 1.47 + 0.43 * -0.258 == pytest.approx(FLOWN["60 % throttle"][4], abs=0.002)


@dataclass(frozen=True)
class Flown:
    """A flown stall: time and speed of every tenth of a second, and the model's own stall."""

    time_s: np.ndarray
    cas_kt: np.ndarray
    event_s: float
    stall_kt: float
    load_factor: float
    rate_kt_per_s: float
    weight_kg: float


def fly(rate, flap=0.0, bank_deg=0.0, throttle=0.0) -> Flown:
    """Hold 70 kt for 25 s, then slow: pitch loop on speed, aileron holds bank, rudder holds sideslip."""
    import jsbsim

    sim = jsbsim.FGFDMExec(None)
    sim.set_debug_level(0)
    sim.load_model("c172p")
    step = 1 / 120
    sim.set_dt(step)
    for name, value in (("h-sl-ft", 6000), ("vc-kts", 70), ("gamma-deg", 0 if throttle else -5), ("phi-deg", bank_deg)):
        sim[f"ic/{name}"] = value
    sim.run_ic()
    sim["propulsion/set-running"] = -1
    sim["fcs/mixture-cmd-norm"] = 0.8
    sim["fcs/throttle-cmd-norm"], sim["fcs/flap-cmd-norm"] = throttle, flap
    slow, elevator_sum, aileron_sum, rows, after = 0.0, 0.0, 0.0, [], None
    while sim.get_sim_time() < 140:
        now = sim.get_sim_time()
        error = sim["velocities/vc-kts"] - (70 if now < 25 else 70 - rate * (now - 25))
        slow = max(-0.6, min(0.8, slow + 0.005 * error * step))
        pitch_error = max(-0.4, min(0.8, 0.02 * error + slow)) - sim["attitude/theta-rad"]
        elevator_sum = max(-1, min(1, elevator_sum - 1.2 * pitch_error * step))
        elevator = max(-1, min(1, -2.2 * pitch_error + 0.9 * sim["velocities/q-rad_sec"] + elevator_sum))
        sim["fcs/elevator-cmd-norm"] = elevator
        roll_error = math.radians(bank_deg) - sim["attitude/phi-rad"]
        aileron_sum = max(-0.5, min(0.5, aileron_sum + 0.5 * roll_error * step))
        sim["fcs/aileron-cmd-norm"] = max(-1, min(1, 2 * roll_error - 0.6 * sim["velocities/p-rad_sec"] + aileron_sum))
        yaw = 0.0 if bank_deg else 0.4 * sim["velocities/r-rad_sec"]
        sim["fcs/rudder-cmd-norm"] = max(-1, min(1, -3 * sim["aero/beta-rad"] + yaw))
        sim.run()
        if round(now / step) % 12 == 0:
            lift = abs(sim["forces/fwz-aero-lbs"])
            cl = lift / (sim["aero/qbar-psf"] * sim["metrics/Sw-sqft"])
            rows.append(
                (now, sim["velocities/vc-kts"], cl, lift / sim["inertia/weight-lbs"], sim["inertia/weight-lbs"])
            )
        if (
            now > 28
            and after is None
            and (sim["aero/alpha-deg"] > 24 or elevator <= -0.999 and sim["velocities/q-rad_sec"] < -0.05)
        ):
            after = now
        if after is not None and now > after + 1.5:
            break
    flown = np.array([row for row in rows if row[0] > 26])
    peak = int(np.argmax(np.where(flown[:, 0] > 28, flown[:, 2], 0)))
    start = int(np.flatnonzero(flown[: peak + 1, 1] >= 1.1 * flown[peak, 1])[-1])
    slope = np.polyfit(flown[start : peak + 1, 0], flown[start : peak + 1, 1], 1)[0]
    return Flown(
        time_s=flown[:, 0],
        cas_kt=flown[:, 1],
        event_s=float(flown[peak, 0]),
        stall_kt=float(flown[peak, 1]),
        load_factor=float(flown[peak, 3]),
        rate_kt_per_s=-float(slope),
        weight_kg=float(flown[peak, 4]) * KG_PER_LB,
    )


CASES = {
    "flap 0, 0.5": {"rate": 0.5},
    "flap 0, 1": {"rate": 1},
    "flap 0, 2": {"rate": 2},
    "flap 0, 3": {"rate": 3},
    "flap 30, 1": {"rate": 1, "flap": 1.0},
    "flap 30, 3": {"rate": 3, "flap": 1.0},
    "bank 30": {"rate": 1, "bank_deg": 30},
    "bank 45": {"rate": 1, "bank_deg": 45},
    "60 % throttle": {"rate": 1, "throttle": 0.6},
}


@pytest.fixture(scope="module", params=CASES)
def flown(request):
    return request.param, fly(**CASES[request.param])


def call(id: str, at_s: float, ias_kt: float | None = None, name: str = "ias") -> ReviewedCall:
    return ReviewedCall(
        id=id,
        flight_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.5),
        kind=CallKind.EVENT if ias_kt is None else CallKind.AIRSPEED,
        name=name,
        value=ias_kt,
        unit="kt",
        status=CallStatus.CONFIRMED,
        ias_kt=ias_kt,
    )


def spoken(flown: Flown, seed: int, named: bool = True) -> Run:
    """The speeds as a pilot says them: whole knots, 0.7 s late with 0.1 s jitter, shorthand, 5 % wild.

    A shorthand digit is completed by the reader of sequences; one in twenty wrongly, a decade off:
    with misheard numbers these are the wild calls. The event is named with its speed.
    """
    rng = np.random.default_rng(seed)
    calls, at = [], 26.5 + rng.uniform(0, 1)
    while at < flown.event_s - 0.2:
        said = float(round(float(np.interp(at, flown.time_s, flown.cas_kt))))
        if rng.random() < 0.05:
            said += float(rng.choice([-10, 10, -10, 10, -5, 7, 20]))
        calls.append(call(f"c{len(calls)}", at + 0.7 + rng.normal(0, 0.1), said))
        at += rng.uniform(0.7, 1.3)
    event_s = flown.event_s + 0.7 + rng.normal(0, 0.1)
    calls = [c for c in calls if c.flight_s < event_s]
    calls.append(call("event", event_s, name="break"))
    if named:
        calls.append(call("named", event_s + 0.6, float(round(flown.stall_kt))))
    return Run(
        id="run",
        number=1,
        flight="flight",
        start_ns=calls[0].flight_ns,
        end_ns=calls[-1].end_ns,
        point=None,
        calls=tuple(calls),
        ended=RunEnd.RECOVERED,
    )


def test_the_model_flies_as_printed(flown):
    case, run = flown
    _, cas, nzw, _, _, rate = FLOWN[case]

    assert run.stall_kt == pytest.approx(cas, abs=0.15)
    assert run.load_factor == pytest.approx(nzw, abs=0.01)
    assert run.rate_kt_per_s == pytest.approx(rate, abs=0.08)


def test_the_reduction_returns_the_models_own_stall_speed(flown):
    _, run = flown

    found = [stall_of_run(spoken(run, seed), Indicator()) for seed in range(24)]
    errors = np.array([stall.ias_kt - run.stall_kt for stall in found])
    rates = np.array([stall.rate_kt_per_s for stall in found])

    assert abs(errors.mean()) < 0.3
    assert np.median(np.abs(errors)) < 0.3
    assert np.sqrt(np.mean(errors**2)) < 0.6  # one run: whole knots and jitter set this at 3 kt/s
    assert np.median(rates) == pytest.approx(run.rate_kt_per_s, rel=0.2)


def test_without_a_speed_named_at_the_event_the_curve_still_finds_it(flown):
    case, run = flown

    errors = np.array(
        [stall_of_run(spoken(run, seed, named=False), Indicator()).ias_kt - run.stall_kt for seed in range(24)]
    )

    # The last call is then half a second or more old, and the model eases off in that time: at 3 kt/s
    # and at 45 deg of bank this leaves a bias that no fit of the calls can see.
    assert abs(np.median(errors)) < (0.75 if case in ("flap 0, 3", "flap 30, 3", "bank 45") else 0.3)


def test_the_stated_uncertainty_is_neither_too_small_nor_idle(flown):
    _, run = flown
    found = [stall_of_run(spoken(run, seed), Indicator()) for seed in range(24)]

    scores = np.array([(stall.ias_kt - run.stall_kt) / stall.ias_u_kt for stall in found])

    assert np.mean(np.abs(scores) < 2) >= 0.9
    assert np.sqrt(np.mean(scores**2)) > 0.2


def test_calls_with_a_measured_load_factor_give_the_1_g_speed(flown):
    case, run = flown
    found = [stall_of_run(spoken(run, seed), Indicator()).ias_kt for seed in range(24)]

    assert np.mean([cas_at_1_g_kt(v, run.load_factor) for v in found]) == pytest.approx(FLOWN[case][3], abs=0.3)


# Not among the flights that the fit was set on, but for one choice (`EASING_FROM_KT_PER_S` of 0.9 instead of 1 kt/s). The
# printed flights around each give its 1 g speed.
HELD_OUT = {
    "flap 0, 0.75": ({"rate": 0.75}, "flap 0"),
    "flap 0, 1.5": ({"rate": 1.5}, "flap 0"),
    "flap 0, 2.5": ({"rate": 2.5}, "flap 0"),
    "flap 30, 1.5": ({"rate": 1.5, "flap": 1.0}, "flap 30"),
}


@pytest.mark.parametrize("case", HELD_OUT)
def test_flights_between_the_printed_ones_give_the_1_g_speed_too(case):
    how, flap = HELD_OUT[case]
    run = fly(**how)
    rates, printed = zip(
        *((FLOWN[f"{flap}, {rate}"][5], FLOWN[f"{flap}, {rate}"][3]) for rate in ("0.5", "1", "2", "3"))
    )
    found = [stall_of_run(spoken(run, 90000 + seed), Indicator()).ias_kt for seed in range(24)]

    expected = np.interp(run.rate_kt_per_s, rates, printed)
    assert np.mean([cas_at_1_g_kt(v, run.load_factor) for v in found]) == pytest.approx(expected, abs=0.3)
