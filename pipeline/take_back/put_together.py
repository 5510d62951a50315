"""Puts kept rows and newly read ones together, column by column, in the order that a full build gives."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow


def without(table: pyarrow.Table, responses: pyarrow.Array) -> pyarrow.Table:
    """The rows of a table that belong to none of these responses."""
    import pyarrow.compute as pc

    if not len(responses):
        return table
    return table.filter(pc.invert(pc.is_in(table["response_id"], responses)))


def by_source(table: pyarrow.Table) -> pyarrow.Table:
    """The rows sorted by the name of their source; within a source they stay as they are."""
    import numpy as np

    names = table["source"].combine_chunks().dictionary_encode()
    if not table.num_rows:
        return table
    known = names.dictionary.to_pylist()
    place = {name: number for number, name in enumerate(sorted(known))}
    ranks = np.array([place[name] for name in known], np.int64)[names.indices.to_numpy()]
    return _sorted(table, ranks)


def put_in_order(table: pyarrow.Table, response_ids: pyarrow.ChunkedArray) -> pyarrow.Table:
    """The rows in the order of their responses; rows of one response stay as they are.

    Every row's response must be among `response_ids`, which are all different.
    """
    import pyarrow.compute as pc

    if not table.num_rows:
        return table
    places = pc.index_in(table["response_id"], value_set=response_ids.combine_chunks())
    return _sorted(table, places.combine_chunks().to_numpy())


def _sorted(table: pyarrow.Table, ranks: Any) -> pyarrow.Table:
    import numpy as np
    import pyarrow as pa

    if bool((ranks[1:] >= ranks[:-1]).all()):
        return table
    return table.take(pa.array(np.argsort(ranks, kind="stable")))
