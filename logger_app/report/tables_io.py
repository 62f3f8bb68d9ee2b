"""Tables to CSV (UTF-8, RFC 4180) and Parquet files."""

from __future__ import annotations

import csv
from pathlib import Path

from logger_app.report.tables import REAL, TEXT, WHOLE, YES, Table, csv_cells


def write_csv(table: Table, folder: Path) -> Path:
    """One CSV file.

    Parameters
    ----------
    table : Table
        Columns and rows [-].
    folder : Path
        Where to [-].

    Returns
    -------
    Path
        The file [-].
    """
    path = folder / f"{table.name}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\r\n").writerows(csv_cells(table))
    return path


def write_parquet(table: Table, folder: Path) -> Path:
    """One Parquet file with typed columns; text is as it is, for no spreadsheet opens it.

    Parameters
    ----------
    table : Table
        Columns and rows [-].
    folder : Path
        Where to [-].

    Returns
    -------
    Path
        The file [-].
    """
    import pyarrow as pa
    from pyarrow import parquet

    types = {TEXT: pa.string(), REAL: pa.float64(), WHOLE: pa.int64(), YES: pa.bool_()}
    fields = [pa.field(name, types[kind]) for name, kind in table.columns]
    columns = [pa.array([row[k] for row in table.rows], type=field.type) for k, field in enumerate(fields)]
    path = folder / f"{table.name}.parquet"
    parquet.write_table(pa.Table.from_arrays(columns, schema=pa.schema(fields)), path)
    return path
