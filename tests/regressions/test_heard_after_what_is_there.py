"""What is heard into a flight whose calls have no sound began at 0 s, on top of them."""

import shutil

from logger_app.__main__ import main
from logger_app.io.resources import data_dir
from logger_app.logstore.store import Journal
from logger_app.records.journal import RowKind


def test_a_second_transcript_goes_after_the_first(tmp_path):
    campaign = tmp_path / "c"
    campaign.mkdir()
    shutil.copy(data_dir("demo_sessions") / "sparrow_cuffs" / "inputs" / "campaign.toml", campaign)
    for name in ("a", "b"):
        (tmp_path / f"{name}.csv").write_text("start_s,words\n1,sixty\n3,fifty eight\n5,break\n", encoding="utf-8")
        flight = campaign / "flights" / "day1"
        assert main(["hear", str(tmp_path / f"{name}.csv"), "--into", str(flight), "--configuration", "baseline"]) == 0

    with Journal.open(flight, read_only=True) as journal:
        times = [row.flight_ns for row in journal.rows(RowKind.CALL)]
    assert times == sorted(times)
    assert times[3] >= times[2] + 400_000_000
    assert main(["store", "verify", str(campaign)]) == 0
