"""Handles for quotes: a ledger never holds them, so they are read again from the exports that they came in."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.keep_ledger.pseudonym import PseudonymKey
from pipeline.problems import UsageProblem

if TYPE_CHECKING:
    from pipeline.read_exports.column_mapping import ColumnMapping


def handles_of(
    exports: Sequence[Path],
    wanted: Collection[str],
    *,
    mapping: ColumnMapping | None = None,
    key: PseudonymKey | None = None,
    author_keys: dict[str, str] | None = None,
) -> dict[str, str]:
    """response_id -> handle for the wanted responses, from the exports (files, folders).

    Where the pseudonym key is given, a handle counts only if it belongs to the author key (`author_keys`, by
    response_id) of the ledger: an export that was edited since cannot put another name to somebody's words.  Raises
    `UsageProblem` where none of the exports can be read.
    """
    from pipeline.read_exports.read_exports import read_exports
    from pipeline.response import Response

    found: dict[str, str] = {}
    problems: list[str] = []
    read = 0
    for export in read_exports([str(path) for path in exports], mapping=mapping):
        if export.problem is not None:
            problems.append(str(export.problem))
            continue
        read += 1
        for item in export.items():
            if not isinstance(item, Response) or item.response_id not in wanted or not item.author:
                continue
            known = (author_keys or {}).get(item.response_id)
            if key is not None and known is not None and key.author_key(item.author) != known:
                continue
            found[item.response_id] = item.author
    if not read:
        raise UsageProblem(
            "the handles cannot be shown: no export could be read" + "".join(f"\n{one}" for one in problems[:3]),
            todo="give --show-handles the exports that the ledger was built from",
        )
    return found
