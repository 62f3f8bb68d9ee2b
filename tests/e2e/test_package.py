"""The package of a report: the same to the byte, opened and checked without this program, refused when altered."""

import io
import json
import shutil
import subprocess
import zipfile

import pytest
from PIL import Image
from report_campaign import make_campaign

from logger_app.__main__ import main
from logger_app.errors import ReportError
from logger_app.workflows.package import check_package, write_package


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    folder = make_campaign(tmp_path_factory.mktemp("package e2e") / "Spatz – Σ")
    (folder / "photos" / "cuffs").mkdir(parents=True)
    Image.new("RGB", (300, 200), "red").save(folder / "photos" / "cuffs" / "left wing.jpg")
    return folder


@pytest.fixture(scope="module")
def package(campaign, tmp_path_factory):
    return write_package(campaign, tmp_path_factory.mktemp("out") / "Spatz.zip", with_sound=True)


def unpacked(package, tmp_path):
    with zipfile.ZipFile(package) as archive:
        archive.extractall(tmp_path)
    (folder,) = tmp_path.iterdir()
    return folder


def repacked(package, change):
    """The same package with its files changed: a dict of name to bytes."""
    with zipfile.ZipFile(package) as archive:
        files = {name: archive.read(name) for name in archive.namelist()}
    change(files, next(iter(files)).partition("/")[0])
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return held.getvalue()


def test_it_is_the_same_to_the_byte_from_the_same_campaign(campaign, package, tmp_path):
    again = write_package(campaign, tmp_path / "another name.zip", with_sound=True)

    assert again.read_bytes() == package.read_bytes()


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="checks with coreutils")
def test_its_sums_hold_by_another_program(package, tmp_path):
    folder = unpacked(package, tmp_path)
    ran = subprocess.run(["sha256sum", "-c", "--strict", "SHA256SUMS"], cwd=folder, capture_output=True, check=False)

    assert ran.returncode == 0, ran.stderr.decode()
    assert len(ran.stdout.splitlines()) == sum(path.is_file() for path in folder.rglob("*")) - 1


def test_what_it_promises_is_in_it_and_the_readme_names_it(package, tmp_path):
    folder = unpacked(package, tmp_path)
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    readme = (folder / "README.txt").read_text("utf-8")

    assert {
        "report/index.html",
        "report/report.pdf",
        "report/runs.csv",
        "report/calls.parquet",
        "campaign.toml",
    } <= names
    assert {name.partition("/")[0] for name in names} == {
        "README.txt",
        "SHA256SUMS",
        "campaign.toml",
        "photos",
        "report",
        "sound",
    }
    for name in ("report/index.html", "report/report.pdf", "campaign.toml", "sound/", "SHA256SUMS"):
        assert name in readme
    sounds = sorted(name for name in names if name.startswith("sound/"))
    assert len(sounds) > 100 and (folder / sounds[0]).read_bytes()[:4] == b"OggS"
    manifest = json.loads((folder / "report/versions.json").read_text("utf-8"))
    assert set(manifest["journals_sha256"]) == {"day1_baseline", "day2_cuffs"}


def test_the_page_shows_what_was_fitted_and_the_air_that_it_was_flown_in(package, tmp_path):
    """The demo's METARs: 24006KT, 12 degrees, Q1019 at 1,250 ft; 26008KT, 15 degrees, Q1016."""
    folder = unpacked(package, tmp_path)
    html = (folder / "report/index.html").read_text("utf-8")

    assert (folder / "photos/cuffs/left_wing.jpg").is_file()
    assert html.count('alt="Photograph of Drooped cuffs on the outer wing: left wing.jpg"') == 1
    air = html[html.index('id="conditions"') : html.index('id="fitted"')]
    assert "240/6 kt" in air and "260/8 kt" in air and ">1019<" in air and ">12.0<" in air
    assert "METAR ZZZZ, day 11, 07:50 UTC" in air


def test_no_voice_is_in_it_unless_the_team_says_so(campaign, tmp_path):
    folder = unpacked(write_package(campaign, tmp_path / "quiet.zip"), tmp_path / "out")

    assert not (folder / "sound").exists()
    assert "data:audio" not in (folder / "report/index.html").read_text("utf-8")
    assert "It contains no sound" in (folder / "README.txt").read_text("utf-8")


def test_verify_says_that_it_is_whole(package, capsys):
    assert main(["store", "verify", str(package)]) == 0
    assert "complete and unchanged" in capsys.readouterr().out
    assert main(["store", "verify", str(package), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ok"] is True


def altered(files, top):
    files[f"{top}/report/runs.csv"] = files[f"{top}/report/runs.csv"].replace(b"4", b"3", 1)


def removed(files, top):
    del files[f"{top}/report/runs.csv"]


def added(files, top):
    files[f"{top}/report/more.csv"] = b"x"


def outside(files, top):
    files["../evil.sh"] = b"x"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (altered, "runs.csv: was changed"),
        (removed, "runs.csv: is missing"),
        (added, "more.csv: is not in the list"),
        (outside, "../evil.sh: is not in the list"),
    ],
)
def test_whatever_was_changed_is_named(package, tmp_path, change, said, capsys):
    (tmp_path / "p.zip").write_bytes(repacked(package, change))
    health = check_package(tmp_path / "p.zip")

    assert len(health.faults) == 1 and said in health.faults[0]
    assert main(["store", "verify", str(tmp_path / "p.zip")]) == 1
    assert said in capsys.readouterr().err


def test_a_torn_copy_and_a_stranger_are_one_sentence(package, tmp_path):
    whole = package.read_bytes()
    (tmp_path / "torn.zip").write_bytes(whole[: len(whole) // 2])
    (tmp_path / "text.zip").write_text("no zip")
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
        archive.writestr("a.txt", "x")

    for name in ("torn.zip", "text.zip", "other.zip"):
        with pytest.raises(ReportError):
            check_package(tmp_path / name)


def test_a_flipped_bit_anywhere_in_the_sound_is_found(package, tmp_path):
    data = bytearray(package.read_bytes())
    at = data.index(b"OggS", data.index(b"/sound/")) + 200
    data[at] ^= 1
    (tmp_path / "p.zip").write_bytes(data)

    assert not check_package(tmp_path / "p.zip").ok


def test_an_older_file_is_not_overwritten(campaign, package):
    before = package.read_bytes()
    with pytest.raises(ReportError, match="already exists"):
        write_package(campaign, package)

    assert package.read_bytes() == before
