"""Which names can be a folder's on every system: a campaign is carried from a tablet to a desk."""

from __future__ import annotations

import re

from logger_app.errors import Fault

# Names that Kneecall makes of it are longer, most file systems end at 255 bytes and Windows paths at 260 signs.
MAX_NAME_BYTES = 100
# Names that stand for devices, whatever their ending and case; what cannot stand in a name; what may not end it
# (Microsoft, "Naming Files, Paths, and Namespaces"; from memory).
_DEVICE = re.compile(r"(CON|PRN|AUX|NUL|CONIN\$|CONOUT\$|(COM|LPT)[0-9\u00b9\u00b2\u00b3])", re.IGNORECASE)
_NOT_IN_NAMES = re.compile(r'[/\\:*?"<>|\x00-\x1f]')


def is_folder_name(name: str) -> bool:
    """Whether a folder can have this name on Linux, macOS, Windows and Android alike.

    Returns
    -------
    bool
        False for what is empty or too long, leads elsewhere, stands for a device or cannot be written.

    Examples
    --------
    >>> is_folder_name("day1_baseline"), is_folder_name("../day1"), is_folder_name("nul.txt"), is_folder_name("day1.")
    (True, False, False, False)
    """
    stem = name.partition(".")[0].rstrip()
    return 0 < len(name.encode("utf-8", "surrogatepass")) <= MAX_NAME_BYTES and not (
        _NOT_IN_NAMES.search(name)
        or name != name.strip()
        or name.endswith(".")
        or name.startswith("..")
        or _DEVICE.fullmatch(stem)
    )


def name_faults(name: str, where: str) -> tuple[Fault, ...]:
    """Why a new folder may not have this name; none if it may.

    Parameters
    ----------
    where : str
        What the name was given to, for the message.
    """
    if is_folder_name(name):
        return ()
    expected = (
        f'a folder name of at most {MAX_NAME_BYTES} bytes without / \\ : * ? " < > |, and none that stands for a device '
        "(con, nul, com1)"
    )
    return (Fault(where=where, got=repr(name), expected=expected),)
