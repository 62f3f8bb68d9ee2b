"""What the app's pages show, and the pages themselves, without a window."""

from pathlib import Path

import pytest

from logger_app.ui.pages import FilesPage, HearPage, NewPage
from logger_app.ui.presenters import home
from logger_app.workflows.overview import FlightOverview, Overview, recent, remember

FOLDER = Path("/flying/heron")


def flight(id="day1", **more):
    return FlightOverview(
        **{"id": id, "folder": FOLDER / "flights" / id, "configuration": "baseline", "calls": 40} | more
    )


def campaign(*flights, **more):
    fields = {
        "folder": FOLDER,
        "name": "Heron",
        "points": 4,
        "configurations": ("baseline", "cuffs"),
        "flights": flights,
    }
    return Overview(**fields | more)


def state_of(now, key):
    return next(tile for tile in home.campaign_view(now, "x").tiles if tile.key == key)


@pytest.mark.parametrize(
    "now, step",
    [
        (campaign(faults=("no wing area",)), "plan"),
        (campaign(), "preflight"),
        (campaign(flight(to_check=3)), "review"),
        (campaign(flight()), "report"),
        (campaign(flight(), reported="old"), "report"),
        (campaign(flight(), reported="current", reduced="current"), "open_report"),
        (campaign(flight(), reported="current", reduced="old"), "report"),
    ],
)
def test_one_tile_comes_next(now, step):
    shown = home.campaign_view(now, "x")

    assert [tile.key for tile in shown.tiles if tile.role == "main"] == [step]
    assert shown.words


def test_tiles_say_how_each_step_is():
    now = campaign(flight("day1"), flight("day2", to_check=5, cameras=1), flight("day3"), reduced="old")

    assert state_of(now, "review").state == "2 of 3 flights reviewed, 5 calls to check"
    assert state_of(now, "sync").state == "none for day1, day3"
    assert state_of(now, "reduce").state == "older than the last change"
    assert state_of(now, "hear").state == "120 calls in 3 flights"


def test_a_flight_that_cannot_be_read_is_named():
    now = campaign(flight("day1"), flight("day2", trouble="damaged"))

    assert (state_of(now, "review").state, state_of(now, "review").sign) == ("day2 cannot be read", "stop")


def test_without_a_campaign_file_in_order_only_the_plan_opens():
    shown = home.campaign_view(campaign(flight(), faults=("no wing area",)), "x")
    assert {tile.key for tile in shown.tiles if tile.enabled} == {"plan", "folder"}


def test_compare_needs_two_configurations_with_pictures_of_one_point():
    one = campaign(flight("day1", points=("A1",), cameras=1), flight("day2", points=("A1",), configuration="cuffs"))
    both = campaign(
        flight("day1", points=("A1", "A2"), cameras=1), flight("day2", points=("A1",), configuration="cuffs", cameras=2)
    )

    assert not state_of(one, "compare").enabled
    assert state_of(both, "compare").enabled
    assert both.compared == (("A1", ("baseline", "cuffs")),)


class Shell:
    """Takes what pages ask for."""

    def __init__(self):
        self.opened, self.drawn = [], 0

    def open(self, page):
        self.opened.append(page)

    def back(self):
        self.opened.append("back")

    def changed(self):
        self.drawn += 1


def page_in(shell, page):
    page.shell = shell
    return page


def test_faults_stand_beside_the_fields_and_go_when_they_are_mended(tmp_path):
    made = []
    page = page_in(Shell(), NewPage(made.append))
    page.typed("folder", str(tmp_path / "heron"))
    page.typed("aircraft", "Heron")
    page.typed("empty_weight_kg", "heavy")
    page.press("create")
    faults = {field.name: field.fault for field in page.view().fields if field.fault}
    assert set(faults) == {"empty_weight_kg", "max_weight_kg", "wing_area_m2"}
    assert faults["max_weight_kg"] == "needed"
    assert not made

    for name, text in (("empty_weight_kg", "388"), ("max_weight_kg", "640"), ("wing_area_m2", "12.4")):
        page.typed(name, text)
    assert not any(field.fault for field in page.view().fields)
    page.press("create")
    assert made == [tmp_path / "heron"]
    assert (tmp_path / "heron" / "campaign.toml").is_file()


