"""A campaign's report with its data in one ZIP file: what an engineer asks for, made the same to the byte each time.

It opens without this program: an ordinary ZIP, sums that `sha256sum` checks, a README that names every file.
Main names: `write_package`, `check_package`.
"""

from __future__ import annotations

import base64
import hashlib
import json
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from logger_app import __version__
from logger_app.errors import ReportError
from logger_app.io.files import complete_file, read_bytes
from logger_app.io.photos import PHOTOS_DIR, read_photos
from logger_app.io.stills import STILLS_DIR
from logger_app.report.prose import CAUTIONS
from logger_app.report.report_io import MANIFEST
from logger_app.report.subtitles import file_name
from logger_app.report.view import Page
from logger_app.workflows.report import Stage, add_report, silent

SUMS = "SHA256SUMS"
README = "README.txt"
# Dates of files in a ZIP would make each one another: all are the first that the format knows.
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
# Already compressed: a second time only costs time.
STORED = (".ogg", ".jpg", ".png", ".pdf", ".parquet")
# Larger than any report of ours: what unpacks to more is no package [B].
MAX_UNPACKED = 4_000_000_000
MAX_SUMS = 16_000_000
_BLOCK = 1 << 20

KINDS = (
    ("report/index.html", "the report; opens in any browser and loads nothing from elsewhere"),
    ("report/report.pdf", "the same on paper, with lines to sign"),
    ("report/runs.csv, .parquet", "every run: speeds in knots, the kind of speed in the column's name"),
    ("report/calls.csv, .parquet", "every call: what was heard, what holds after review, and who changed it"),
    ("report/points.csv, .parquet", "every test point and configuration: means and intervals"),
    ("report/comparisons.csv, .parquet", "every difference, with its interval, method and conclusion"),
    ("report/figures/", "every figure as SVG, which any size of print or screen takes"),
    ("report/subtitles/", "the calls as WebVTT, on the clock of each camera file and of the cockpit sound"),
    ("report/versions.json", "versions, language packs, and the SHA-256 of each flight's journal"),
    ("campaign.toml", "aircraft, calibration, configurations and test cards"),
    ("stills/", "pictures saved from comparing"),
    ("photos/", "photographs of what was fitted, by configuration"),
    ("sound/", "two seconds of cockpit sound for each call: voices of the crew, with their consent"),
    (SUMS, "the SHA-256 of every file but itself"),
)


def write_package(
    campaign_dir: Path,
    target: Path,
    *,
    with_sound: bool = False,
    force: bool = False,
    stage: Stage = silent,
    warn: Callable[[str], None] = lambda message: None,
) -> Path:
    """Write the package of a campaign.

    Parameters
    ----------
    with_sound : bool
        With the voices of the crew; without, the page and the package have no sound.
    force : bool
        Replace an older file.

    Raises
    ------
    LoggerError
        The campaign cannot be read, the file is there already, or it cannot be written.
    """
    if target.exists() and not force:
        raise ReportError(f"{target}: already exists; not overwritten.", hint="Give another name, or --force.")
    with tempfile.TemporaryDirectory(prefix="kneecall-package-") as made:
        work = Path(made)
        page = add_report(
            campaign_dir, work / "report", pdf=True, sound=with_sound, as_of_data=True, stage=stage, warn=warn
        )
        (work / "report" / "campaign_copy.toml").rename(work / "campaign.toml")
        for name, data in _saved(campaign_dir):
            (work / name).parent.mkdir(parents=True, exist_ok=True)
            (work / name).write_bytes(data)
        if with_sound:
            _write_sound(page, work / "sound")
        _mend_manifest(work / "report")
        (work / README).write_text(_readme(page, work, with_sound), encoding="utf-8")
        sums = {path.relative_to(work).as_posix(): _sha256(path) for path in _files(work)}
        (work / SUMS).write_text("".join(f"{digest}  {name}\n" for name, digest in sums.items()), encoding="utf-8")
        try:
            with complete_file(target) as part:
                _zip(work, part, file_name(page.campaign.name))
        except OSError as err:
            raise ReportError(f"{target}: the package was not written, {err.strerror or err}.") from err
    return target


def _saved(campaign_dir: Path) -> Iterator[tuple[str, bytes]]:
    """Saved pictures as they are, and small copies of the photographs: what they are called in the package, and they."""
    folder = campaign_dir if campaign_dir.is_dir() else campaign_dir.parent
    for path in sorted((folder / STILLS_DIR).glob("*.png")):
        yield f"stills/{path.name}", read_bytes(path)
    for configuration, name, jpeg in read_photos(folder / PHOTOS_DIR)[0]:
        yield f"photos/{file_name(configuration)}/{file_name(Path(name).stem)}.jpg", jpeg


def _write_sound(page: Page, folder: Path) -> None:
    """The two seconds of every call that the page has, under the call's id."""
    for call in page.calls:
        if call.sound:
            place = folder / file_name(call.flight)
            place.mkdir(parents=True, exist_ok=True)
            (place / f"{file_name(call.call.id)}.ogg").write_bytes(base64.b64decode(call.sound.partition(",")[2]))


