"""The compare screen in a real window: two made flights, each with its camera, tufts drawn on the wing."""

import io
import json
import re
import shutil
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from logger_app.__main__ import main
from logger_app.domain.tufts import STATES, TuftState
from logger_app.io.resources import data_dir
from logger_app.logstore.codec import call_row, clock_map_row
from logger_app.logstore.store import Journal
from logger_app.records.calls import CallKind, HeardCall
from logger_app.records.clocks import ClockMap
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from logger_app.sync.sheet_io import Side
from logger_app.units import s_to_ns
from logger_app.workflows import campaign as flow
from logger_app.workflows.cameras import open_cameras
from logger_app.workflows.compare import WingComparison

pytestmark = pytest.mark.window
UTC = "2027-04-11T10:00:00Z"
EVENT_S = {"day1_baseline": 20.0, "day2_cuffs": 24.0}
OFFSET_S = {"day1_baseline": 14.0, "day2_cuffs": 18.0}
FPS, SECONDS = 30, 9


SEEDS, WIDTH, HEIGHT = {"day1_baseline": 200, "day2_cuffs": 200}, 640, 360  # both have 4 by 3 tufts


def _drawn():
    from bench import wing_threads

    return wing_threads


def heard(event_s):
    rows = [
        (event_s - 17, CallKind.SETTING, "power", "idle", None),
        (event_s - 16, CallKind.SETTING, "flap", 0.0, "deg"),
        (event_s - 15.5, CallKind.EVENT, "on_condition", None, None),
    ]
    rows += [(event_s + 0.5 - back, CallKind.AIRSPEED, "ias", round(46 + back), "kt") for back in range(14, 0, -1)]
    rows += [
        (event_s - 2.7, CallKind.EVENT, "buffet", None, None),
        (event_s + 0.5, CallKind.EVENT, "break", None, None),
        (event_s + 4, CallKind.EVENT, "recovered", None, None),
    ]
    return [
        HeardCall(
            id=f"call-{k:04d}",
            start_ns=s_to_ns(at),
            end_ns=s_to_ns(at + 0.4),
            kind=kind,
            name=name,
            value=value,
            unit=unit,
        )
        for k, (at, kind, name, value, unit) in enumerate(sorted(rows, key=lambda row: row[0]), 1)
    ]


def film(path, seed, states):
    """A wing whose tufts are in known states, the half second of a scene over and over; each frame bears its number in bits."""
    frames, grid, _, _ = _drawn().scene(seed, states, width=WIDTH, height=HEIGHT)
    with av.open(str(path), "w") as box:
        video = box.add_stream("libx264", rate=FPS, options={"preset": "ultrafast", "crf": "14", "g": "15", "bf": "0"})
        video.width, video.height, video.pix_fmt = frames.shape[2], frames.shape[1], "yuv420p"
        for k in range(FPS * SECONDS):
            picture = frames[k % len(frames)].copy()
            for bit in range(9):
                picture[:10, bit * 12 : bit * 12 + 12] = 235 if k >> bit & 1 else 20
            frame = av.VideoFrame.from_ndarray(np.repeat(picture[:, :, None], 3, axis=2), format="rgb24")
            frame.pts, frame.time_base = k, Fraction(1, FPS)
            box.mux(video.encode(frame))
        box.mux(video.encode(None))
    return grid


def number_in(rgb):
    return sum(int(rgb[2:8, bit * 12 + 3 : bit * 12 + 9].mean() > 127) << bit for bit in range(9))


def truth(k):
    attached, unsteady, separated, reversed_, _ = STATES
    return [
        attached
        if n % 3 == 0
        else (separated if n % 3 == 1 else reversed_)
        if k == 0
        else unsteady
        if n % 3 == 1
        else attached
        for n in range(12)
    ]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wing")
    shutil.copy(data_dir("demo_sessions") / "sparrow_cuffs/inputs/campaign.toml", folder / "campaign.toml")
    grids = {}
    for k, flight in enumerate(EVENT_S):
        flight_dir = folder / "flights" / flight
        with Journal.create(
            flight_dir, FlightInfo(id=flight, configuration=flight.split("_")[1], fuel_l=70.0)
        ) as journal:
            journal.append(call_row(call, UTC) for call in heard(EVENT_S[flight]))
            (flight_dir / "media").mkdir()
            grids[flight] = film(flight_dir / "media/wing.mp4", SEEDS[flight], truth(k))
            body = {
                "file": "media/wing.mp4",
                "sha256": "",
                "camera": "wing",
                "chapter": 1,
                "duration_s": float(SECONDS),
                "fps": FPS,
            }
            clock = ClockMap(source="media/wing.mp4", offset_s=OFFSET_S[flight], valid_to_s=float(SECONDS), u_s=0.005)
            journal.append(
                [
                    JournalRow(id="media-1", flight_ns=0, utc=UTC, kind=RowKind.MEDIA, body=body),
                    clock_map_row(clock, UTC, "clock-1", 0),
                ]
            )
    return folder, grids


