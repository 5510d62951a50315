"""Adds exports to what a run holds: which of them are new, which replace held ones, which responses are as they were.

An export that stands in the run already, with the same bytes, is left out.  One of the same place with other bytes
replaces it: its responses count, and those that are just as they were are not read again.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from pipeline.problems import UsageProblem
from pipeline.read_exports.pages import page_stem
from pipeline.response import Reading, Response
from pipeline.run_partitions.partition import P, Reader, Readings, Runner, Timed
from pipeline.take_back.kept_run import KeptRun
from pipeline.take_in import Export

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(slots=True)
class Added:
    """What became of the exports that were given: `held` were there already, `replaced` are sources with new bytes.

    `broken` are paths that could not be read now and of which the run keeps what it held.
    """

    held: list[str] = field(default_factory=list)
    replaced: set[str] = field(default_factory=set)
    broken: list[str] = field(default_factory=list)


def new_exports(exports: Iterable[Export], kept: KeptRun, added: Added) -> Iterator[Export]:
    """The exports that have to be read, with what became of the others noted in `added`.

    Raises `UsageProblem` where a full build of all exports would name the sources otherwise than the run has them:
    two files of one name, or pages of one thread of which some are held.
    """
    held = kept.record["inputs"]
    for export in exports:
        same = [one for one in held if _one_place(one["path"], export.path)]
        if not same:
            twin = next((one for one in held if _bare(one["source"]) == _bare(export.source)), None)
            if twin is not None and twin["sha256"] == export.sha256:
                added.held.append(export.path)
                continue
            _refuse_twins(export, held)
            yield export
        elif all(one["sha256"] == export.sha256 and not one["problem"] for one in same):
            added.held.append(export.path)
        elif export.problem is not None and any(one["kept"] for one in same):
            added.broken.append(export.path)
        else:
            if sum(one["source"] == same[0]["source"] for one in held) > 1 or export.source != same[0]["source"]:
                raise UsageProblem(
                    f"{same[0]['source']} is made of several files, or is now named {export.source}",
                    where=export.path,
                    todo="build again from all exports, without --add",
                )
            added.replaced.add(export.source)
            yield export


def _refuse_twins(export: Export, held: Sequence[dict[str, Any]]) -> None:
    for one in held:
        if _bare(one["source"]) == _bare(export.source):
            raise UsageProblem(
                f"the ledger holds another export of this name ({one['path']}), and two of one name are told apart "
                "by their folders",
                where=export.path,
                todo="give the file another name, or build again from all exports, without --add",
            )
        names = [os.path.basename(one["path"]), os.path.basename(export.path)]
        if os.path.dirname(one["path"]) == os.path.dirname(export.path) and page_stem(names[1], names) is not None:
            raise UsageProblem(
                f"this looks like a further page of what the ledger holds ({one['path']})",
                where=export.path,
                todo="build again from all pages, without --add, or give the file another name",
            )


def _one_place(one: str, other: str) -> bool:
    if one == other:
        return True
    local = "://" not in one and "://" not in other
    return local and os.path.realpath(one) == os.path.realpath(other)


def _bare(source: str) -> str:
    return source.rsplit("/", 1)[-1]


class AsBefore:
    """A runner that sends on only responses that are not as the kept run has them, and asks `runner` for those.

    The others get an empty reading, and their ids go to `same`: their rows are to be copied.  `again` says for each row
    of the kept responses whether it has to be read again in any case.
    """

    def __init__(self, kept: KeptRun, sources: set[str], again: NDArray[Any], runner: Runner) -> None:
        self._kept = kept
        self._sources = sources
        self._again = again
        self._runner = runner
        self._known: dict[str, dict[str, Response]] = {}
        self.same: set[str] = set()

    def read(self, reader: Reader, partitions: Iterable[P], timed: Timed) -> Generator[tuple[P, Readings], None, None]:
        """As `Runner.read` says."""
        waiting: deque[tuple[P, list[bool]]] = deque()

        def others() -> Iterator[_Others]:
            for part in partitions:
                known = [self._is_known(response) for response in part.responses]
                waiting.append((part, known))
                yield _Others([one for one, same in zip(part.responses, known, strict=True) if not same])

        for _, readings in self._runner.read(reader, others(), timed):
            part, known = waiting.popleft()
            told = iter(readings)
            yield part, [Reading() if same else next(told) for same in known]

    def _is_known(self, response: Response) -> bool:
        if response.source not in self._sources:
            return False
        if response.source not in self._known:
            self._known = {response.source: self._of_source(response.source)}
        before = self._known[response.source].get(response.response_id)
        if before is None:
            return False
        # whoever wrote it, and how it was liked, plays no part in a reading
        as_now = replace(before, author=response.author, likes=response.likes, link=response.link)
        if as_now != response:
            return False
        self.same.add(response.response_id)
        return True

    def _of_source(self, source: str) -> dict[str, Response]:
        import numpy as np
        import pyarrow.compute as pc

        here = pc.equal(self._kept.tables["responses"]["source"], source).combine_chunks()
        rows = np.flatnonzero(here.to_numpy(zero_copy_only=False) & ~self._again)
        return {one.response_id: one for one in self._kept.responses(rows.tolist())}


@dataclass(frozen=True, slots=True)
class _Others:
    """A partition without the responses that are known."""

    responses: list[Response]
