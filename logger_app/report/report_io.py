"""The report: one page, its tables and subtitles, written whole or not at all.

Everything is written into a folder beside the target first and moved in only when complete, so
that a full disk or a fault leaves an older report as it was. Flights go in one after another, and
what is kept of them does not grow but for a line a run. Main name: `ReportWriter`.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack, suppress
from datetime import UTC, datetime
from pathlib import Path

from logger_app import __version__
from logger_app.domain.cameras import CameraFile
from logger_app.errors import ReportError
from logger_app.io.files import (
    clear_left_behind,
    is_file,
    put_in_place,
    read_text,
    refuse_links,
    sync_file,
    sync_folder,
    write_text,
)
from logger_app.records.plan import Campaign
from logger_app.records.results import StallSpeed
from logger_app.records.runs import FlightData
from logger_app.report.extras import Extras
from logger_app.report.layout import lay_out
from logger_app.report.media import FrameOf, Media, SoundOf
from logger_app.report.media_io import add_media
from logger_app.report.page import add_figures, all_figures, render_page
from logger_app.report.subtitles import file_name, flight_subtitles
from logger_app.report.svg import to_svg
from logger_app.report.tables import CALL_COLUMNS, RUN_COLUMNS, calls_table, comparisons_table, points_table, runs_table
from logger_app.report.tables_io import TableFiles, write_table
from logger_app.report.view import Page, PageBuilder

PAGE = "index.html"
MANIFEST = "versions.json"
# Beginnings of what Kneecall itself leaves in a report's folder: a report in the making, clips of runs.
OURS = (".report-", ".old-", "clip_")
OF_THE_SYSTEM = (".DS_Store", "Thumbs.db", "desktop.ini")


class ReportWriter:
    """The report of a campaign, written flight by flight; a context manager.

    ::

        with ReportWriter(out, campaign) as report:
            for flight, runs in reader:             # tables and subtitles as they come
                report.add(flight, runs)
            page = report.builder.finish(reader.reduction(), reader.again)
            report.finish(page, sound_of, frame_of)
        # moved into its place now, or, after any fault, not at all

    Parameters
    ----------
    out : Path
        Folder of the report; made if need be. An older report in it is replaced, other files stay.
    weight_unit : str
        ``kg`` or ``lb``: what the owner weighs in.

    Raises
    ------
    ReportError
        The folder cannot be written; what was there before is untouched.
    """

    def __init__(self, out: Path, campaign: Campaign, weight_unit: str = "kg"):
        self.out, self.campaign = Path(out), campaign
        self._target, self._open = _Target(self.out), ExitStack()
        self.builder = PageBuilder(campaign, weight_unit)
        self._subtitles: set[str] = set()

    def __enter__(self) -> ReportWriter:
        self._folder = self._target.__enter__()
        try:
            (self._folder / "subtitles").mkdir()
            self._tables = {
                name: self._open.enter_context(TableFiles(name, columns, self._folder))
                for name, columns in (("runs", RUN_COLUMNS), ("calls", CALL_COLUMNS))
            }
        except BaseException:
            self.__exit__(*sys.exc_info())
            raise
        return self

    def __exit__(self, kind, error, trace) -> None:
        try:
            self._open.__exit__(kind, error, trace)
        except BaseException as err:
            self._target.__exit__(type(err), err, err.__traceback__)
            raise
        self._target.__exit__(kind, error, trace)

    def add(self, data: FlightData, results: Iterable[StallSpeed], cameras: Sequence[CameraFile] = ()) -> None:
        """Take the next flight: its rows of the tables, its subtitles."""
        flight = self.builder.add(data, results)
        self._tables["runs"].add(runs_table(flight, self.campaign))
        self._tables["calls"].add(calls_table(flight))
        for name, text in flight_subtitles(flight, cameras, self._subtitles).items():
            self._subtitles.add(name)
            (self._folder / "subtitles" / name).write_text(text, encoding="utf-8")

    def finish(
        self,
        page: Page,
        sound_of: SoundOf | None = None,
        frame_of: FrameOf | None = None,
        *,
        pdf: bool = False,
        png: bool = False,
        extras: Extras | None = None,
        made_utc: str | None = None,
        progress: Callable[[float], None] | None = None,
    ) -> None:
        """Write the rest: sound and pictures fetched, figures drawn, the page itself.

        Parameters
        ----------
        sound_of : callable, optional
            Flight, start [s], end [s] to a small Ogg file, or None.
        frame_of : callable, optional
            Flight, flight time [s] to a JPEG, or None.
        png : bool
            Every figure as a picture at twice the page's size too.
        made_utc : str, optional
            When it was made, a label; now if not given.
        progress : callable, optional
            Called with the share of sounds and pictures done, 0 to 1.
        """
        extras = extras or Extras()
        made_utc = made_utc or datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        self._open.close()  # the tables are complete
        media = add_media(page, sound_of, frame_of, progress, extras)
        add_figures(page, extras)
        _write_figures(self._folder / "figures", page, png)
        _write_rest(self._folder, page, media, extras, made_utc, pdf)


def _write_rest(folder: Path, page: Page, media: Media, extras: Extras, made_utc: str, pdf: bool) -> None:
    for table in (points_table(page), comparisons_table(page)):
        write_table(table, folder)
    if extras.campaign_file is not None:
        (folder / "campaign_copy.toml").write_bytes(extras.campaign_file)
    if pdf:
        from logger_app.report.pdf_io import write_pdf

        write_pdf(folder / "report.pdf", page, media, extras, made_utc)
    files = sorted(str(path.relative_to(folder).as_posix()) for path in folder.rglob("*") if path.is_file())
    (folder / PAGE).write_text(render_page(page, media, extras, files, made_utc), encoding="utf-8")
    _write_manifest(folder, page, extras, made_utc)


def _write_figures(folder: Path, page: Page, png: bool) -> None:
    """Every figure as a file of its own, for papers; as pixels too where wanted, for slides and mail."""
    folder.mkdir()
    for figure in all_figures(page):
        name, drawing = file_name(figure.id), lay_out(figure)
        (folder / f"{name}.svg").write_text(to_svg(drawing, standalone=True), encoding="utf-8")
        if png:
            from logger_app.report.figures_png import write_png

            write_png(drawing, folder / f"{name}.png")


def _write_manifest(folder: Path, page: Page, extras: Extras, made_utc: str) -> None:
    """What made the report, from what, and every file of it with its hash."""
    files = {path.relative_to(folder).as_posix(): _sha256(path) for path in sorted(folder.rglob("*")) if path.is_file()}
    document = {
        "made_by": f"kneecall {__version__}",
        "made_utc": made_utc,
        "campaign": page.campaign.name,
        "versions": dict(extras.versions),
        "packs": sorted({pack for data in page.flights for pack in data.packs}),
        "journals_sha256": {data.info.id: data.journal_sha256 for data in page.flights},
        "files_sha256": files,
    }
    (folder / MANIFEST).write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class _Target:
    """A folder to write into that takes the place of the report in `out` when all went well."""

    def __init__(self, out: Path):
        self.out = out

    def __enter__(self) -> Path:
        if self.out.exists() and not self.out.is_dir():
            raise ReportError(f"{self.out}: is a file; the report needs a folder. Give another one with -o.")
        refuse_links(self.out)
        _refuse_others(self.out)
        try:
            self.made = [parent for parent in self.out.parents if not parent.exists()]
            self.out.parent.mkdir(parents=True, exist_ok=True)
            # In the target when it is there: the same file system, and the right to write is tested at once.
            where = self.out if self.out.is_dir() else self.out.parent
            clear_left_behind(where, ".report-*")
            self.work = Path(tempfile.mkdtemp(prefix=".report-", dir=where))
            self.work.chmod(0o755)  # mkdtemp's own is for the maker's eyes only
        except OSError as err:
            raise _refusal(self.out, err) from err
        return self.work

    def __exit__(self, kind, error, trace) -> None:
        try:
            if error is None:
                self._move_in()
            elif isinstance(error, OSError) and not isinstance(error, ReportError):
                raise _refusal(self.out, error) from error
        except OSError as err:
            if isinstance(err, ReportError):
                raise
            raise _refusal(self.out, err) from err
        finally:
            shutil.rmtree(self.work, ignore_errors=True)
            with suppress(OSError):  # the folders made for nothing, while they are empty
                for parent in self.made:
                    parent.rmdir()

    def _move_in(self) -> None:
        new = sorted(path.relative_to(self.work) for path in self.work.rglob("*") if path.is_file())
        for path in new:
            sync_file(self.work / path)
        if not self.out.exists():
            for folder in {(self.work / path).parent for path in new}:
                sync_folder(folder)
            put_in_place(self.work, self.out)
            return
        self._swap(new)
        for folder in {(self.out / path).parent for path in new} | {self.out}:
            sync_folder(folder)

    def _swap(self, new: list[Path]) -> None:
        """Put each new file in the place of the old one; on any fault put the old ones back.

        Whoever is stopped in the middle leaves every file old or new, none missing, and a list that names
        them all, so that the next report can be written over them.
        """
        listed = _listed(self.out)
        for path in {*new, *listed}:
            refuse_links(self.out / path, below=self.out)
        strange = [path for path in new if (self.out / path).exists() and path not in listed]
        if strange:
            names = ", ".join(str(path) for path in strange[:3])
            raise ReportError(
                f"{self.out}: has {names}, which no earlier report put there; expected an empty folder or one with a report.",
                hint="Give another one with -o.",
            )
        aside = Path(tempfile.mkdtemp(prefix=".old-", dir=self.work))
        old = [path for path in {*new, *listed} if (self.out / path).is_file()]
        for path in old:
            (aside / path).parent.mkdir(parents=True, exist_ok=True)
            _link_or_copy(self.out / path, aside / path)
        try:
            self._list_both()
            for path in [*(path for path in new if path.name != MANIFEST), Path(MANIFEST)]:
                (self.out / path).parent.mkdir(parents=True, exist_ok=True)
                os.replace(self.work / path, self.out / path)
            for path in set(old) - set(new):
                (self.out / path).unlink()
        except BaseException:
            for path in {*new, *old}:
                if path in old:
                    os.replace(aside / path, self.out / path)
                else:
                    (self.out / path).unlink(missing_ok=True)
            raise

    def _list_both(self) -> None:
        """While files change, the list names those of both reports."""
        document = json.loads(read_text(self.work / MANIFEST))
        with suppress(OSError, ValueError, KeyError, TypeError):
            before = json.loads(read_text(self.out / MANIFEST))["files_sha256"]
            document["files_sha256"] = {**before, **document["files_sha256"]}
        write_text(self.out / MANIFEST, json.dumps(document, ensure_ascii=False, indent=1) + "\n")


def _refuse_others(out: Path) -> None:
    """A folder with other things in it and no report is not ours to write into: `-o /` must do nothing."""
    if not out.is_dir() or is_file(out / MANIFEST):
        return
    others = [name for name in os.listdir(out) if not name.startswith(OURS) and name not in OF_THE_SYSTEM]
    if others:
        raise ReportError(
            f"{out}: has other files in it ({', '.join(sorted(others)[:3])}) and no earlier report; "
            "expected a new or empty folder, or one with a report.",
            hint="Give another one with -o.",
        )


def _link_or_copy(source: Path, target: Path) -> None:
    try:
        os.link(source, target)
    except OSError:  # a file system without links
        shutil.copy2(source, target)


def _listed(out: Path) -> list[Path]:
    """Files that an older report in `out` says are its own, so that none of them outlives it."""
    try:
        names = json.loads(read_text(out / MANIFEST))["files_sha256"]
    except (OSError, ValueError, KeyError, TypeError):
        return []
    names = [*names, MANIFEST]
    inside = [Path(name) for name in names if isinstance(name, str)]
    return [path for path in inside if not path.is_absolute() and ".." not in path.parts]


def _refusal(out: Path, err: OSError) -> ReportError:
    what = {
        errno.ENOSPC: "the disk is full",
        errno.EDQUOT: "the disk quota is used up",
        errno.EACCES: "this folder is write-protected",
        errno.EPERM: "this folder is write-protected",
        errno.EROFS: "this disk is read-only",
    }.get(err.errno or 0, err.strerror or str(err))
    return ReportError(
        f"{out}: the report was not written, {what}; what was there before is untouched.",
        hint="Make room or give another folder with -o.",
    )