@pytest.fixture
def workflow(made, tmp_path):
    folder = shutil.copytree(made[0], tmp_path / "campaign")
    campaign, flights, reduction = flow.reduce_all(folder)
    sides = []
    for flight in EVENT_S:
        result = next(r for r in reduction.runs if r.flight == flight)
        name = flight.split("_")[1]
        sides.append(
            Side(
                configuration=name,
                name=campaign.configuration(name).name,
                result=result,
                cameras=open_cameras(folder, flight),
            )
        )
    yield WingComparison(
        folder, campaign, flights, sides[0].result.point or "A1", sides, "ann", "the nearest entry rates"
    )
    for side in sides:
        side.cameras.close()


class Finger:
    """A person at the compare window."""

    def __init__(self, pilot):
        self.pilot, self.root = pilot, pilot.root

    def ready(self):
        self.pilot.until(lambda: not self.root.waiting and not self.root.state.busy)
        self.pilot.frames(2)

    def keys(self, *names):
        codes = {"enter": 13, "tab": 9, "escape": 27, "up": 273, "down": 274, "right": 275, "left": 276}
        for name in names:
            self.pilot.window.dispatch(
                "on_key_down", codes.get(name, ord(name[0])), 0, name if len(name) == 1 else None, []
            )
            self.ready()

    def touch(self, x, y):
        from kivy.tests.common import UnitTestTouch

        touch = UnitTestTouch(x, y)
        touch.touch_down()
        touch.touch_up()
        self.pilot.frames(2)

    def picture(self, side, x, y):
        widget = self.root.panels[side].ids.picture
        self.touch(*widget.to_window(*widget.place_of(x, y)))

    def slide(self, value):
        axis = self.root.ids.axis
        self.touch(*axis.to_window(axis.x_of(value), axis.center_y))
        self.ready()

    def numbers(self):
        return [number_in(picture) for picture in self.root._pictures]


@pytest.fixture
def open_window(pilot):
    def make(workflow, size=(1280, 800)):
        # Imported here: the window must be there before the widgets are.
        from logger_app.ui.screens.compare import WingCompareApp

        finger = Finger(pilot(WingCompareApp(workflow), size))
        finger.ready()
        finger.keys("a", "a")  # time to the stall
        return finger

    return make


def rows(workflow, k, kind=RowKind.TUFT):
    with Journal.open(workflow.campaign_dir / "flights" / workflow.sides[k].result.flight, read_only=True) as journal:
        return list(journal.rows(kind))


def frame_of(workflow, k, flight_s):
    return int((flight_s - OFFSET_S[workflow.sides[k].result.flight]) * FPS + 1e-6)


def test_one_slider_moves_both_cameras_by_time_and_by_airspeed(workflow, open_window, shots):
    finger = open_window(workflow)
    events = [side.event_s for side in workflow.sides]
    assert finger.numbers() == [frame_of(workflow, k, events[k]) for k in (0, 1)]
    finger.pilot.shot(shots / "compare_stall.png")

    finger.slide(-3.0)
    at = finger.root.state.at
    assert at == pytest.approx(-3.0, abs=0.05)
    assert finger.numbers() == [frame_of(workflow, k, events[k] + at) for k in (0, 1)]

    finger.keys("a", "a")
    finger.slide(49.0)
    from logger_app.domain.moments import ias_at

    for k, side in enumerate(workflow.sides):
        shown = finger.root.state.shown[k]
        assert ias_at(side.result, shown.flight_s + side.lag_s) == pytest.approx(finger.root.state.at, abs=1.5 / FPS)
    finger.pilot.shot(shots / "compare_speed.png")


