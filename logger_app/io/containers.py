"""Sound and video files opened for reading, and nothing but the file that was named.

FFmpeg recognises some files by content as lists of *other* files or addresses (playlists, manifests, session
descriptions), and some names as patterns or addresses. Whoever hands over such a file must not have another one
read, nor a network asked. Every place that reads a recording opens it here. Not for: writing (say ``file:`` there).

Main name: `open_container`.
"""

from __future__ import annotations

import errno
import re
from pathlib import Path

from logger_app.io.files import open_file

# Containers that hold their sound and pictures themselves.
HOLD_THEIR_OWN = (
    "wav",
    "w64",
    "flac",
    "mp3",
    "aac",
    "ogg",
    "mov",
    "mp4",
    "m4a",
    "3gp",
    "3g2",
    "mj2",
    "matroska",
    "webm",
    "avi",
    "asf",
    "aiff",
    "caf",
    "amr",
    "au",
    "mpegts",
    "mpeg",
    "mxf",
    "flv",
)
OPTIONS = {
    "protocol_whitelist": "file",
    "format_whitelist": ",".join(HOLD_THEIR_OWN),
    # A QuickTime file may say that its samples lie in another file.
    "enable_drefs": "0",
    "use_absolute_path": "0",
}
# What the lists begin with, after white space and a byte order mark.
_LISTS = (
    (rb"#EXTM3U", "an HLS or M3U playlist"),
    (rb"ffconcat", "a concat list"),
    (rb"(<\?xml[^>]*>\s*)?(<!--.*?-->\s*)*<MPD", "a DASH manifest"),
    (rb"(<\?xml[^>]*>\s*)?(<!--.*?-->\s*)*<(SmoothStreamingMedia|smil|asx|playlist)", "a playlist"),
    (rb"v=0\r?\n", "an SDP session description"),
    (rb"\[playlist\]", "a PLS playlist"),
    (rb"RTSPtext|SMILtext|rtsptext", "a reference to a stream"),
    (rb"file\s+\S", "a concat list"),
)


def open_container(path: Path):
    """Open a recording for reading.

    Raises
    ------
    FileRefused
        A pipe, a device or a folder.
    OSError
        Not there, may not be read, or a list of other files or addresses; `strerror` says which.
    av.FFmpegError, ValueError
        Not a recording of a kind that is read here, or damaged.
    """
    import av

    path = Path(path)
    # FFmpeg would take an address or a pattern for a path; only files on disk are ours to read.
    with open_file(path, through_links=True) as file:
        head = file.read(4096)
    if what := _list_of_others(head):
        raise OSError(errno.EINVAL, f"it is {what}, which names other files or addresses, not a recording", str(path))
    return av.open(f"file:{path}", metadata_errors="replace", options=dict(OPTIONS))


def _list_of_others(head: bytes) -> str:
    """What kind of list a file begins like; empty for anything else."""
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    return next((what for begins, what in _LISTS if re.match(begins, text, re.DOTALL | re.IGNORECASE)), "")