def _mend_manifest(folder: Path) -> None:
    """The list of the report's files without the campaign file, which stands beside the report here."""
    document = json.loads((folder / MANIFEST).read_text("utf-8"))
    document["files_sha256"].pop("campaign_copy.toml", None)
    (folder / MANIFEST).write_text(json.dumps(document, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")


def _readme(page: Page, work: Path, with_sound: bool) -> str:
    there = {path.relative_to(work).as_posix() for path in _files(work)} | {SUMS}
    kinds = [(name, what) for name, what in KINDS if any(one.startswith(name.split(",")[0]) for one in there)]
    width = max(len(name) for name, _ in kinds) + 2
    voices = (
        "It contains the voices of the crew: share it only with their consent."
        if with_sound
        else "It contains no sound; calls are given as words with their times."
    )
    lines = [
        f"{page.campaign.name}",
        f"Stall-speed flight test, {page.campaign.aircraft.name}. Made by kneecall {__version__} from "
        f"{len(page.flights)} flights. Dates of making are that of the newest entry in the journals.",
        "",
        *(f"{name:{width}}{what}" for name, what in kinds),
        "",
        voices,
        "",
        "To check that nothing was changed, unpack it and run in this folder:",
        f"  sha256sum -c {SUMS}             (Linux)",
        f"  shasum -a 256 -c {SUMS}         (macOS)",
        "  certutil -hashfile FILE SHA256       (Windows, a file at a time, against the list)",
        "or, with kneecall: kneecall store verify FILE.zip",
        "",
        "The SHA-256 of a journal in versions.json is over its rows in order, each as the line",
        "  number, id, time in ns, kind and body (JSON with sorted keys), with a blank between and a line feed after.",
        "",
        *CAUTIONS,
        "",
    ]
    return "\n".join(lines)


def _zip(work: Path, target: Path, top: str) -> None:
    with zipfile.ZipFile(target, "w") as archive:
        for path in _files(work):
            name = f"{top}/{path.relative_to(work).as_posix()}"
            entry = zipfile.ZipInfo(name, ZIP_DATE)
            entry.compress_type = zipfile.ZIP_STORED if path.suffix in STORED else zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            entry.create_system = 3  # the same on every system: permissions as Unix has them
            archive.writestr(entry, path.read_bytes(), compresslevel=6)


def _files(folder: Path) -> list[Path]:
    return sorted((path for path in folder.rglob("*") if path.is_file()), key=lambda path: path.as_posix())


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class PackageHealth:
    """What was found in a package; whole when there are no faults."""

    files: int
    faults: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether every file is there as it was made, and no other."""
        return not self.faults


def check_package(path: Path) -> PackageHealth:
    """Hold every file of a package against its list of sums; unpacks nothing to disk.

    Raises
    ------
    ReportError
        It is no ZIP file, or not one of ours.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            return _checked(path, archive)
    except (OSError, zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, RuntimeError, EOFError) as err:
        if isinstance(err, ReportError):
            raise
        raise ReportError(f"{path}: cannot be read as a ZIP file: {err}.") from err


def _checked(path: Path, archive: zipfile.ZipFile) -> PackageHealth:
    entries = [entry for entry in archive.infolist() if not entry.is_dir()]
    if sum(entry.file_size for entry in entries) > MAX_UNPACKED:
        raise ReportError(f"{path}: unpacks to more than {MAX_UNPACKED / 1e9:g} GB; no package of ours does.")
    lists = [entry for entry in entries if PurePosixPath(entry.filename).name == SUMS]
    if len(lists) != 1:
        raise ReportError(f"{path}: has {len(lists)} files {SUMS}; a package of a report has one.")
    if lists[0].file_size > MAX_SUMS:
        raise ReportError(f"{path}: {SUMS} is larger than {MAX_SUMS / 1e6:g} MB; no package of ours has such a list.")
    top = str(PurePosixPath(lists[0].filename).parent)
    prefix = "" if top == "." else f"{top}/"
    listed: dict[str, str] = {}
    faults = []
    for line in archive.read(lists[0]).decode("utf-8", "replace").splitlines():
        digest, _, name = line.partition("  ")
        if name in listed:
            faults.append(f"{name}: is listed twice")
        listed[name] = digest
    seen: set[str] = set()
    for entry in entries:
        name = entry.filename.removeprefix(prefix)
        if entry is lists[0]:
            continue
        if name in seen:
            faults.append(f"{name}: is in it twice")
        seen.add(name)
        if not entry.filename.startswith(prefix) or name not in listed:
            faults.append(f"{entry.filename}: is not in the list")
        elif _entry_sha256(archive, entry) != listed[name]:
            faults.append(f"{name}: was changed; its SHA-256 is not the one in the list")
    faults += [f"{name}: is missing" for name in listed if name not in seen]
    return PackageHealth(files=len(seen), faults=tuple(faults))


def _entry_sha256(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> str:
    digest = hashlib.sha256()
    try:
        with archive.open(entry) as file:
            while block := file.read(_BLOCK):
                digest.update(block)
    except (zipfile.BadZipFile, EOFError, zlib.error):
        return "unreadable"
    return digest.hexdigest()
