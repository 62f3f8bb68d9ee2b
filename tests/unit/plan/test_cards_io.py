"""Reading a campaign file: the demo's reads, faults come all at once, writing is whole or not at all."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from logger_app.errors import CardError
from logger_app.plan.cards_io import missing_photos, read_campaign, write_text
from logger_app.plan.parse import parse_text

ROOT = Path(__file__).resolve().parents[3]
DEMO = ROOT / "demo_sessions" / "sparrow_cuffs" / "inputs"


def test_the_demo_campaign_reads_from_its_folder_and_from_its_file():
    campaign = read_campaign(DEMO)

    assert [p.id for p in campaign.points] == ["A1", "A2", "A3", "B1"]
    assert campaign.points[3].power_rpm == 2100
    assert campaign.points[3].altitude_low_ft == 4500
    assert campaign.configuration("cuffs").parent == "baseline"
    assert sum(kg for _, kg in campaign.flight("day2_cuffs").loading.items) == 165
    assert dict(campaign.team.words)["knock_it_off"] == ("knock it off", "stop stop stop")
    assert read_campaign(DEMO / "campaign.toml") == campaign


def test_reading_loads_neither_numpy_nor_pandas():
    code = f"import sys; from logger_app.plan.cards_io import read_campaign; read_campaign({str(DEMO)!r}); print(sorted(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout

    assert not {"'numpy'", "'pandas'", "'scipy'", "'tomlkit'"} & set(loaded.strip("[]\n").split(", "))


def test_pounds_inches_gallons_and_mph_are_converted_once():
    text = """
[campaign]
name = "units"
[aircraft]
name = "a"
empty_weight_lb = 1000
max_weight_lb = 1600
wing_area_ft2 = 130
fuel_capacity_usgal = 20
empty_arm_in = 80
never_exceed_ias_mph = 150
[[configuration]]
id = "baseline"
[[card]]
id = "A"
[[card.point]]
id = "A1"
altitude_band_m = [1500, 2500]
"""
    campaign, faults = parse_text(text)

    assert faults == ()
    # Printed conversion factors: 1 lb = 0.45359237 kg, 1 in = 25.4 mm, 1 US gal = 3.785412 l,
    # 1 mi/h = 0.868976 kt (NIST SP 811, appendix B, from memory).
    assert campaign.aircraft.empty_weight_kg == pytest.approx(453.59237)
    assert campaign.aircraft.wing_area_m2 == pytest.approx(12.0774, abs=1e-3)
    assert campaign.aircraft.fuel_capacity_l == pytest.approx(75.70824, abs=1e-4)
    assert campaign.aircraft.empty_arm_mm == pytest.approx(2032)
    assert campaign.aircraft.never_exceed_ias_kt == pytest.approx(130.3464, abs=1e-3)
    assert campaign.points[0].altitude_low_ft == pytest.approx(4921.26, abs=0.01)
    assert campaign.aircraft.reference_weight_kg == campaign.aircraft.max_weight_kg


def test_every_fault_is_named_at_once_with_the_file(tmp_path):
    text = (DEMO / "campaign.toml").read_text("utf-8")
    text = text.replace("wing_area_m2 = 12.4", "wing_area_m2 = 133").replace('parent = "baseline"', 'parent = "baslin"')
    text = text.replace("graduation = 1.0", "gradution = 1.0")
    (tmp_path / "campaign.toml").write_text(text, "utf-8")

    with pytest.raises(CardError) as err:
        read_campaign(tmp_path)

    keys = [fault.where.split(": ")[1] for fault in err.value.faults]
    assert set(keys) == {"aircraft, wing_area_m2", "indicator, gradution", "configuration cuffs, parent"}
    assert all(fault.where.startswith(str(tmp_path / "campaign.toml")) for fault in err.value.faults)


@pytest.mark.parametrize(
    ("content", "got"),
    [
        (None, "no such file"),
        (b"name = \n", "Invalid value"),
        (b'[campaign]\nname = "\xff\xfe"\n', "not UTF-8"),
        (b"", "nothing"),
        (b"x = " + b"[" * 50_000, "recursion"),
    ],
)
def test_a_file_that_is_no_campaign_gets_one_clear_error(tmp_path, content, got):
    if content is not None:
        (tmp_path / "campaign.toml").write_bytes(content)

    with pytest.raises(CardError) as err:
        read_campaign(tmp_path)

    assert any(got in fault.got for fault in err.value.faults)


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault(tmp_path):
    text = (DEMO / "campaign.toml").read_bytes().replace(b"\n", b"\r\n")
    (tmp_path / "campaign.toml").write_bytes(b"\xef\xbb\xbf" + text)

    assert read_campaign(tmp_path) == read_campaign(DEMO)


def test_writing_leaves_the_old_file_when_the_disk_refuses(tmp_path, monkeypatch):
    file = tmp_path / "campaign.toml"
    write_text(file, "old")

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OSError):
        write_text(file, "new")

    assert file.read_text() == "old"
    assert os.listdir(tmp_path) == ["campaign.toml"]


def test_photos_that_are_named_and_not_there_are_listed(tmp_path):
    text = (
        (DEMO / "campaign.toml").read_text("utf-8").replace("chord_pct = 4", 'chord_pct = 4\nphoto = "media/cuff.jpg"')
    )
    (tmp_path / "campaign.toml").write_text(text, "utf-8")
    campaign = read_campaign(tmp_path)

    assert ["media/cuff.jpg" in s for s in missing_photos(tmp_path, campaign)] == [True]
    (tmp_path / "media").mkdir()
    (tmp_path / "media" / "cuff.jpg").touch()
    assert missing_photos(tmp_path, campaign) == ()