def test_frames_are_stepped_one_by_one_and_a_held_side_stays(workflow, open_window, shots):
    finger = open_window(workflow)
    first = finger.numbers()
    finger.keys("right", "right", "right")
    assert finger.numbers() == [n + 3 for n in first]
    finger.keys("left")
    assert finger.numbers() == [n + 2 for n in first]
    finger.keys("h", "tab", "left", "left")
    assert finger.numbers() == [first[0] + 2, first[1]]
    finger.pilot.shot(shots / "compare_held.png")
    finger.pilot.tap(finger.root.keys["f"])
    assert len(finger.root.ids.panels.children) == 1
    finger.pilot.shot(shots / "compare_flip.png")
    finger.pilot.tap(finger.root.keys["f"])
    assert finger.root.ids.panels.children == [finger.root.panels[1]]
    finger.pilot.tap(finger.root.keys["f"])
    assert len(finger.root.ids.panels.children) == 2


def test_stations_are_placed_tapped_proposed_taken_mapped_and_saved(
    workflow, open_window, made, shots, capsys, monkeypatch
):
    from logger_app.ui.widgets.wing_picture import label_lines

    finger = open_window(workflow)
    grids = [made[1][side.result.flight] for side in workflow.sides]
    for k in (0, 1):
        finger.keys("g")
        for corner in grids[k].corners:
            finger.picture(k, *corner)
        finger.keys("tab")
    assert [len(rows(workflow, k, RowKind.TUFT_GRID)) for k in (0, 1)] == [1, 1]
    for k in (0, 1):
        finger.root.press(f"side:{k}")
        finger.root.press(measured(grids[k]))
    finger.root.press("side:0")
    finger.keys("f", "p")  # of this side alone
    assert not finger.root.trouble, finger.root.message
    finger.keys("f", "f")
    proposed = [row for row in rows(workflow, 0) if row.body["proposed"]]
    assert len(proposed) >= 9, finger.root.message
    known = {s.id: t for s, t in zip(grids[0].stations(), truth(0))}
    wrong = [row.body for row in proposed if row.body["state"] != str(known[row.body["station"]])]
    assert len(wrong) <= 1, wrong
    assert {row.body["run"] for row in proposed} == {workflow.sides[0].result.run}
    for name, state in known.items():  # what it declined, a person says
        if name not in {row.body["station"] for row in proposed}:
            finger.root.press(str(STATES.index(state) + 1))
            station = next(s for s in finger.root.panels[0].ids.picture.view.stations if s.id == name)
            finger.picture(0, station.x, station.y)
    finger.root.press("0")
    so_far = len(rows(workflow, 0))
    finger.pilot.shot(shots / "compare_proposed.png")

    name = proposed[0].body["station"]
    station = next(s for s in finger.root.panels[0].ids.picture.view.stations if s.id == name)
    from logger_app.ui.screens import compare as screen

    monkeypatch.setattr(screen, "SETTLE_S", 600.0)  # a slow machine must not end it between two taps
    for _ in range(2):
        finger.picture(0, station.x, station.y)
    assert len(rows(workflow, 0)) == so_far, "a tap becomes a row when the finger has left"
    monkeypatch.setattr(screen, "SETTLE_S", 0.2)
    finger.picture(0, station.x, station.y)
    finger.pilot.until(lambda: len(rows(workflow, 0)) == so_far + 1)
    decided = rows(workflow, 0)[-1]
    assert decided.body["station"] == station.id
    assert decided.body["state"] == str(STATES[(STATES.index(station.state) + 2) % 5])
    assert (decided.body["who"], decided.body["proposed"]) == ("ann", False)
    assert decided.body["ias_kt"] == pytest.approx(workflow.sides[0].result.vs_ias_kt, abs=1.0)
    assert decided.flight_ns / 1e9 == pytest.approx(workflow.sides[0].event_s, abs=1 / FPS)

    finger.keys("enter")
    assert len([row for row in rows(workflow, 0) if not row.body["proposed"]]) == 12
    finger.keys("tab", "p", "enter", "m")
    finger.pilot.shot(shots / "compare_decided.png")
    assert [one.title.partition(",")[0] for one in finger.root.ids.maps.maps][:2] == ["baseline", "cuffs"]
    finger.keys("s")
    (still,) = (workflow.campaign_dir / "results/compare").glob("*.png")
    assert still.name in finger.root.message
    shutil.copy(still, shots / "compare_still.png")
    assert Image.open(still).width > 1200, "side by side"
    for panel in finger.root.panels:
        for station in panel.ids.picture.view.stations:
            assert "% span" in station.description and str(station.state or "not looked at") in station.description
            assert station.state is None or label_lines(station) == [station.id, str(station.state)]

    assert main(["report", str(workflow.campaign_dir), "-o", str(workflow.campaign_dir / "out")]) == 0
    html = (workflow.campaign_dir / "out/index.html").read_text("utf-8")
    text = re.sub(r"<[^>]+>", "", re.search(r'<figure class="saved">.*?</figure>', html, re.DOTALL).group())
    assert 'class="saved"><img src="data:image/jpeg;base64,' in html
    for side in workflow.sides:
        assert f"{side.name} ({side.result.flight}, run 1): at the stall, 46.0 kt indicated" in text
    assert f"{known[name]} {name}" in text or f" {name}" in text, text
    assert f"Runs: {workflow.why}." in text and "Saved by ann" in text and still.name in text
    assert "where the wing first separated, Plain wing, tufted" in html and "cuffs less baseline" in html
    finger.keys("m")
    finger.slide(-2.0)
    finger.keys("f")
    finger.pilot.shot(shots / "compare_flip_tufts.png")
    document = json.loads(compared(capsys, workflow, "--no-clip", "--json"))
    first = document["tufts"]["first_separated"]
    assert {d["station"] for d in first if d["configuration"] == "baseline"} == set(known)
    assert {d["view"] for d in first} == {"wing"}
    assert Path(document["files"]["sheet"]).parent == workflow.campaign_dir / "results/compare"
    assert "% span" in compared(capsys, workflow, "--no-clip", "--force")


