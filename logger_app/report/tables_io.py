"""Tables to CSV (UTF-8, RFC 4180) and Parquet files, a part at a time."""

from __future__ import annotations

import csv
from pathlib import Path

from logger_app.report.tables import REAL, TEXT, WHOLE, YES, Table, csv_cells

# Rows that make a group of a Parquet file: a few megabytes of them wait in memory.
GROUP_ROWS = 5000


class TableFiles:
    """One table as a CSV and a Parquet file; a context manager.

    Parameters
    ----------
    columns : tuple of (str, str)
        Name and kind of each, as in `Table`.
    """

    def __init__(self, name: str, columns: tuple[tuple[str, str], ...], folder: Path):
        import pyarrow as pa
        from pyarrow import parquet

        self._columns, self._groups = columns, 0
        self._waiting: list[tuple] = []
        types = {TEXT: pa.string(), REAL: pa.float64(), WHOLE: pa.int64(), YES: pa.bool_()}
        self._schema = pa.schema([pa.field(name, types[kind]) for name, kind in columns])
        self._csv = (folder / f"{name}.csv").open("w", encoding="utf-8", newline="")
        self._lines = csv.writer(self._csv, lineterminator="\r\n")
        self._lines.writerow([name for name, _ in columns])
        self._parquet = parquet.ParquetWriter(folder / f"{name}.parquet", self._schema)

    def __enter__(self) -> TableFiles:
        return self

    def __exit__(self, kind, *exc) -> None:
        try:
            if kind is None and (self._waiting or not self._groups):
                self._group(self._waiting)
        finally:
            self._csv.close()
            self._parquet.close()

    def add(self, table: Table) -> None:
        """Write the next rows.

        Parameters
        ----------
        table : Table
            Of the same columns; text goes into Parquet as it is, for no spreadsheet opens it.
        """
        self._lines.writerows(csv_cells(table)[1:])
        self._waiting += table.rows
        while len(self._waiting) >= GROUP_ROWS:
            self._group(self._waiting[:GROUP_ROWS])
            del self._waiting[:GROUP_ROWS]

    def _group(self, rows: list[tuple]) -> None:
        import pyarrow as pa

        columns = [pa.array([row[k] for row in rows], type=field.type) for k, field in enumerate(self._schema)]
        self._parquet.write_table(pa.Table.from_arrays(columns, schema=self._schema))
        self._groups += 1


def write_table(table: Table, folder: Path) -> None:
    """A whole table as a CSV and a Parquet file."""
    with TableFiles(table.name, table.columns, folder) as files:
        files.add(table)
