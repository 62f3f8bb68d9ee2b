"""Journal rows out of a damaged file, page by page, without SQLite. Pure.

When a page at the head of the file is torn, SQLite opens nothing, though the rows lie whole in
the pages behind it. This reads table leaf pages as the SQLite file format lays them out and
gives every record that looks like one of ours; the caller keeps those whose checksum is right.

References: SQLite documentation, "Database File Format", sections 1.6 (b-tree pages), 2.1
(record format) and 4.1 (WAL file format).
"""

from __future__ import annotations

from collections.abc import Iterator

DEFAULT_PAGE_SIZE = 4096
TABLE_LEAF = 0x0D
WAL_HEADER_BYTES = 32
WAL_FRAME_HEADER_BYTES = 24
COLUMNS = 7


def carve_records(database: bytes, wal: bytes = b"") -> Iterator[tuple]:
    """Records that look like journal rows, newest pages first; some may be there twice.

    Parameters
    ----------
    database : bytes
        The journal file [-].
    wal : bytes
        Its write-ahead log, if there is one [-].

    Yields
    ------
    tuple
        seq, id, flight_ns, utc, kind, body, checksum; unchecked [-].
    """
    size = page_size(database)
    pages = {number: page for number, page in enumerate(_blocks(database, 0, size), 1)}
    frames = list(_wal_pages(wal, size))
    newest = pages | dict(frames)
    for page in [page for _, page in reversed(frames)] + list(pages.values()):
        yield from _leaf_records(page, newest, size)


def page_size(database: bytes) -> int:
    """The page size from the head of the file, or the usual one where the head is damaged.

    Parameters
    ----------
    database : bytes
        The journal file [-].

    Returns
    -------
    int
        Page size in bytes [-].
    """
    size = int.from_bytes(database[16:18], "big")
    size = 65536 if size == 1 else size
    return size if 512 <= size <= 65536 and size & (size - 1) == 0 else DEFAULT_PAGE_SIZE


def _blocks(data: bytes, start: int, size: int) -> Iterator[bytes]:
    for at in range(start, len(data) - size + 1, size):
        yield data[at : at + size]


def _wal_pages(wal: bytes, size: int) -> Iterator[tuple[int, bytes]]:
    for frame in _blocks(wal, WAL_HEADER_BYTES, size + WAL_FRAME_HEADER_BYTES):
        yield int.from_bytes(frame[:4], "big"), frame[WAL_FRAME_HEADER_BYTES:]


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