def measured(grid):
    """The key that sets rows at a grid's percentages."""
    return "rows:" + ";".join(" ".join(f"{v:g}" for v in row) for row in (grid.span_pct, grid.chord_pct))


def verb(capsys, *words):
    capsys.readouterr()
    assert main([str(word) for word in words]) == 0
    return capsys.readouterr().out


def compared(capsys, workflow, *options):
    """What `kneecall compare` prints of the point's two configurations."""
    return verb(
        capsys, "compare", workflow.campaign_dir, "--point", workflow.point, "--configs", "baseline,cuffs", *options
    )


def test_stations_placed_once_are_proposed_for_the_next_flight_of_that_camera(workflow, open_window, made, shots):
    finger = open_window(workflow)
    finger.keys("g")
    for corner in made[1]["day1_baseline"].corners:
        finger.picture(0, *corner)
    second = finger.root.panels[1]
    assert second.carried.startswith("Placed on day1_baseline, check it")
    assert all(station.carried for station in second.ids.picture.view.stations)
    finger.pilot.shot(shots / "compare_carried.png")

    station = second.ids.picture.view.stations[4]
    finger.picture(1, station.x, station.y)
    assert "check it" in finger.root.message and rows(workflow, 1) == [] and rows(workflow, 1, RowKind.TUFT_GRID) == []
    finger.pilot.tap(finger.root.keys["k"])
    (row,) = rows(workflow, 1, RowKind.TUFT_GRID)
    assert row.body["carried_from"] == "day1_baseline"
    assert "carried_from" not in rows(workflow, 0, RowKind.TUFT_GRID)[0].body
    assert second.carried == "" and not second.ids.picture.view.stations[0].carried
    finger.picture(1, station.x, station.y)
    finger.root.press("settle")
    assert [r.body["station"] for r in rows(workflow, 1)] == [station.id]


def test_many_stations_keep_their_labels_apart(workflow, open_window, made, shots):
    finger = open_window(workflow)
    finger.keys("g")
    for corner in made[1]["day1_baseline"].corners:
        finger.picture(0, *corner)
    finger.root.press("rows:5 15 25 35 45 55 65 75 85 95;10 30 50 70 90")
    finger.keys("p", "f")
    finger.pilot.shot(shots / "compare_many.png")
    assert len(finger.root.panels[0].ids.picture.view.stations) == 50