def test_a_campaign_that_is_there_is_not_replaced(tmp_path):
    (tmp_path / "campaign.toml").write_text("mine", "utf-8")
    page = page_in(Shell(), NewPage(lambda folder: None))
    page.typed("folder", str(tmp_path))
    for name, text in (("aircraft", "x"), ("empty_weight_kg", "388"), ("max_weight_kg", "640"), ("wing_area_m2", "12")):
        page.typed(name, text)
    page.press("create")

    assert page.faults["folder"] == "there is a campaign in it already"
    assert (tmp_path / "campaign.toml").read_text("utf-8") == "mine"


def test_a_recording_goes_into_a_new_flight_only(tmp_path):
    (tmp_path / "flights" / "day1").mkdir(parents=True)
    now = campaign(folder=tmp_path, planned=(("day1", "baseline"), ("day2", "cuffs")))
    page = page_in(Shell(), HearPage(tmp_path, now, [Path("cockpit.flac")]))
    assert page.name == "day2"
    page.press("go")
    job = page.shell.opened[-1].job
    assert job.words == ["hear", "cockpit.flac", "--into", str(tmp_path / "flights" / "day2")]

    page.typed("flight", "day1")
    assert not next(tile for tile in page.view().actions if tile.key == "go").enabled


def test_files_are_chosen_by_pressing_or_by_a_path(tmp_path):
    (tmp_path / "sub").mkdir()
    for name in ("a.flac", "b.mp4", "notes.doc", ".hidden.wav"):
        (tmp_path / name).touch()
    taken = []
    page = page_in(Shell(), FilesPage("Choose files", taken.extend, suffixes=home.RECORDINGS))
    page.typed("folder", str(tmp_path))
    shown = page.view()
    assert [tile.title for tile in shown.tiles if tile.key.startswith("pick:")] == ["a.flac", "b.mp4"]
    page.press(f"pick:{tmp_path / 'a.flac'}")
    page.typed("folder", str(tmp_path / "b.mp4"))
    page.press("take")

    assert taken == [tmp_path / "a.flac", tmp_path / "b.mp4"]
    page.typed("folder", str(tmp_path / "nothing"))
    assert page.view().fields[0].fault == "there is no such file or folder"


@pytest.mark.parametrize(
    "name, ways", [("a.mp4", {"hear", "sync"}), ("a.flac", {"hear"}), ("a.csv", {"hear", "reduce"}), ("a.doc", set())]
)
def test_a_dropped_file_may_be_what_its_kind_can_be(name, ways):
    assert {tile.key for tile in home.dropped_view(Path(name)).tiles} == ways


def test_a_job_is_cancelled_or_done():
    job = home.JobState(title="Report", fraction=0.4, stage="Flights")
    assert [tile.key for tile in home.job_view(job).actions] == ["cancel"]
    assert home.job_view(job).words == "Flights ..."
    done = home.JobState(title="Report", code=0)
    assert [tile.key for tile in home.job_view(done, (home.TileView(key="read", title="Read"),)).actions] == [
        "read",
        "done",
    ]
    assert home.job_view(home.JobState(title="Report", code=1)).trouble


def test_recent_campaigns_newest_first_and_gone_ones_left_out(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "campaign.toml").touch()
        remember(tmp_path / name, tmp_path)
    assert recent(tmp_path) == (tmp_path / "two", tmp_path / "one")
    (tmp_path / "two" / "campaign.toml").unlink()
    assert recent(tmp_path) == (tmp_path / "one",)
    (tmp_path / "recent.json").write_text("{broken", "utf-8")
    assert recent(tmp_path) == ()
