"""A campaign whose disk was taken out while it was reduced came to life again, empty but for the results, in the folder
on which the disk had been: the results were told as written, and were not with the campaign."""

import shutil

import pytest

from logger_app.errors import ReportError
from logger_app.reduce.results_io import write_text


def test_results_do_not_make_a_campaign_folder_anew(tmp_path):
    campaign = tmp_path / "sparrow"
    campaign.mkdir()
    assert write_text(campaign / "results" / "reduction.json", "{}").read_text() == "{}"
    shutil.rmtree(campaign)

    with pytest.raises(ReportError, match="nothing was changed"):
        write_text(campaign / "results" / "reduction.json", "{}")

    assert list(tmp_path.iterdir()) == []