def test_the_report_takes_its_pictures_from_the_small_copies_and_they_are_the_same(workflow, open_window, capsys):
    from logger_app.workflows.report import Gathered, frame_finder

    reader = flow.FlightByFlight(workflow.campaign_dir)
    cameras = [camera for data, _ in reader for camera in Gathered(workflow.campaign_dir).add(data, reader.rows)]
    times = [
        (flight, OFFSET_S[flight] + at)
        for flight in OFFSET_S
        for at in np.random.default_rng(4).uniform(0.0, SECONDS - 0.1, 30)
    ]

    def numbers():
        finder = frame_finder(workflow.campaign_dir, cameras)
        used = {path.parent.name for _, path in finder.cameras}
        return used, [
            number_in(np.array(Image.open(io.BytesIO(finder(flight, at_s))).resize((WIDTH, HEIGHT))))
            for flight, at_s in times
        ]

    before = numbers()
    compared(capsys, workflow, "--quick", "--no-clip")
    after = numbers()
    assert (before[0], after[0]) == ({"media"}, {"proxies"})
    assert before[1] == after[1] == [int((at_s - OFFSET_S[flight]) * FPS + 1e-6) for flight, at_s in times]

    wing = workflow.campaign_dir / "flights/day1_baseline/media/wing.mp4"
    wing.write_bytes(wing.read_bytes() + b"\0")  # another file now
    assert {
        path.parent.name
        for camera, path in frame_finder(workflow.campaign_dir, cameras).cameras
        if camera.flight == "day1_baseline"
    } == {"media"}


def test_what_was_seen_is_there_again_after_a_restart_and_in_the_report(workflow, open_window, made):
    finger = open_window(workflow)
    finger.keys("g")
    for corner in made[1]["day1_baseline"].corners:
        finger.picture(0, *corner)
    station = finger.root.panels[0].ids.picture.view.stations[4]
    finger.picture(0, station.x, station.y)
    finger.root.close()

    assert [m.state for m in workflow.marks()[0]] == [TuftState.ATTACHED]
    assert list(workflow.grids()) == [(0, "wing")]
    from logger_app.workflows.report import Gathered

    reader, gathered = flow.FlightByFlight(workflow.campaign_dir), Gathered(workflow.campaign_dir)
    for data, _ in reader:
        gathered.add(data, reader.rows)
    tufts = [mark for flight, mark in gathered.tufts if flight == "day1_baseline"]
    assert [(t.station, t.state, t.who) for t in tufts] == [(station.id, "attached", "ann")]


def test_a_flight_that_is_being_written_is_said_and_the_tap_is_not_shown_as_kept(workflow, open_window, made):
    finger = open_window(workflow)
    finger.keys("g")
    for corner in made[1]["day1_baseline"].corners:
        finger.picture(0, *corner)
    station = finger.root.panels[0].ids.picture.view.stations[2]
    with Journal.open(workflow.campaign_dir / "flights/day1_baseline"):
        finger.picture(0, station.x, station.y)
        finger.root.press("settle")
        finger.pilot.frames(2)
        assert finger.root.trouble and "writing" in finger.root.message
    assert rows(workflow, 0) == []
    assert all(s.state is None for s in finger.root.panels[0].ids.picture.view.stations)


def test_quick_copies_show_the_same_frame_and_are_made_once(workflow, open_window):
    finger = open_window(workflow)
    assert workflow.quick(0, workflow.sides[0].event_s) is None
    finger.keys("q")
    finger.pilot.until(lambda: finger.root.message == "2 quick copies made.")
    for back_s in (0.0, 1.234, 3.5):
        for k, side in enumerate(workflow.sides):
            assert number_in(workflow.quick(k, side.event_s - back_s)) == frame_of(workflow, k, side.event_s - back_s)
    finger.slide(-2.0)
    assert finger.numbers() == [
        frame_of(workflow, k, side.event_s + finger.root.state.at) for k, side in enumerate(workflow.sides)
    ]
    station = (0.5, 0.5)
    finger.root._small[0] = workflow.quick(0, workflow.sides[0].event_s)
    before = finger.root.state
    finger.picture(0, *station)
    assert finger.root.state is before, "a small picture takes no marks"
    finger.root._small[0] = None
    finger.keys("q")
    finger.pilot.until(lambda: finger.root.message == "The quick copies are there already.")
    assert len(list((workflow.campaign_dir / "results/proxies").iterdir())) == 2


