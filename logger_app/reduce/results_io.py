"""Writes `results/reduction.json` of a campaign: whole or not at all; made anew each time.

Runs are written down as they are reduced, so that a long campaign need not be held; the file takes
its place only when all of it is there. Main names: `ResultsDocument`, `write_text`.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from logger_app.errors import ReportError
from logger_app.io import files as files_io
from logger_app.io.resources import user_dir
from logger_app.records.results import Reduction, StallSpeed
from logger_app.reduce.as_json import reduction_to_json, run_text

RESULTS_DIR = "results"
RESULTS_FILE = "reduction.json"
# Runs wait for the end in memory up to this size, then in a nameless file.
IN_MEMORY_BYTES = 4_000_000
# What stands in the document where the runs go; a text in it has no line ends of its own.
_NO_RUNS = '\n "runs": [],'


class ResultsDocument:
    """The document of `reduce --json`, which is also the results file; a context manager.

    Parameters
    ----------
    write : bool
        Whether `results/reduction.json` is to be written, and what waits may wait in the campaign's
        folder; else it waits in the user's.
    """

    def __init__(self, campaign_dir: Path, write: bool = True):
        self.path = Path(campaign_dir) / RESULTS_DIR / RESULTS_FILE
        self._write, self._any = write, False
        self._ends = ("", "")
        # Without a folder to wait in: the system's own place.
        waits_in: Path | None = self.path.parents[1] if write else user_dir()
        try:
            if not write and waits_in is not None:
                waits_in.mkdir(parents=True, exist_ok=True)
        except OSError:
            waits_in = None
        self._waits_in = waits_in

    def __enter__(self) -> ResultsDocument:
        where = None if self._waits_in is None else str(self._waits_in)
        self._runs = tempfile.SpooledTemporaryFile(IN_MEMORY_BYTES, "w+", encoding="utf-8", newline="\n", dir=where)
        return self

    def __exit__(self, *exc) -> None:
        self._runs.close()

    def add(self, runs: Iterable[StallSpeed]) -> None:
        """Write down the next runs, with everything.

        Raises
        ------
        ReportError
            The disk does not take them; what was there before is untouched.
        """
        try:
            for run in runs:
                self._runs.write((",\n  " if self._any else "\n  ") + run_text(run, "  "))
                self._any = True
        except OSError as err:
            raise self._refusal(err) from err

    def finish(self, reduction: Reduction) -> Path | None:
        """Write the rest (all of a reduction but its runs), and put the file in its place; None where no file was wanted.

        Raises
        ------
        ReportError
            It cannot be written; what was there before is untouched.
        """
        document = reduction_to_json(replace(reduction, runs=()))
        text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
        head, _, tail = text.partition(_NO_RUNS)
        self._ends = (f'{head}\n "runs": [', f"\n ],{tail}" if self._any else f"],{tail}")
        if not self._write:
            return None
        try:
            # As `write_text`: a campaign whose disk was taken out is not made anew.
            files_io.make_folder(self.path.parent, parents=False)
            with files_io.complete_file(self.path) as part, part.open("w", encoding="utf-8", newline="\n") as out:
                self.copy_to(out)
        except OSError as err:
            raise self._refusal(err) from err
        return self.path

    def copy_to(self, out) -> None:
        """Write the finished document to an open text file, such as standard output."""
        out.write(self._ends[0])
        self._runs.seek(0)
        shutil.copyfileobj(self._runs, out)
        out.write(self._ends[1])

    def _refusal(self, err: OSError) -> ReportError:
        return ReportError(f"{self.path}: cannot be written ({err.strerror or err}); nothing was changed")


def write_text(path: Path, text: str) -> Path:
    """Write a text file through a temporary one in the same folder.

    Raises
    ------
    ReportError
        It cannot be written; what was there before is untouched.
    """
    try:
        # Its own folder only: a campaign whose disk was taken out is not made anew under the same name.
        files_io.make_folder(path.parent, parents=False)
        files_io.write_text(path, text)
    except OSError as err:
        raise ReportError(f"{path}: cannot be written ({err.strerror or err}); nothing was changed") from err
    return path
