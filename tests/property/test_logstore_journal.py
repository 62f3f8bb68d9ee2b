"""A journal whose writer dies at any byte reopens as a prefix of what was written, and goes on."""

import shutil
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger_app.logstore.recover import readable_rows
from logger_app.logstore.schema import JOURNAL_FILE
from logger_app.logstore.store import Journal
from logger_app.records.journal import FlightInfo, JournalRow, RowKind

BATCHES = st.lists(st.lists(st.text(max_size=400), min_size=1, max_size=4), min_size=1, max_size=12)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(BATCHES, st.floats(0, 1))
def test_a_log_cut_anywhere_is_a_prefix_of_whole_batches(batches, share):
    with tempfile.TemporaryDirectory() as folder:
        flight, cut = Path(folder) / "day1", Path(folder) / "cut"
        written, ends = [], [0]
        with Journal.create(flight, FlightInfo(id="day1", configuration=None)) as journal:
            for batch in batches:
                rows = [
                    JournalRow(id=f"n{len(written) + k}", flight_ns=0, utc="", kind=RowKind.NOTE, body={"text": text})
                    for k, text in enumerate(batch)
                ]
                written += journal.append(rows)
                ends.append(len(written))
            # As the disk is found: the journal, and a log that was only partly written.
            shutil.copytree(flight, cut, ignore=shutil.ignore_patterns("*-shm"))
        wal = cut / f"{JOURNAL_FILE}-wal"
        with wal.open("rb+") as file:
            file.truncate(int(share * wal.stat().st_size))
        try:
            with Journal.open(cut) as journal:
                kept = list(journal.rows(RowKind.NOTE))
                again = journal.append(
                    [JournalRow(id="after", flight_ns=0, utc="", kind=RowKind.NOTE, body={"text": "went on"})]
                )
        except OSError as err:  # cut before the first row was down
            assert "holds no journal" in str(err)
            return

        assert kept == written[: len(kept)]
        assert len(kept) in ends
        assert again[0].seq == len(kept) + 2
        assert readable_rows(cut)[1] == []


@settings(max_examples=40, deadline=None)
@given(
    st.dictionaries(
        st.text(max_size=8),
        st.recursive(
            st.one_of(
                st.none(),
                st.booleans(),
                st.integers(-(2**53), 2**53),
                st.floats(allow_nan=False, allow_infinity=False),
                st.text(max_size=20),
            ),
            lambda inner: st.lists(inner, max_size=3),
            max_leaves=6,
        ),
        max_size=5,
    )
)
def test_any_body_comes_back_as_it_was(body):
    with tempfile.TemporaryDirectory() as folder:
        row = JournalRow(id="x", flight_ns=1, utc="u", kind=RowKind.NOTE, body=body)
        with Journal.create(Path(folder) / "f", FlightInfo(id="f", configuration=None)) as journal:
            journal.append([row])
        with Journal.open(Path(folder) / "f", read_only=True) as journal:
            assert next(journal.rows(RowKind.NOTE)).body == body