def test_four_sides_are_shown_two_by_two(workflow, open_window, shots):
    from dataclasses import replace

    more = [replace(side, configuration=f"{side.configuration}2", name=f"{side.name} again") for side in workflow.sides]
    _, flights, _ = flow.reduce_all(workflow.campaign_dir)
    finger = open_window(
        WingComparison(workflow.campaign_dir, workflow.campaign, flights, "A1", [*workflow.sides, *more], "ann")
    )
    finger.slide(-2.0)
    numbers = finger.numbers()
    assert numbers[:2] == numbers[2:]
    lowest, highest = finger.root.panels[3], finger.root.panels[0]
    assert highest.y > lowest.y and highest.x < lowest.x
    finger.pilot.shot(shots / "compare_four.png")


def test_on_an_upright_tablet_everything_is_in_the_window_and_the_pictures_are_wide(workflow, open_window, made, shots):
    finger = open_window(workflow, (800, 1280))
    finger.keys("g")
    for corner in made[1]["day1_baseline"].corners:
        finger.picture(0, *corner)
    finger.root.press("1")
    for station in finger.root.panels[0].ids.picture.view.stations[:5]:
        finger.root.press(f"tap:0:{station.x}:{station.y}")
    finger.pilot.frames(2)
    finger.pilot.shot(shots / "compare_upright.png")
    for button in finger.root.keys.values():
        x, y = button.to_window(button.x, button.y)
        assert x >= 0 and y >= 0 and x + button.width <= 800 and button.width >= 40
    assert finger.root.panels[0].ids.picture.window()[2] > 600, "one above the other"


def test_in_a_small_window_the_buttons_leave_most_of_it_to_the_pictures(workflow, open_window, shots):
    """They took a third of it. Those of the tufts, and what their letters mean, come when tufts are shown."""
    finger = open_window(workflow, (800, 600))
    heights = {}
    for shown in (False, True):
        if shown:
            finger.pilot.tap(finger.root.keys["t"])
        finger.pilot.frames(2)
        finger.pilot.shot(shots / f"compare_small_{shown}.png")
        buttons = finger.root.ids.buttons
        heights[shown] = buttons.height
        assert (finger.root.keys["1"] in buttons.children, "not visible" in finger.root.foot) == (shown, shown)
        assert "not an instrument" in finger.root.foot
        assert all(button.width >= 40 and button.height >= 40 for button in buttons.children)

    assert heights[False] <= 0.15 * 600 and heights[True] <= 0.22 * 600


def test_the_verb_opens_it_with_the_runs_that_it_chose(workflow, monkeypatch, capsys):
    from logger_app.ui.screens import compare_app

    opened = []
    monkeypatch.setattr(compare_app, "open_compare", lambda made: opened.append(made) or 0)
    code = main(
        [
            "compare",
            str(workflow.campaign_dir),
            "--point",
            workflow.point,
            "--configs",
            "baseline,cuffs",
            "--screen",
            "--who",
            "bob",
        ]
    )

    assert code == 0
    assert [(side.configuration, side.flight) for side in opened[0].facts] == [
        ("baseline", "day1_baseline"),
        ("cuffs", "day2_cuffs"),
    ]
    assert opened[0].who == "bob" and opened[0].facts[0].calls
    assert "nearest entry rates" in capsys.readouterr().err


def test_without_a_display_the_verb_says_what_else_there_is(workflow, monkeypatch, capsys):
    from logger_app.__main__ import main

    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    code = main(
        ["compare", str(workflow.campaign_dir), "--point", workflow.point, "--configs", "baseline,cuffs", "--screen"]
    )

    assert code == 1
    assert "Without --screen it writes a sheet" in capsys.readouterr().err


def test_where_no_camera_ran_the_side_says_so(workflow, open_window, shots):
    finger = open_window(workflow)
    finger.slide(-9.0)
    assert all("was running" in panel.why for panel in finger.root.panels)
    finger.pilot.shot(shots / "compare_none.png")
    assert json.dumps([shown.why for shown in finger.root.state.shown])


