"""A flipped bit in a page's header made rows vanish, and every verb but `verify` went on with the rest.

Where the headers lie: "Database File Format" (sqlite.org/fileformat2.html), 1.3 and 1.6, from memory.
"""

import shutil

import pytest

from logger_app.__main__ import main
from logger_app.errors import LogDamaged, LoggerError
from logger_app.logstore.recover import verify
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo, JournalRow, RowKind
from tests.made_campaign import make_campaign

PAGE = 4096
HEADER = 12  # bytes; of leaves 8


@pytest.fixture(scope="module")
def journal(tmp_path_factory):
    folder = tmp_path_factory.mktemp("rows") / "day1"
    with Journal.create(folder, FlightInfo(id="day1", configuration=None)) as journal:
        for k in range(24):
            body = {"start_ns": 0, "end_ns": 0, "text": "x" * (k * 37 % 900)}
            journal.append([JournalRow(id=f"n{k}", flight_ns=k, utc="", kind=RowKind.NOTE, body=body)])
    return folder


def rows_of(folder):
    with Journal.open(folder, read_only=True) as journal:
        return list(journal.rows())


def flips(path):
    """Every bit of every page's header, and of the file's own."""
    pages = path.stat().st_size // PAGE
    places = [page * PAGE + (100 if page == 0 else 0) + byte for page in range(pages) for byte in range(HEADER)]
    return [(place, bit) for place in [*range(100), *places] for bit in range(8)]


def test_no_flip_in_a_header_changes_what_is_read_without_a_word(journal, tmp_path):
    whole, path = rows_of(journal), tmp_path / "day1" / JOURNAL_FILE
    shutil.copytree(journal, path.parent)
    data = path.read_bytes()
    silent, refused = [], 0
    for place, bit in flips(path):
        damaged = bytearray(data)
        damaged[place] ^= 1 << bit
        path.write_bytes(damaged)
        try:
            if rows_of(path.parent) != whole:
                silent.append((place, bit))
        except LoggerError:
            refused += 1

    assert not silent
    assert refused > 500


def test_the_last_row_of_every_leaf_is_missed(journal, tmp_path):
    """The number of cells of a leaf, one less."""
    path = tmp_path / "day1" / JOURNAL_FILE
    shutil.copytree(journal, path.parent)
    data = bytearray(path.read_bytes())
    leaves = 0
    for page in range(1, len(data) // PAGE):
        head = data[page * PAGE : page * PAGE + 8]
        if head[0] == 0x0D and head[4]:  # a leaf of a table
            damaged = bytearray(data)
            damaged[page * PAGE + 4] -= 1
            path.write_bytes(damaged)
            with pytest.raises(LogDamaged):
                rows_of(path.parent)
            assert not verify(path.parent).ok
            leaves += 1

    assert leaves >= 3


@pytest.mark.parametrize("verb", ["reduce", "report", "review", "list", "resume"])
def test_every_verb_names_it(tmp_path, capsys, verb):
    campaign = make_campaign(tmp_path / "c", sound_s=0)
    path = campaign / "flights" / "day1_baseline" / JOURNAL_FILE
    data = bytearray(path.read_bytes())
    page = next(k for k in range(1, len(data) // PAGE) if data[k * PAGE] == 0x0D)
    data[page * PAGE + 4] -= 1
    path.write_bytes(data)
    words = {
        "reduce": ["reduce", campaign],
        "report": ["report", campaign, "-o", tmp_path / "r"],
        "review": ["review", path.parent, "--list"],
        "list": ["store", "list", campaign],
        "resume": ["hear", campaign / "campaign.toml", "--into", path.parent],
    }[verb]
    code = main([str(word) for word in words])
    said = capsys.readouterr().err

    assert code == 1
    assert JOURNAL_FILE in said and "store rescue" in said and "Traceback" not in said
