"""A campaign whose disk was taken out while it was reduced came to life again, empty but for the results, in the folder
on which the disk had been: the results were told as written, and were not with the campaign."""

import shutil
from pathlib import Path

import pytest

from logger_app.errors import ReportError
from logger_app.reduce.results_io import write_text

DEMO = Path(__file__).resolve().parents[2] / "demo_sessions" / "sparrow_cuffs" / "inputs"


def test_results_do_not_make_a_campaign_folder_anew(tmp_path):
    campaign = tmp_path / "sparrow"
    campaign.mkdir()
    assert write_text(campaign / "results" / "reduction.json", "{}").read_text() == "{}"
    shutil.rmtree(campaign)

    with pytest.raises(ReportError, match="nothing was changed"):
        write_text(campaign / "results" / "reduction.json", "{}")

    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_reduce_does_not_either(tmp_path, capsys, monkeypatch):
    """Through the verb: the campaign goes while it is reduced."""
    from logger_app.__main__ import main
    from logger_app.reduce import results_io

    campaign, words = tmp_path / "sparrow", tmp_path / "words.csv"
    (campaign / "flights").mkdir(parents=True)
    shutil.copy(DEMO / "campaign.toml", campaign)
    words.write_text(
        "start_s,words\n10,on condition\n12,sixty two\n14,fifty nine\n16,fifty seven\n18,fifty five\n25,break\n"
    )
    assert main(["hear", str(words), "--into", str(campaign / "flights" / "day1_baseline")]) == 0
    real = results_io.reduction_to_json

    def pulled_out(*args):
        shutil.rmtree(campaign)
        return real(*args)

    monkeypatch.setattr(results_io, "reduction_to_json", pulled_out)
    capsys.readouterr()

    assert main(["reduce", str(campaign)]) == 1
    assert "nothing was changed" in capsys.readouterr().err
    assert not campaign.exists()
