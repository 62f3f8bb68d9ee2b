"""Reading and writing `campaign.toml`.

Reading is light (no pandas, no numpy) and names every fault of the file at once. Writing is one
whole file at a time: beside the old one, synced, then put in its place. Main names:
`read_campaign`, `missing_photos`, `write_text`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from logger_app.errors import CardError, Fault
from logger_app.io import files as files_io
from logger_app.plan.parse import parse_text
from logger_app.records.plan import Campaign

FILE_NAME = "campaign.toml"
_TOO_LARGE = 5_000_000  # bytes; a campaign file is some kilobytes


def campaign_file(folder: Path) -> Path:
    """The campaign file of a folder, or the file itself."""
    folder = Path(folder)
    return folder if folder.suffix == ".toml" and not folder.is_dir() else folder / FILE_NAME


def read_campaign(folder: Path) -> Campaign:
    """Read and check a campaign.

    Raises
    ------
    CardError
        The file is missing, is no TOML, or holds faults; `faults` has all of them.
    """
    file = campaign_file(folder)
    campaign, faults = parse_text(read_text(file))
    if faults or campaign is None:
        raise campaign_error(file, faults)
    return campaign


def missing_photos(folder: Path, campaign: Campaign) -> tuple[str, ...]:
    """Photographs that configurations name and that are not there.

    Parameters
    ----------
    folder : Path
        The campaign folder; names are taken from there.
    """
    named = [
        (config.id, change.item, value)
        for config in campaign.configurations
        for change in config.changes
        for value in [*(v for name, v in change.details if name == "photo"), *(r.photo for r in change.rows if r.photo)]
    ]
    root = campaign_file(folder).parent
    return tuple(
        f"Configuration {config}, {item}: there is no photo {photo} in {root}."
        for config, item, photo in named
        if not (root / photo).is_file()
    )


def read_text(file: Path) -> str:
    """The text of a campaign file.

    Returns
    -------
    str
        Its text, without a byte-order mark; line ends as they are.

    Raises
    ------
    CardError
        It is missing, too large or not UTF-8.
    """
    if not file.exists():
        hint = f"`kneecall plan new {file.parent}` makes one."
        raise campaign_error(file, (Fault(where="", got="no such file", expected="a campaign file", hint=hint),))
    if file.stat().st_size > _TOO_LARGE:
        raise campaign_error(
            file, (Fault(where="", got=f"{file.stat().st_size} bytes", expected="a text of some kilobytes"),)
        )
    try:
        return files_io.read_text(file, _TOO_LARGE)
    except UnicodeDecodeError as err:
        line = err.object[: err.start].count(b"\n") + 1
        fault = Fault(where=f"line {line}", got="a byte that is not UTF-8", expected="text saved as UTF-8")
        raise campaign_error(file, (fault,)) from err


def campaign_error(file: Path, faults: tuple[Fault, ...]) -> CardError:
    """One error that names all faults of a file; its `faults` name the file too."""
    named = tuple(replace(f, where=f"{file}: {f.where}" if f.where else str(file)) for f in faults)
    message = f"{file}: {len(named)} things to correct" if len(named) > 1 else ""
    return CardError(message, faults=named, file=str(file))


def write_text(file: Path, text: str) -> None:
    """Put a new text in place of a campaign file, whole or not at all.

    Parameters
    ----------
    file : Path
        The file; its folder is made if need be.

    Raises
    ------
    OSError
        The disk refuses; what was there before is untouched.
    """
    files_io.make_folder(file.parent)
    files_io.write_text(file, text)
