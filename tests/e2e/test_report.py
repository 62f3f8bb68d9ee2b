"""`kneecall report` on a campaign with sound and a camera, seen by a real browser without a network.

The calls are those that the demo was made from; the sound is a hum, the camera a grey picture that
brightens with time.
"""

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import av
import html5lib
import pytest
from report_campaign import UTC, make_campaign

from logger_app.__main__ import main
from logger_app.logstore import codec
from logger_app.logstore.store import Journal
from logger_app.records.calls import Action, Correction
from logger_app.records.journal import RowKind

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
SWITCHES = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-default-apps",
    "--hide-scrollbars",
)


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return make_campaign(tmp_path_factory.mktemp("report e2e") / "Spatz – Σ")


@pytest.fixture(scope="module")
def report(campaign, tmp_path_factory):
    """Made once, on a path like that of a memory stick."""
    out = tmp_path_factory.mktemp("STICK") / "mein Bericht ä"
    assert main(["report", str(campaign), "-o", str(out), "--pdf"]) == 0
    return out


def asked_by_the_page(net: Path) -> set[str]:
    """Addresses that a page asked for; the browser's own errands have no origin as their initiator."""
    started = [event.get("params", {}) for event in json.loads(net.read_text("utf-8", errors="replace"))["events"]]
    started = [params for params in started if "url" in params and "initiator" in params]
    return {
        params["url"]
        for params in started
        if params["initiator"] != "not an origin" and not params["url"].startswith(("file:", "data:"))
    }


@pytest.fixture
def browse(tmp_path):
    """Run Chromium with a fresh profile and a record of its network; gives (stdout, log, addresses asked for)."""
    assert CHROMIUM, "the report's tests look at the page in Chromium: apt install chromium"

    def browse(url: str, *switches: str):
        profile, net = tmp_path / "profile", tmp_path / "net.json"
        ran = subprocess.run(
            [
                CHROMIUM,
                *SWITCHES,
                f"--user-data-dir={profile}",
                f"--log-net-log={net}",
                "--enable-logging=stderr",
                *switches,
                url,
            ],
            capture_output=True,
            timeout=120,
            check=False,
        )
        assert ran.returncode == 0, ran.stderr.decode()[-2000:]
        asked = asked_by_the_page(net)
        shutil.rmtree(profile, ignore_errors=True)
        return ran.stdout.decode(), ran.stderr.decode(errors="replace"), asked

    return browse


@pytest.mark.slow
def test_the_watch_on_the_network_and_the_console_sees_what_it_should(browse, tmp_path):
    (tmp_path / "bad.html").write_text("<img src='http://example.invalid/x.png'><script>console.error('so')</script>")

    _, log, asked = browse((tmp_path / "bad.html").as_uri(), "--dump-dom")

    assert asked == {"http://example.invalid/x.png"}
    assert "CONSOLE" in log


@pytest.mark.slow
def test_the_page_opens_from_a_stick_with_no_console_word_and_asks_for_nothing(report, browse):
    dom, log, asked = browse((report / "index.html").as_uri(), "--dump-dom")

    assert "CONSOLE" not in log
    assert asked == set()
    assert "Drooped cuffs on the outer wing:" in dom
    assert dom.count('class="play"') > 120 and dom.count('class="frame"') > 120


@pytest.mark.slow
def test_a_link_to_a_call_opens_the_run_that_it_is_in(report, browse):
    dom, _, _ = browse((report / "index.html").as_uri() + "#c2-30", "--dump-dom")

    opened = re.findall(r'<details id="(r\d-\d+)" open', dom)
    assert len(opened) == 1
    inside = dom[dom.index(f'id="{opened[0]}"') :]
    assert 'id="c2-30"' in inside[: inside.index("</details>")]


@pytest.mark.slow
@pytest.mark.parametrize("width", [390, 1280])
def test_nothing_is_wider_than_the_screen(report, browse, tmp_path, width):
    """A copy without the content policy may measure itself."""
    html = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", (report / "index.html").read_text("utf-8"))
    measure = "<script>document.documentElement.dataset.wide=document.documentElement.scrollWidth+' of '+innerWidth</script></body>"
    (tmp_path / "measured.html").write_text(html.replace("</body>", measure), encoding="utf-8")

    dom, _, _ = browse((tmp_path / "measured.html").as_uri(), "--dump-dom", f"--window-size={width},900")

    wide, screen = map(int, re.search(r'data-wide="(\d+) of (\d+)"', dom).groups())
    assert wide <= screen
    assert screen <= max(width, 500)  # some builds have no window narrower than 500


@pytest.mark.slow
def test_printed_it_is_a_paper_with_every_call_in_it(report, browse, tmp_path):
    paper = tmp_path / "paper.pdf"
    browse((report / "index.html").as_uri(), f"--print-to-pdf={paper}", "--no-pdf-header-footer")

    said = subprocess.run(["pdftotext", "-layout", str(paper), "-"], capture_output=True, check=True).stdout.decode()
    assert "What these figures are not" in said and "time from the stall [s]" in said
    assert said.count("recovered") >= 10  # one call a run, in the details that print opens
    assert "play" not in said


def test_the_page_is_valid_html_with_sound_and_pictures_in_it(report):
    parser = html5lib.HTMLParser(strict=True)

    parser.parse((report / "index.html").read_text("utf-8"))

    assert parser.errors == []


