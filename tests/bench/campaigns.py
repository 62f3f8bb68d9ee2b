"""Made campaigns of any size, written as journals; and what a verb costs on them.

`write_campaign` makes flights of stall approaches as they would lie on a disk after flying, without flying
them: calls go through the log store's own door. Used by the benches beside it and by tests. Not for: how well
anything is heard or estimated (`coverage.py` makes flights with every fault that real calls have).
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable, Sequence
from pathlib import Path

from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.calls import Action, CallKind, Correction, HeardCall
from logger_app.records.journal import FlightInfo
from logger_app.units import s_to_ns

UTC = "2031-05-04T07:00:00Z"
# How every made campaign.toml begins, those of tests/builders.py too.
HEAD = """
[campaign]
name = "made"
[aircraft]
name = "made"
empty_weight_kg = 380.0
reference_weight_kg = 600.0
max_weight_kg = 650.0
wing_area_m2 = 12.0
"""
CAMPAIGN = f"""{HEAD}[indicator]
unit = "kt"
graduation = 1.0
[[calibration]]
flap_deg = 0
ias_kt = [35, 80]
cas_kt = [40, 80]
u_kt = 0.8
[[configuration]]
id = "base"
name = "Plain"
[[configuration]]
id = "cuffs"
name = "Cuffs"
parent = "base"
[[configuration.change]]
item = "cuff"
[[card]]
id = "A"
title = "Power-off stalls"
[[card.point]]
id = "A1"
power = "idle"
flap_deg = 0
"""
# Processor time may grow a quarter faster than the number of flights; peak memory by so much from SMALL to 200 flights.
MAX_OVER_PROPORTION = 1.25
MAX_MB_MORE = 60.0
SMALL, MIDDLE = 10, 50
FLAPS = (0, 10, 20, 30)
# What a made configuration stalls at with the flaps up, and what each notch takes off [kt].
STALLS_KT = {"base": 47.0, "cuffs": 44.5}
NOTCH_KT = 1.5


def campaign_toml(points: int = 1) -> str:
    """`CAMPAIGN` with so many points, one a flap setting, each with its calibration."""
    more = "".join(
        f'[[card.point]]\nid = "A{k + 1}"\npower = "idle"\nflap_deg = {FLAPS[k]}\n' for k in range(1, points)
    )
    tables = "".join(
        f"[[calibration]]\nflap_deg = {FLAPS[k]}\nias_kt = [30, 80]\ncas_kt = [35, 80]\nu_kt = 0.8\n"
        for k in range(1, points)
    )
    return CAMPAIGN.replace("[[configuration]]", tables + "[[configuration]]", 1) + more


def heard(id: str, at_s: float, kind: str, name: str, value: float | str | None = None, unit: str = "kt") -> HeardCall:
    """One call as the recogniser would hand it on."""
    return HeardCall(
        id=id,
        start_ns=s_to_ns(at_s),
        end_ns=s_to_ns(at_s + 0.4),
        kind=CallKind(kind),
        name=name,
        value=value,
        unit=unit if kind == "airspeed" else None,
        words=name if value is None else f"{value:.0f}" if kind == "airspeed" else f"{name} {value}",
        posterior=0.97,
        engine="made",
        pack="en 1",
    )


def approach(
    k: int, at_s: float, stall_kt: float, rate: float, noise: random.Random | None = None
) -> tuple[list[HeardCall], float]:
    """Calls of one approach from 62 kt, its break and recovery; and when the break was called [s].

    With `noise` the calls are as people give them: late by a little more or less, a knot off, with a buffet
    before and a wing drop after some.
    """
    calls = [heard(f"on{k}", at_s - 3, "event", "on_condition")]
    event_s, n = at_s + (62 - stall_kt) / rate, 0
    while at_s + 1.1 * n < event_s - 0.4:
        speed = 62 - rate * 1.1 * n + (noise.gauss(0, 0.3) if noise else 0.0)
        late_s = 0.6 + (noise.gauss(0, 0.1) if noise else 0.0)
        calls.append(heard(f"c{k}_{n}", at_s + 1.1 * n + late_s, "airspeed", "ias", float(round(speed))))
        n += 1
    if noise:
        calls.append(heard(f"w{k}", event_s - 5.0, "event", "buffet"))
        if noise.random() < 0.3:
            calls.append(heard(f"d{k}", event_s + 1.2, "event", "wing_drop", noise.choice(("left", "right"))))
    calls += [heard(f"b{k}", event_s + 0.6, "event", "break"), heard(f"r{k}", event_s + 4, "event", "recovered")]
    return sorted(calls, key=lambda call: call.start_ns), event_s


def write_flight(
    campaign: Path,
    id: str,
    configuration: str,
    runs: Iterable[Sequence[HeardCall]],
    *,
    began_utc: str = UTC,
    corrections: Iterable[Correction] = (),
) -> list[HeardCall]:
    """A flight folder with these runs of calls, after those that set idle and flaps up; all calls of it."""
    calls = [heard("s1", 1, "setting", "power", "idle"), heard("s2", 2, "setting", "flap", 0.0)]
    calls += [call for run in runs for call in run]
    info = FlightInfo(
        id=id, configuration=configuration, loading_items=(("crew", 150.0),), fuel_l=80.0, started_utc=began_utc
    )
    with Journal.create(Path(campaign) / "flights" / id, info) as journal:
        journal.append([codec.call_row(call, began_utc) for call in calls])
        journal.append([codec.correction_row(correction) for correction in corrections])
    return calls


def write_campaign(folder: Path, flights: int, runs: int, *, points: int = 4, seed: int = 1) -> Path:
    """A campaign of so many flights of so many runs: two configurations in turn, two flights a day.

    One flight in four is reviewed call by call, one run in fifty is scratched, one in a hundred has a call that
    is plainly wrong. The same seed gives the same campaign; a smaller one is the beginning of a larger.
    """
    folder = Path(folder)
    (folder / "flights").mkdir(parents=True)
    (folder / "campaign.toml").write_text(campaign_toml(points), encoding="utf-8")
    for k in range(flights):
        noise = random.Random(1000 * seed + k)
        configuration = ("base", "cuffs")[k % 2]
        day = k // 2
        began_utc = f"{2031 + day // 336}-{day // 28 % 12 + 1:02}-{day % 28 + 1:02}T{7 + k % 2:02}:00:00Z"
        made, at_s, flap = [], 10.0, 0
        offset_kt = noise.gauss(0, 0.2)  # what is common to a flight
        for n in range(runs):
            calls = []
            if n * points // runs != flap:
                flap = n * points // runs
                calls.append(heard(f"f{n}", at_s - 6, "setting", "flap", float(FLAPS[flap])))
            rate = noise.uniform(0.7, 1.3)
            stall_kt = STALLS_KT[configuration] - NOTCH_KT * flap + offset_kt + noise.gauss(0, 0.5) - 0.8 * (rate - 1)
            said, event_s = approach(n, at_s, stall_kt, rate, noise)
            if n % 100 == 37:
                wrong = said[len(said) // 2]
                said[len(said) // 2] = heard(wrong.id, wrong.start_s, "airspeed", "ias", 91.0)
            calls += said
            if n % 50 == 23:
                calls.append(heard(f"x{n}", event_s + 7, "command", "scratch_that"))
            made.append(calls)
            at_s = event_s + 20
        reviewed = (call for run in made for call in run) if k % 4 == 1 else ()
        write_flight(
            folder,
            f"f{k:04d}_{configuration}",
            configuration,
            made,
            began_utc=began_utc,
            corrections=[
                Correction(id=f"k{j:06d}", utc=began_utc, who="crew 1", action=Action.CONFIRM, target=call.id)
                for j, call in enumerate(reviewed)
            ],
        )
    return folder


# ---- what it costs ----


def verb_cost(*words) -> dict:
    """Processor and wall seconds and peak memory [MB] of a verb in a process of its own (Linux)."""
    code = (
        "import resource, sys\nfrom logger_app.__main__ import main\ncode = main(sys.argv[1:])\n"
        "use = resource.getrusage(resource.RUSAGE_SELF)\n"
        "peak = next(int(line.split()[1]) for line in open('/proc/self/status') if line.startswith('VmHWM'))\n"
        "print('COST', code, use.ru_utime + use.ru_stime, peak / 1024, file=sys.stderr)"
    )
    began_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    told = done.stderr.rpartition("COST")[2].split()
    if done.returncode or not told or told[0] != "0":
        raise SystemExit(done.stderr[-1000:])
    return {
        "cpu_s": round(float(told[1]), 2),
        "wall_s": round(time.monotonic() - began_s, 2),
        "peak_mb": round(float(told[2]), 1),
    }


def costs(sizes: Sequence[int], runs: int, verbs: dict[str, Sequence[str]], tell=lambda text: None) -> dict:
    """What verbs cost on campaigns of so many flights; `verbs` by name, ``CAMPAIGN`` and ``OUT`` in their words filled in."""
    result: dict = {"runs_a_flight": runs, "sizes": []}
    for flights in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = write_campaign(Path(name) / "campaign", flights, runs)
            size: dict = {"flights": flights, "runs": flights * runs}
            for verb, words in verbs.items():
                filled = [
                    word.replace("CAMPAIGN", str(folder)).replace("OUT", str(Path(name) / "out")) for word in words
                ]
                size[verb] = verb_cost(*filled)
                size[verb]["ms_per_run"] = round(1000 * size[verb]["cpu_s"] / size["runs"], 2)
                if (page := Path(name) / "out" / "index.html").exists():
                    size[verb]["page_bytes"] = page.stat().st_size
                tell(f"{flights} flights, {verb}: {size[verb]}")
            result["sizes"].append(size)
    small, large = result["sizes"][0], result["sizes"][-1]
    for verb in verbs:
        times = large["flights"] / small["flights"]
        result[f"{verb}_cpu_over_proportion"] = round(large[verb]["cpu_s"] / small[verb]["cpu_s"] / times, 2)
        result[f"{verb}_peak_mb_more"] = round(large[verb]["peak_mb"] - small[verb]["peak_mb"], 1)
    return result


def sizes_to(flights: int) -> list[int]:
    """10, 50 and so many flights; only those that are not more."""
    return sorted({min(SMALL, flights), *(n for n in (MIDDLE,) if n < flights), flights})


def kept(result: dict, verb: str) -> bool:
    """Whether time grew in proportion and memory hardly at all."""
    return (
        result[f"{verb}_cpu_over_proportion"] <= MAX_OVER_PROPORTION and result[f"{verb}_peak_mb_more"] <= MAX_MB_MORE
    )


if __name__ == "__main__":
    _folder, _flights, _runs = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    began = time.monotonic()
    write_campaign(Path(_folder), _flights, _runs)
    json.dump(
        {"folder": _folder, "flights": _flights, "runs_a_flight": _runs, "wall_s": round(time.monotonic() - began, 1)},
        sys.stdout,
    )
    sys.stdout.write("\n")
