"""Journal rows out of a damaged file, page by page, without SQLite. Pure.

When a page at the head of the file is torn, SQLite opens nothing, though the rows lie whole in
the pages behind it. This reads table leaf pages as the SQLite file format lays them out and
gives every record that looks like one of ours; the caller keeps those whose checksum is right.

The log behind the file (`log_state`) is read in the same way: SQLite takes it up to the first page that
does not agree with its checksum and says nothing of what lies behind.

References: SQLite documentation, "Database File Format", sections 1.6 (b-tree pages), 2.1
(record format), 4.1 (WAL file format) and 4.2 (checksum algorithm).
"""

from __future__ import annotations

import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

DEFAULT_PAGE_SIZE = 4096
TABLE_LEAF = 0x0D
WAL_HEADER_BYTES = 32
WAL_FRAME_HEADER_BYTES = 24
WAL_MAGIC = (0x377F0682, 0x377F0683)
COLUMNS = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class LogState:
    """What SQLite makes of a write-ahead log: `frames` pages agree, with `finished` transactions in them; `behind`
    transactions that were once finished lie behind the first page that does not; `ragged`: it ends within a page."""

    frames: int
    finished: int
    behind: int
    ragged: bool

    @property
    def damaged(self) -> bool:
        """Whether rows were lost. One unfinished transaction at the end is what a power cut leaves."""
        return self.behind > 1


def log_state(wal: bytes) -> LogState:
    """How far a write-ahead log can be read, and whether it went on behind that.

    Returns
    -------
    LogState
        Its state; all zero where it is empty.
    """
    if len(wal) < WAL_HEADER_BYTES:
        return LogState(frames=0, finished=0, behind=0, ragged=len(wal) > 0)
    magic, _, size, _ = struct.unpack(">4I", wal[:16])
    order = ">" if magic & 1 else "<"
    salts, sums = wal[16:24], _wal_sums(wal[:24], (0, 0), order)
    agrees = magic in WAL_MAGIC and struct.pack(">2I", *sums) == wal[24:32]
    if not agrees:
        size = DEFAULT_PAGE_SIZE if size & (size - 1) or not 512 <= size <= 65536 else size
        salts = _commonest_salts(wal, size)
    frames = finished = behind = 0
    for frame in _blocks(wal, WAL_HEADER_BYTES, size + WAL_FRAME_HEADER_BYTES):
        ours = frame[8:16] == salts
        if agrees:
            sums = _wal_sums(frame[WAL_FRAME_HEADER_BYTES:], _wal_sums(frame[:8], sums, order), order)
            agrees = ours and struct.pack(">2I", *sums) == frame[16:24]
        ends = ours and any(frame[4:8])  # pages of the database after a commit; 0 within a transaction
        frames += agrees
        finished += agrees and ends
        behind += ends and not agrees
    ragged = (len(wal) - WAL_HEADER_BYTES) % (size + WAL_FRAME_HEADER_BYTES) != 0
    return LogState(frames=frames, finished=finished, behind=behind, ragged=ragged)


def _commonest_salts(wal: bytes, size: int) -> bytes:
    """Where the head of the log is noise, most of its pages still say what it was."""
    counts = Counter(frame[8:16] for frame in _blocks(wal, WAL_HEADER_BYTES, size + WAL_FRAME_HEADER_BYTES))
    return counts.most_common(1)[0][0] if counts else b""


