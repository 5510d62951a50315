"""Finds the reports that differ between two runs, column by column, and pairs those of one response with each other.

Rows that are the same in both runs are never looked at one by one: whole columns are compared under the reports' ids,
and only responses in which anything differs are taken out as rows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.score_readings.compare import pair_reports

if TYPE_CHECKING:
    import numpy
    import pyarrow
    from numpy.typing import NDArray

Row = dict[str, Any]

SETTLED = ("usable", "flags", "copy_of")
"""Columns of a report that say what became of it; they are compared beside its values."""


@dataclass(frozen=True, slots=True)
class RowPair:
    """One report as it is in the two runs; None in the run that does not have it."""

    before: Row | None
    after: Row | None

    @property
    def either(self) -> Row:
        """The row of the run that has it, the later one where both do."""
        row = self.after if self.after is not None else self.before
        assert row is not None
        return row


def differing_responses(before: pyarrow.Table, after: pyarrow.Table, columns: Sequence[str]) -> pyarrow.Array:
    """Ids of the responses whose reports are not the same in both tables of reports, in `columns`; sorted.

    A column that one of the tables lacks counts as empty there.
    """
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    places = pc.index_in(before["report_id"], value_set=after["report_id"].combine_chunks()).combine_chunks()
    there = places.is_valid()
    mine = before.filter(there)
    theirs = after.take(places.drop_null())
    unlike = np.zeros(mine.num_rows, bool)
    for name in columns:
        unlike |= _unlike(_column(mine, name), _column(theirs, name), mine.num_rows)
    gone = before.filter(pc.invert(there))["response_id"]
    come = after.filter(pc.invert(pc.is_in(after["report_id"], before["report_id"].combine_chunks())))["response_id"]
    found = pa.chunked_array(
        [*mine["response_id"].filter(pa.array(unlike)).chunks, *gone.chunks, *come.chunks], pa.string()
    )
    return pc.unique(found).sort()


def _column(table: pyarrow.Table, name: str) -> pyarrow.ChunkedArray | None:
    return table[name] if name in table.column_names else None


def _unlike(one: Any, other: Any, rows: int) -> NDArray[numpy.bool_]:
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc

    if one is None and other is None:
        return np.zeros(rows, bool)
    if one is None or other is None:
        known = (other if one is None else one).is_valid()
        return np.asarray(known.to_numpy(), bool)
    if pa.types.is_list(one.type):
        one, other = (pc.binary_join(column.combine_chunks(), ",") for column in (one, other))
    differs = pc.fill_null(pc.not_equal(one, other), False)
    found = pc.or_(differs, pc.xor(one.is_valid(), other.is_valid()))
    return np.asarray(found.to_numpy(zero_copy_only=False) if isinstance(found, pa.Array) else found.to_numpy(), bool)


def paired_rows(
    before: pyarrow.Table, after: pyarrow.Table, responses: pyarrow.Array, fields: Sequence[str]
) -> list[RowPair]:
    """The reports of these responses, paired such that the most fields agree; by response, then number of the report.

    Reports keep no identity from run to run: the second of a response may be the first in the next one.
    """
    old, new = _by_response(before, responses), _by_response(after, responses)
    out: list[RowPair] = []
    for response in responses.to_pylist():
        mine, theirs = old.get(response, []), new.get(response, [])
        plain = [[_plain(row, fields) for row in rows] for rows in (mine, theirs)]
        pairs = [
            RowPair(None if a is None else mine[a], None if b is None else theirs[b])
            for a, b in pair_reports(plain[0], plain[1])
        ]
        out.extend(sorted(pairs, key=lambda pair: _number(pair.either["report_id"])))
    return out


def _by_response(reports: pyarrow.Table, responses: pyarrow.Array) -> dict[str, list[Row]]:
    import pyarrow.compute as pc

    out: dict[str, list[Row]] = defaultdict(list)
    for row in reports.filter(pc.is_in(reports["response_id"], responses)).to_pylist():
        out[row["response_id"]].append(row)
    return out


def _plain(row: Row, fields: Sequence[str]) -> dict[str, Any]:
    return {name: row[name] for name in fields if name in FIELD_NAMES and row.get(name) is not None}


def _number(report_id: str) -> tuple[int, str]:
    number = report_id.rpartition("-")[2]
    return (int(number) if number.isdigit() else 0, report_id)