def test_every_file_is_there_and_the_sound_is_ogg_opus(report):
    html = (report / "index.html").read_text("utf-8")
    names = {p.relative_to(report).as_posix() for p in report.rglob("*") if p.is_file()}
    clip = re.search(r"data:audio/ogg;base64,([A-Za-z0-9+/=]+)", html).group(1)
    data = __import__("base64").b64decode(clip)
    with av.open(__import__("io").BytesIO(data)) as box:
        seconds = sum(f.samples / f.sample_rate for f in box.decode(audio=0))

    assert {
        "index.html",
        "report.pdf",
        "runs.csv",
        "calls.csv",
        "points.csv",
        "comparisons.csv",
        "runs.parquet",
        "campaign_copy.toml",
        "versions.json",
        "subtitles/day1_baseline_wing_left_wing_left.vtt",
    } <= names
    assert len(data) < 12_000 and seconds == pytest.approx(2.0, abs=0.15)
    assert (report / "index.html").stat().st_size < 15_000_000


def test_the_copy_of_the_campaign_is_the_campaign(report, campaign):
    assert (report / "campaign_copy.toml").read_bytes() == (campaign / "campaign.toml").read_bytes()


@pytest.mark.slow
def test_a_correction_reaches_the_page_with_who_when_and_why(campaign, tmp_path):
    copy = tmp_path / "c"
    shutil.copytree(campaign, copy)
    flight_dir = copy / "flights" / "day2_cuffs"
    with Journal.open(flight_dir) as journal:
        call = next(row for row in journal.rows(RowKind.CALL) if row.body["kind"] == "airspeed")
        change = Correction(
            id=journal.new_id("x"),
            utc=UTC,
            who="crew 9",
            action=Action.SET,
            target=call.id,
            payload=(("value", 59.0),),
            why="clear on the second listening",
        )
        journal.append([codec.correction_row(change)])

    assert main(["report", str(copy), "-o", str(tmp_path / "r")]) == 0

    html = (tmp_path / "r" / "index.html").read_text("utf-8")
    assert "crew 9" in html and "clear on the second listening" in html
    assert "heard as" in html


@pytest.mark.slow
def test_missing_media_is_counted_and_the_report_is_made(campaign, tmp_path):
    copy = tmp_path / "c"
    shutil.copytree(campaign, copy)
    shutil.rmtree(copy / "flights" / "day1_baseline" / "audio")
    shutil.rmtree(copy / "flights" / "day2_cuffs" / "media")

    assert main(["report", str(copy), "-o", str(tmp_path / "r")]) == 0

    html = (tmp_path / "r" / "index.html").read_text("utf-8")
    assert re.search(r"\d+ calls with sound, \d+ without; \d+ calls with a picture, \d+ without", html)


@pytest.mark.slow
def test_a_clip_of_a_run(campaign, tmp_path, capsys):
    video = campaign / "flights" / "day2_cuffs" / "media" / "wing left.mp4"
    before = video.read_bytes()

    code = main(
        ["report", str(campaign), "-o", str(tmp_path), "--clip", "day2_cuffs:3", "--camera", "wing left", "--json"]
    )

    said = json.loads(capsys.readouterr().out)
    assert code == 0 and video.read_bytes() == before
    with av.open(said["clip"]) as box:
        frame = next(box.decode(video=0)).to_ndarray(format="rgb24")
    assert frame[-8:].mean() < frame[:40].mean()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--clip", "day2_cuffs:99"], "expected one of day2_cuffs:1"),
        (["--clip", "day2_cuffs:3", "--camera", "tail"], "expected one of wing left"),
    ],
)
def test_a_clip_of_what_is_not_there_names_what_is(campaign, tmp_path, capsys, words, said):
    code = main(["report", str(campaign), "-o", str(tmp_path / "r"), *words])

    assert code == 1
    assert said in capsys.readouterr().err
    assert not (tmp_path / "r").exists()


def test_a_campaign_without_flights_is_one_sentence(campaign, tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    shutil.copy(campaign / "campaign.toml", tmp_path / "empty")

    code = main(["report", str(tmp_path / "empty"), "-o", str(tmp_path / "r")])

    assert code == 1
    assert "no flight" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()


def test_a_place_that_cannot_be_written_is_one_sentence(campaign, capsys):
    """The system's own folders refuse even the superuser."""
    code = main(["report", str(campaign), "-o", "/sys/kneecall-report"])

    said = capsys.readouterr().err
    assert code == 1
    assert "/sys/kneecall-report: the report was not written" in said and "Traceback" not in said


@pytest.mark.slow
def test_when_files_cannot_grow_the_old_report_stays(campaign, report, tmp_path):
    """A limit on the size of files stands in for a full disk: the system itself refuses the write."""
    out = tmp_path / "r"
    shutil.copytree(report, out)
    before = {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()}
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000)); "
        "from logger_app.__main__ import main; sys.exit(main(sys.argv[1:]))"
    )

    ran = subprocess.run(
        [sys.executable, "-c", code, "report", str(campaign), "-o", str(out)], capture_output=True, check=False
    )

    assert ran.returncode == 1
    assert b"was not written" in ran.stderr and b"Traceback" not in ran.stderr
    assert {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()} == before
    assert not [p for p in out.iterdir() if p.name.startswith(".")]
