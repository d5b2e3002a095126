"""Writes the tables of a cohort as CSV too, part by part, so that any number of rows fits."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

from veinfit.cohort.batch.rows import COLUMNS, DISTANCES, NESTED, TABLES, plain_rows
from veinfit.cohort.batch.store import Store, replace_file
from veinfit.io.cells import csv_table
from veinfit.result.fit_rows import distance_column


def csv_names() -> tuple[str, ...]:
    """Return the names of the CSV files."""
    return tuple(f"{table}.csv" for table in TABLES)


def write_csv(store: Store) -> None:
    """Write a CSV file a table, with a column for each structure that any case had."""
    for table in TABLES:
        structures = _structures(store) if table == "fits" else []
        columns = [name for name in COLUMNS[table] if name not in NESTED]
        columns += [distance_column(name) for name in structures]

        def write(path: Path, table: str = table, columns: list[str] = columns) -> None:
            with path.open("wb") as stream:
                _write(store, table, columns, stream)

        replace_file(store.out / f"{table}.csv", write)


def _write(store: Store, table: str, columns: list[str], stream: BinaryIO) -> None:
    import pyarrow.parquet as pq

    stream.write(csv_table(columns, []))
    for shard in store.parts():
        rows = plain_rows(table, pq.read_table(store.part(table, shard)))
        for row in rows:
            for name, value in row.pop(DISTANCES, {}).items():
                row[distance_column(name)] = value
        whole = [{name: row.get(name) for name in columns} for row in rows]
        stream.write(csv_table(columns, whole).partition(b"\n")[2])


def _structures(store: Store) -> list[str]:
    import pyarrow.parquet as pq

    names: set[str] = set()
    for shard in store.parts():
        column = pq.read_table(store.part("fits", shard), columns=[DISTANCES])[DISTANCES]
        names.update(name for pairs in column.to_pylist() for name, _ in pairs)
    return sorted(names)
