"""Tables to CSV (UTF-8, RFC 4180) and Parquet files, a part at a time."""

from __future__ import annotations

from pathlib import Path

from logger_app.report.tables import REAL, TEXT, WHOLE, YES, Table, csv_frame

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
        self._waiting += table.rows
        while len(self._waiting) >= GROUP_ROWS:
            self._group(self._waiting[:GROUP_ROWS])
            del self._waiting[:GROUP_ROWS]

    def _group(self, rows: list[tuple]) -> None:
        import pyarrow as pa

        frame = Table("", self._columns, tuple(rows)).frame()
        csv_frame(frame).to_csv(self._csv, index=False, header=not self._groups, lineterminator="\r\n")
        group = pa.Table.from_pandas(frame, schema=self._schema, preserve_index=False)
        self._parquet.write_table(group.replace_schema_metadata(None))
        self._groups += 1


def write_table(table: Table, folder: Path) -> None:
    """A whole table as a CSV and a Parquet file."""
    with TableFiles(table.name, table.columns, folder) as files:
        files.add(table)
