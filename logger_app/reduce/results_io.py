"""Writes `results/reduction.json` of a campaign: whole or not at all; made anew each time."""

from __future__ import annotations

import json
from pathlib import Path

from logger_app import files_io
from logger_app.errors import ReportError
from logger_app.records.results import Reduction
from logger_app.reduce.as_json import reduction_to_json

RESULTS_DIR = "results"
RESULTS_FILE = "reduction.json"


def write_results(campaign_dir: Path, reduction: Reduction) -> Path:
    """Write the results of a campaign.

    Parameters
    ----------
    campaign_dir : Path
        Campaign folder; `results/` is made in it [-].
    reduction : Reduction
        What to write [-].

    Returns
    -------
    Path
        The file written [-].

    Raises
    ------
    ReportError
        It cannot be written; what was there before is untouched.
    """
    text = json.dumps(reduction_to_json(reduction), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    return write_text(Path(campaign_dir) / RESULTS_DIR / RESULTS_FILE, text)


def write_text(path: Path, text: str) -> Path:
    """Write a text file through a temporary one in the same folder.

    Parameters
    ----------
    path : Path
        Where to [-].
    text : str
        What [-].

    Returns
    -------
    Path
        `path` [-].

    Raises
    ------
    ReportError
        It cannot be written; what was there before is untouched.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        files_io.write_text(path, text)
    except OSError as err:
        raise ReportError(f"{path}: cannot be written ({err.strerror or err}); nothing was changed") from err
    return path
