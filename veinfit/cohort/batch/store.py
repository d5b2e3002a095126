"""Keeps a cohort's rows on disk, so that a run that is killed loses nothing that was finished.

A finished case is a line in the journal of its part (``work/part-00000.jsonl``). When all
cases of a part are there, the part is written as one Parquet file a table, each under
another name first; the file of the table ``cases`` comes last and marks the part as done,
by the key of every case and the sizes of its sister files. Then the journal goes.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from veinfit.cohort.batch.rows import TABLES, CaseRows, arrow_table, plain_rows

if TYPE_CHECKING:
    import pyarrow as pa

SIZES = b"veinfit_sizes"
"""Metadata of a part of ``cases`` that holds the sizes of its sister files, bytes."""
COST_COLUMNS = ("case", "seconds", "cpu_seconds", "peak_mb")


class Store:
    """The folder of a cohort's results.

    Parameters
    ----------
    out : Path
    """

    def __init__(self, out: Path) -> None:
        self.out = out

    def part(self, table: str, shard: int) -> Path:
        """Return the Parquet file of one part of a table.

        Parameters
        ----------
        table : {'cases', 'veins', 'fits', 'leaks'}
        shard : int
            Number of the part.

        Returns
        -------
        Path
        """
        return self.out / table / f"part-{shard:05d}.parquet"

    def journal(self, shard: int) -> Path:
        """Return the file that keeps the finished cases of a part that is not done.

        Parameters
        ----------
        shard : int

        Returns
        -------
        Path
        """
        return self.out / "work" / f"part-{shard:05d}.jsonl"

    # ---- parts that are done ---------------------------------------------------------------

    def parts(self) -> list[int]:
        """Return the numbers of the parts that there are."""
        return sorted(int(p.stem[5:]) for p in (self.out / "cases").glob("part-?????.parquet"))

    def done_keys(self, shard: int) -> dict[str, str] | None:
        """Return the key of every case of a part; None where it is not there as a whole.

        Parameters
        ----------
        shard : int

        Returns
        -------
        dict of str to str, or None
        """
        import pyarrow as pa
        import pyarrow.parquet as pq

        try:
            table = pq.read_table(self.part("cases", shard), columns=["case", "key"])
            sizes = json.loads((table.schema.metadata or {})[SIZES])
            whole = all(self.part(name, shard).stat().st_size == sizes[name] for name in sizes)
        except (OSError, KeyError, ValueError, pa.ArrowException):
            return None
        if not whole:
            return None
        return dict(zip(table["case"].to_pylist(), table["key"].to_pylist(), strict=True))

    def is_done(self, shard: int) -> bool:
        """Tell whether a part is there as a whole.

        Parameters
        ----------
        shard : int

        Returns
        -------
        bool
        """
        return self.done_keys(shard) is not None

    def failed_cases(self, shard: int) -> set[str]:
        """Return the cases of a part that failed.

        Parameters
        ----------
        shard : int

        Returns
        -------
        set of str
        """
        import pyarrow.parquet as pq

        table = pq.read_table(self.part("cases", shard), columns=["case", "status"])
        return {row["case"] for row in table.to_pylist() if row["status"] == "failed"}

    def write_part(self, shard: int, entries: Iterable[tuple[str, CaseRows]]) -> None:
        """Write a part from its cases in order: their keys and rows.

        Parameters
        ----------
        shard : int
        entries : iterable of (str, CaseRows)
        """
        rows: CaseRows = {table: [] for table in TABLES}
        for key, case in entries:
            rows["cases"] += [{**row, "key": key} for row in case["cases"]]
            for table in TABLES[1:]:
                rows[table] += case[table]
        sizes = {}
        for table in TABLES[1:]:
            self._write(self.part(table, shard), arrow_table(table, rows[table]))
            sizes[table] = self.part(table, shard).stat().st_size
        cases = arrow_table("cases", rows["cases"])
        mark = {SIZES: json.dumps(sizes).encode()}
        self._write(self.part("cases", shard), cases.replace_schema_metadata(mark))
        self.journal(shard).unlink(missing_ok=True)

    def _write(self, path: Path, content: pa.Table) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        # In memory first: Arrow's own errors do not tell a full disk from others.
        made = pa.BufferOutputStream()
        pq.write_table(content, made, compression="zstd")
        replace_file(path, lambda temporary: temporary.write_bytes(made.getvalue()))

    def unpack(self, shard: int, homes: dict[str, int], leave: Iterable[str] = ()) -> None:
        """Put a part's cases back into journals, and take the part away.

        Parameters
        ----------
        shard : int
        homes : mapping of str to int
            The part that each case now belongs to; cases without one are dropped.
        leave : iterable of str
            Cases to drop as well.
        """
        import pyarrow.parquet as pq

        dropped = set(leave)
        cases: dict[str, CaseRows] = {}
        for table in TABLES:
            for row in plain_rows(table, pq.read_table(self.part(table, shard))):
                empty: CaseRows = {name: [] for name in TABLES}
                cases.setdefault(row["case"], empty)[table].append(row)
        for name, rows in cases.items():
            if name in homes and name not in dropped:
                self.save(homes[name], str(rows["cases"][0].pop("key")), rows)
        self.remove(shard)

    def remove(self, shard: int) -> None:
        """Take a part away, its mark first.

        Parameters
        ----------
        shard : int
        """
        for table in TABLES:
            self.part(table, shard).unlink(missing_ok=True)

    # ---- cases of parts that are not done --------------------------------------------------

    def save(self, shard: int, key: str, rows: CaseRows) -> None:
        """Add a finished case to the journal of its part.

        Parameters
        ----------
        shard : int
        key : str
            Of the case, its files and the plan: what has another is worked on again.
        rows : CaseRows
        """
        append_line(self.journal(shard), _line(key, rows))

    def saved(self, shard: int, keys: Iterable[str]) -> dict[str, CaseRows]:
        """Return the rows of those finished cases of a part that have one of these keys.

        Parameters
        ----------
        shard : int
        keys : iterable of str

        Returns
        -------
        dict of str to CaseRows
            By key.
        """
        wanted = set(keys)
        return {key: rows for key, rows in self._lines(shard) if key in wanted}

    def saved_keys(self, shard: int) -> set[str]:
        """Return the keys in the journal of a part.

        Parameters
        ----------
        shard : int

        Returns
        -------
        set of str
        """
        return {key for key, _ in self._lines(shard)}

    def rehome(self, homes: dict[str, int]) -> None:
        """Move finished cases into the journals of the parts that they now belong to.

        Parameters
        ----------
        homes : dict of str to int
            The part of each case.
        """
        for path in sorted((self.out / "work").glob("part-?????.jsonl")):
            shard = int(path.stem[5:])
            entries = [(key, rows, rows["cases"][0]["case"]) for key, rows in self._lines(shard)]
            if all(homes.get(case) == shard for _, _, case in entries):
                continue
            for key, rows, case in entries:
                if case in homes and homes[case] != shard:
                    self.save(homes[case], key, rows)
            mine = [(key, rows) for key, rows, case in entries if homes.get(case) == shard]
            content = b"".join(_line(key, rows) for key, rows in mine)
            replace_file(path, lambda new, content=content: new.write_bytes(content))

    def _lines(self, shard: int) -> Iterator[tuple[str, CaseRows]]:
        try:
            lines = self.journal(shard).read_bytes().splitlines(keepends=True)
        except OSError:
            return
        for line in lines:
            # A line that a killed run left unfinished is as if it had not been begun.
            with contextlib.suppress(ValueError, KeyError):
                entry = json.loads(line)
                yield entry["key"], entry["rows"]

    def note_cost(self, case: str, cost: dict[str, Any] | None) -> None:
        """Add to ``costs.csv`` what a case took; in the order of finishing.

        Parameters
        ----------
        case : str
        cost : dict or None
            Values of the columns of ``costs.csv``.
        """
        from veinfit.io.cells import csv_table

        path = self.out / "costs.csv"
        row = {name: (cost or {}).get(name) for name in COST_COLUMNS[1:]}
        lines = csv_table(COST_COLUMNS, [{"case": case, **row}]).splitlines(keepends=True)
        if not path.exists():
            append_line(path, lines[0])
        append_line(path, lines[1])

    @property
    def is_empty(self) -> bool:
        """Whether no case is finished, neither in a part nor in a journal."""
        journals = (int(p.stem[5:]) for p in (self.out / "work").glob("part-?????.jsonl"))
        return not self.parts() and not any(any(self._lines(shard)) for shard in journals)

    def tidy(self) -> None:
        """Take away what is needed while a run goes on only."""
        work = self.out / "work"
        for path in work.glob("part-*"):
            path.unlink(missing_ok=True)
        with contextlib.suppress(OSError):
            work.rmdir()


def _line(key: str, rows: CaseRows) -> bytes:
    return json.dumps({"key": key, "rows": rows}, sort_keys=True).encode() + b"\n"


def append_line(path: Path, line: bytes) -> None:
    """Add a line to a file, wholly or not at all, and see it on the disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("ab+", buffering=0) as stream:
        end = stream.seek(0, os.SEEK_END)
        if end:
            stream.seek(end - 1)
            if stream.read(1) != b"\n":
                # Left by a run that was killed while it wrote; closed, it is a line of no sense.
                line = b"\n" + line
        try:
            written = stream.write(line)
            if written != len(line):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(stream.fileno())
        except OSError:
            stream.truncate(end)
            raise


def replace_file(path: Path, write: Any) -> None:
    """Let ``write`` fill a file under another name, then give it its own."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.new")
    try:
        write(temporary)
        with temporary.open("rb") as stream:
            os.fsync(stream.fileno())
        temporary.replace(path)
    except OSError:
        temporary.unlink(missing_ok=True)
        raise