def test_every_station_of_a_usual_grid_has_its_words_beside_it_also_with_the_map_open(
    workflow, open_window, made, monkeypatch
):
    """One at the tip stood without: its neighbour's words had taken the place."""
    finger = open_window(workflow)
    from logger_app.ui.widgets.wing_picture import WingPicture, label_lines

    drawn = []
    monkeypatch.setattr(WingPicture, "_label", lambda self, box, textures: drawn.append((self, box, len(textures))))
    for k in (0, 1):
        finger.keys("g")
        for corner in ((0.08, 0.1), (0.92, 0.1), (0.92, 0.9), (0.08, 0.9)):
            finger.picture(k, *corner)
        finger.root.press("1")
        for station in finger.root.panels[k].ids.picture.view.stations:
            finger.root.press(f"tap:{k}:{station.x}:{station.y}")
        finger.keys("0", "tab")
    finger.keys("m")
    for panel in finger.root.panels:
        drawn.clear()
        panel.ids.picture.redraw()
        stations = panel.ids.picture.view.stations
        boxes = [box for _, box, _ in drawn]
        assert [lines for _, _, lines in drawn] == [len(label_lines(s)) for s in stations] == [2] * 15
        left, foot, width, height = panel.ids.picture.box()
        assert all(b[0] >= left and b[1] >= foot and b[2] <= left + width and b[3] <= foot + height for b in boxes)
        assert not any(
            a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for k, a in enumerate(boxes) for b in boxes[:k]
        )


class OneRunEach:
    """The runs of the two flights, none other to go to; their stall speeds."""

    def __init__(self, sides):
        self.stall_ias_kt = {(side.result.flight, side.result.run): side.result.vs_ias_kt for side in sides}
        self.turn = lambda sides, by, which: (sides, ())
        self.position = lambda side: (1, 1)


@pytest.mark.parametrize(("size", "palette"), [((1280, 800), "day"), ((1920, 1200), "night"), ((800, 600), "day")])
def test_the_generation_before_lies_faint_under_the_new_marks_and_is_taken_over(
    workflow, open_window, made, shots, size, palette
):
    from logger_app.domain.tufts import TuftMark
    from logger_app.ui.theme import PALETTES, use_palette
    from logger_app.ui.widgets.drawing_view import DrawingView

    grids = [made[1][side.result.flight] for side in workflow.sides]
    for k, grid in enumerate(grids):
        workflow.place_grid(k, grid)
    before = workflow.sides[0].result
    known = {s.id: t for s, t in zip(grids[0].stations(), truth(0))}
    workflow.write(
        0,
        [
            TuftMark(
                flight_ns=s_to_ns(EVENT_S["day1_baseline"]), camera="wing", frame_pts=180, station=name, state=state,
                ias_kt=before.vs_ias_kt, who="ann", run=before.run,
            )
            for name, state in known.items()
        ],
    )  # fmt: skip
    workflow.runs = OneRunEach(workflow.sides)
    use_palette(PALETTES[palette])
    finger = open_window(workflow, size)
    finger.keys("a")  # ratios: at the stall
    stations = finger.root.panels[1].ids.picture.view.stations
    assert {s.id: s.ghost for s in stations} == known
    finger.pilot.shot(shots / f"compare_ghost_{size[0]}_{palette}.png")

    finger.pilot.tap(finger.root.keys["c"])
    finger.ready()
    assert not rows(workflow, 1), "no row before it is confirmed"
    finger.pilot.shot(shots / f"compare_taken_over_{size[0]}_{palette}.png")
    finger.pilot.tap(finger.root.keys["enter"])
    finger.ready()
    assert {row.body["station"]: row.body["state"] for row in rows(workflow, 1)} == {
        n: str(s) for n, s in known.items()
    }
    assert not any(row.body["proposed"] for row in rows(workflow, 1))
    finger.keys("m")
    finger.pilot.frames(10)
    drawn = [w for w in finger.root.ids.fitted.children if isinstance(w, DrawingView)]
    assert [w.drawing.id for w in reversed(drawn)] == ["wing-baseline", "wing-cuffs"]
    finger.pilot.shot(shots / f"compare_fitted_{size[0]}_{palette}.png")
    use_palette(PALETTES["day"])
