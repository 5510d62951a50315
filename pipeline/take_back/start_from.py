"""What a new run takes over from a kept one: which responses are read again, and all rows put together in the end."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline.finish_run import AS_READ, with_column
from pipeline.join_copies.join import Joined, join_again
from pipeline.keep_ledger.run_record import InputRecord
from pipeline.take_back.adding import Added, AsBefore
from pipeline.take_back.changes import Changes, changes_between
from pipeline.take_back.fingerprints import readings_of
from pipeline.take_back.kept_run import KeptRun
from pipeline.take_back.put_together import by_source, put_in_order, without
from pipeline.take_back.touched import touched_rows

if TYPE_CHECKING:
    import numpy
    import pyarrow
    from numpy.typing import NDArray


@dataclass(slots=True)
class Start:
    """A kept run with its tables loaded; `again` says for each of its responses whether it has to be read again.

    `added` tells what became of exports that are added, `as_before` which of their responses are as they were.
    """

    kept: KeptRun
    changes: Changes
    again: NDArray[numpy.bool_]
    added: Added = field(default_factory=Added)
    as_before: AsBefore | None = None
    _read: list[int] = field(default_factory=list)
    _failed: dict[str, int] = field(default_factory=dict)
    _grown: bool = False

    @classmethod
    def of(
        cls, kept: KeptRun, reader: Any, lang: str | None, vehicles: tuple[str, str] | None, *, full: bool = False
    ) -> Start:
        """Finds out what has changed since the kept run; `lang` is forced on every response where it is given."""
        import numpy as np
        import pyarrow as pa
        import pyarrow.compute as pc

        responses = kept.tables["responses"]
        other = np.zeros(responses.num_rows, bool)
        if lang is not None:
            before = pc.fill_null(responses["lang"], "").combine_chunks()
            other = pc.not_equal(before, lang).to_numpy(zero_copy_only=False)
            responses = with_column(responses, "lang", pa.array([lang]).take(pa.array(np.zeros(len(other), np.int8))))
            kept.tables["responses"] = responses
        new = readings_of(reader, responses["lang"].unique().to_pylist(), vehicles)
        changes = changes_between(kept.readings, new)
        if full:
            changes.everything = "it was asked for"
        again = other | touched_rows(changes, kept.readings, new, responses, kept.tables["reports"])
        return cls(kept, changes, again)

    def to_be_read(self) -> list[int]:
        """The rows of the kept responses that have to be read again: of those whose export has not been replaced."""
        import numpy as np

        self._read = np.flatnonzero(self.again & ~self._gone()).tolist()
        return self._read

    def _gone(self) -> NDArray[Any]:
        """For each kept response whether its export has been replaced by another."""
        import numpy as np
        import pyarrow as pa
        import pyarrow.compute as pc

        replaced = pa.array(sorted(self.added.replaced), pa.string())
        found = pc.is_in(self.kept.tables["responses"]["source"], replaced)
        return np.asarray(found.combine_chunks().to_numpy(zero_copy_only=False), bool)

    def put_together(
        self, fresh: dict[str, pyarrow.Table], again: dict[str, pyarrow.Table], *, keep_text: bool
    ) -> dict[str, pyarrow.Table]:
        """The tables of the new run: kept rows, those of new exports (`fresh`), those that were read `again`.

        Rows come in the order of a full build.
        """
        import pyarrow as pa
        import pyarrow.compute as pc

        kept = self.kept.tables
        ids = kept["responses"]["response_id"].combine_chunks()
        gone = ids.filter(pa.array(self._gone()))
        read = ids.take(pa.array(self._read, pa.int64()))
        failed = read.filter(pc.invert(pc.is_in(read, again["responses"]["response_id"].combine_chunks())))
        self._count_failed(again["rejects"])
        self._grown = fresh["responses"].num_rows > 0
        lost = pa.concat_arrays([gone, failed])
        responses = by_source(pa.concat_tables([without(kept["responses"], lost), fresh["responses"]]))
        order = responses["response_id"]
        out = {"responses": responses}
        marks = [without(kept["marks"], lost), fresh["marks"]] if keep_text else [fresh["marks"]]
        out["marks"] = put_in_order(pa.concat_tables(marks), order)
        as_before = pa.array(sorted(self.as_before.same if self.as_before else ()), pa.string())
        replaced = gone.filter(pc.invert(pc.is_in(gone, as_before)))
        elsewhere = pa.concat_arrays([replaced, read])
        for name in AS_READ:
            newly = _with_authors(again[name], responses) if name == "reports" else again[name]
            out[name] = put_in_order(pa.concat_tables([without(kept[name], elsewhere), fresh[name], newly]), order)
        sources = pa.array(sorted(self.added.replaced), pa.string())
        rejects = kept["rejects"].filter(pc.invert(pc.is_in(kept["rejects"]["source"], sources)))
        out["rejects"] = by_source(pa.concat_tables([rejects, fresh["rejects"], again["rejects"]]))
        return out

    def join_again(self) -> Callable[..., Joined] | None:
        """Joins anew from what the kept run joined; None where responses have come or gone, or people's orders counted.

        To be called after `put_together`.
        """
        import pyarrow as pa

        readings = self.kept.readings
        if readings is None or readings.orders or self.added.replaced or self._grown or self._failed:
            return None
        known = self.kept.joined()
        ids = self.kept.tables["responses"]["response_id"].take(pa.array(self._read, pa.int64())).to_pylist()
        changed = self.kept.changed().union(ids)

        def again(responses: Any, reports: Any, evidence: Any, corrected: set[str]) -> Joined:
            return join_again(known, responses, reports, evidence, changed | corrected)

        return again

    def _count_failed(self, rejects: pyarrow.Table) -> None:
        for source in rejects["source"].to_pylist():
            self._failed[source] = self._failed.get(source, 0) + 1

    def inputs(self, read: Sequence[InputRecord]) -> list[InputRecord]:
        """The lines of run.json: those of the kept run that still count, then those that were `read` now."""
        held = [InputRecord(**one) for one in self.kept.record["inputs"]]
        held = [one for one in held if one.source not in self.added.replaced]
        for one in held:
            lost = min(self._failed.get(one.source, 0), one.kept)
            one.kept, one.rejected = one.kept - lost, one.rejected + lost
            if lost:
                self._failed[one.source] -= lost
        return [*held, *read]

    def told(self, read_again: int) -> dict[str, Any]:
        """What was taken over and why it was not more, for run.json."""
        return {
            "of": self.kept.folder.name,
            "responses": self.kept.tables["responses"].num_rows,
            "read_again": read_again,
            "why": self.changes.told(),
            "held": sorted(self.added.held),
            "replaced": sorted(self.added.replaced),
            "broken": sorted(self.added.broken),
        }


def _with_authors(reports: pyarrow.Table, responses: pyarrow.Table) -> pyarrow.Table:
    """Reports of responses that were read again with their authors' keys: the handles themselves are not kept."""
    import pyarrow.compute as pc

    places = pc.index_in(reports["response_id"], value_set=responses["response_id"].combine_chunks())
    return with_column(reports, "author_key", responses["author_key"].take(places.combine_chunks()))