def _wal_sums(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    a, b = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for x, y in zip(words[::2], words[1::2]):
        a = (a + x + b) & 0xFFFFFFFF
        b = (b + y + a) & 0xFFFFFFFF
    return a, b


def carve_records(database: bytes, wal: bytes = b"") -> Iterator[tuple]:
    """Records that look like journal rows, newest pages first; some may be there twice.

    Parameters
    ----------
    wal : bytes
        Its write-ahead log, if there is one.

    Yields
    ------
    tuple
        seq, id, flight_ns, utc, kind, body, checksum; unchecked.
    """
    size = page_size(database)
    pages = {number: page for number, page in enumerate(_blocks(database, 0, size), 1)}
    # Behind the pages of the log in use may lie those of an older round, with other salts.
    now, older = _wal_pages(wal, size)
    newest = pages | dict(older) | dict(now)
    for page in [page for _, page in reversed(now)] + list(pages.values()) + [page for _, page in reversed(older)]:
        yield from _leaf_records(page, newest, size)


def page_size(database: bytes) -> int:
    """The page size from the head of the file, or the usual one where the head is damaged."""
    size = int.from_bytes(database[16:18], "big")
    size = 65536 if size == 1 else size
    return size if 512 <= size <= 65536 and size & (size - 1) == 0 else DEFAULT_PAGE_SIZE


def _blocks(data: bytes, start: int, size: int) -> Iterator[bytes]:
    for at in range(start, len(data) - size + 1, size):
        yield data[at : at + size]


def _wal_pages(wal: bytes, size: int) -> tuple[list[tuple[int, bytes]], list[tuple[int, bytes]]]:
    now: list[tuple[int, bytes]] = []
    older: list[tuple[int, bytes]] = []
    salts = _commonest_salts(wal, size) if int.from_bytes(wal[:4], "big") not in WAL_MAGIC else wal[16:24]
    for frame in _blocks(wal, WAL_HEADER_BYTES, size + WAL_FRAME_HEADER_BYTES):
        page = int.from_bytes(frame[:4], "big"), frame[WAL_FRAME_HEADER_BYTES:]
        (now if frame[8:16] == salts else older).append(page)
    return now, older


def _leaf_records(page: bytes, pages: dict[int, bytes], size: int) -> Iterator[tuple]:
    if page[0] != TABLE_LEAF:
        return
    for k in range(int.from_bytes(page[3:5], "big")):
        at = int.from_bytes(page[8 + 2 * k : 10 + 2 * k], "big")
        try:
            yield _record(page, at, pages, size)
        except (IndexError, ValueError, KeyError):
            continue


def _record(page: bytes, at: int, pages: dict[int, bytes], size: int) -> tuple:
    total, at = _varint(page, at)
    seq, at = _varint(page, at)
    local = _local_bytes(total, size)
    payload = page[at : at + local]
    if local < total:
        payload += _overflow(int.from_bytes(page[at + local : at + local + 4], "big"), total - local, pages)
    head_bytes, at = _varint(payload, 0)
    types = []
    while at < head_bytes:
        kind, at = _varint(payload, at)
        types.append(kind)
    if len(types) != COLUMNS or len(payload) < total:
        raise ValueError("not a journal row")
    values = []
    for kind in types:
        value, at = _value(payload, at, kind)
        values.append(value)
    return (seq, *values[1:])


def _local_bytes(total: int, usable: int) -> int:
    most = usable - 35
    if total <= most:
        return total
    least = (usable - 12) * 32 // 255 - 23
    wanted = least + (total - least) % (usable - 4)
    return wanted if wanted <= most else least


def _overflow(number: int, wanted: int, pages: dict[int, bytes]) -> bytes:
    data = b""
    seen = set()
    while number and len(data) < wanted and number not in seen:
        seen.add(number)
        page = pages[number]
        number = int.from_bytes(page[:4], "big")
        data += page[4:]
    return data[:wanted]


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for k in range(9):
        byte = data[at + k]
        if k == 8:
            return value << 8 | byte, at + 9
        value = value << 7 | byte & 0x7F
        if not byte & 0x80:
            return value, at + k + 1
    raise ValueError("varint")


def _value(data: bytes, at: int, kind: int):
    """A NULL, integer or text; anything else is not one of our columns."""
    widths = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 8: 0, 9: 0}
    if kind in widths:
        width = widths[kind]
        number = {0: None, 8: 0, 9: 1}.get(kind, int.from_bytes(data[at : at + width], "big", signed=True))
        return number, at + width
    if kind >= 13 and kind % 2:
        width = (kind - 13) // 2
        return data[at : at + width].decode("utf-8"), at + width
    raise ValueError("not one of our columns")
