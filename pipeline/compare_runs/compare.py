"""The comparison of two runs: rows, values with the words and rules behind them, counts, scores, headline figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.compare_runs.changed_rows import SETTLED, Row, RowPair, differing_responses, paired_rows
from pipeline.compare_runs.score_run import ScoreChange, score_change
from pipeline.dataset_columns import FIELD_NAMES
from pipeline.keep_ledger.run_columns import fields_of_run
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.sum_up.headline import Figure, headline

if TYPE_CHECKING:
    import pyarrow

MAKERS = ("make", "model")
MANY_ROWS = 100_000
"""Reports from which on fewer resamples are drawn, so that a look stays a look."""
RESAMPLES_OF_MANY = 100


@dataclass(frozen=True, slots=True)
class ValueChange:
    """One value that came, went or changed.  `kind`: gained, lost or changed; `row`: the same of its whole report.

    `words` and `rule` stand behind the value in each run ("" where it has none); `why` says which rule turned the
    words down in the run that lacks the value, where one did.  Report ids are "" in the run without the report.
    """

    kind: str
    row: str
    response_id: str
    source: str
    source_response_id: str
    report_before: str
    report_after: str
    field: str
    before: Any
    after: Any
    words_before: str = ""
    words_after: str = ""
    rule_before: str = ""
    rule_after: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field: how many reports have it in each run, and how many values came, went and changed."""

    field: str
    before: int
    after: int
    gained: int
    lost: int
    changed: int


@dataclass(frozen=True, slots=True)
class FigureChange:
    """One headline figure in both runs; None in a run that does not have the group."""

    chemistry: str
    band: str
    before: Figure | None
    after: Figure | None

    @property
    def moved(self) -> float | None:
        """By how many points the median moved; None where a run has none."""
        if self.before is None or self.after is None or self.before.median is None or self.after.median is None:
            return None
        return self.after.median - self.before.median

    @property
    def apart(self) -> bool:
        """Whether either run's median lies outside the other's interval: more than the sample's own play."""
        one, two = self.before, self.after
        if one is None or two is None or one.median is None or two.median is None:
            return False
        inside = (
            two.low is not None
            and two.high is not None
            and one.low is not None
            and one.high is not None
            and two.low <= one.median <= two.high
            and one.low <= two.median <= one.high
        )
        return not inside


@dataclass(slots=True)
class Comparison:
    """Two runs side by side; `before` and `after` are their records (run.json), `folders` where they stand.

    `counts` leads from a name to (before, after); `rows` counts gained, lost and changed reports, `new_responses` and
    `gone_responses` those that only one run has read.
    """

    folders: tuple[Path, Path]
    before: dict[str, Any]
    after: dict[str, Any]
    counts: dict[str, tuple[int, int]]
    rows: dict[str, int]
    new_responses: int
    gone_responses: int
    fields: list[FieldChange]
    values: list[ValueChange]
    figures: list[FigureChange]
    score: ScoreChange
    rules: list[str] = field(default_factory=list)

    @property
    def same(self) -> bool:
        """Whether no report differs."""
        return not self.values

    @property
    def verdict(self) -> str:
        """One line that says whether the later run is better, and what that rests on."""
        changed = sum(one.kind != "settled" for one in self.values)
        if self.same:
            return "no difference: every report is the same in both runs"
        much = f"{changed:,} value{'' if changed == 1 else 's'} differ{'s' if changed == 1 else ''}"
        return f"{self.score.verdict}; {much}"

    def summary(self) -> dict[str, Any]:
        """The comparison without its single values, as plain JSON values."""
        from dataclasses import asdict

        return {
            "before": {"run": self.before["run"], "folder": str(self.folders[0])},
            "after": {"run": self.after["run"], "folder": str(self.folders[1])},
            "verdict": self.verdict,
            "counts": {name: list(pair) for name, pair in self.counts.items()},
            "rows": dict(self.rows),
            "new_responses": self.new_responses,
            "gone_responses": self.gone_responses,
            "rules": list(self.rules),
            "fields": [asdict(one) for one in self.fields],
            "score": self.score.plain(),
            "figures": [asdict(one) | {"moved": one.moved, "apart": one.apart} for one in self.figures],
        }

    def to_markdown(self, limit: int = 20) -> str:
        """The comparison as a Markdown page; at most `limit` single values."""
        from pipeline.compare_runs.tell import markdown

        return markdown(self, limit)


def compare(before: Path, after: Path, *, gold: Sequence[Path] = ()) -> Comparison:
    """Sets the run in the folder `before` beside that in `after`; the two may be of different ledgers.

    Rows are matched by response, and within one such that the most fields agree.  `gold` are labelled responses on
    which both runs are scored, each with the rules that it was read with; without them, scores that are kept with the
    runs are compared.  Raises `LedgerProblem` where a table is missing or damaged, `UsageProblem` where a run's rules
    are not there any more as they were.
    """
    records = read_run_record(before), read_run_record(after)
    names = (*FIELD_NAMES, *_declared(before, after), *MAKERS)
    reports = _reports(before, names), _reports(after, names)
    different = differing_responses(*reports, (*names, *SETTLED))
    pairs = paired_rows(*reports, different, names)
    values = _values(before, after, pairs, names)
    ids = _responses(before), _responses(after)
    rows = Counter(_row_kind(pair, names) for pair in pairs)
    return Comparison(
        folders=(before, after),
        before=records[0],
        after=records[1],
        counts=_counts(records[0], records[1]),
        rows={kind: rows[kind] for kind in ("gained", "lost", "changed", "settled")},
        new_responses=_only(ids[1], ids[0]),
        gone_responses=_only(ids[0], ids[1]),
        fields=_field_changes(*reports, names, values),
        values=values,
        figures=_figures(*reports),
        score=score_change(before, after, gold),
        rules=_rule_lines(before, after),
    )


def _declared(before: Path, after: Path) -> list[str]:
    return list(dict.fromkeys(column.name for run in (before, after) for column in fields_of_run(run)))


def _reports(folder: Path, names: Iterable[str]) -> pyarrow.Table:
    known = ("report_id", "response_id", "source_response_id", "source", "author_key", "posted_at", "vehicle_key")
    return _table(folder, "reports", (*known, *names, *SETTLED))


def _responses(folder: Path) -> pyarrow.Array:
    return _table(folder, "responses", ("response_id",))["response_id"].combine_chunks()


def _table(folder: Path, name: str, columns: Iterable[str], chosen: Any = None) -> pyarrow.Table:
    import pyarrow as pa
    import pyarrow.dataset as ds

    from pipeline.problems import LedgerProblem

    path = folder / f"{name}.parquet"
    try:
        with ledger_errors(path, "reading a table", todo="build again"):
            data = ds.dataset(path, format="parquet")
            there = [column for column in columns if column in data.schema.names]
            return data.to_table(columns=there, filter=chosen)
    except pa.ArrowInvalid as error:
        raise LedgerProblem("this table is damaged", where=str(path), todo="build again") from error


def _only(mine: pyarrow.Array, others: pyarrow.Array) -> int:
    import pyarrow.compute as pc

    return int(len(mine) - (pc.sum(pc.is_in(mine, others)).as_py() or 0))


def _row_kind(pair: RowPair, names: Sequence[str]) -> str:
    if pair.before is None:
        return "gained"
    if pair.after is None:
        return "lost"
    if any(pair.before.get(name) != pair.after.get(name) for name in names):
        return "changed"
    return "settled" if any(pair.before[name] != pair.after[name] for name in SETTLED) else "same"


def _values(before: Path, after: Path, pairs: Sequence[RowPair], names: Sequence[str]) -> list[ValueChange]:
    words = _words(before, [pair.before for pair in pairs]), _words(after, [pair.after for pair in pairs])
    refused = _refusals(before, pairs), _refusals(after, pairs)
    out: list[ValueChange] = []
    for pair in pairs:
        row = _row_kind(pair, names)
        either = pair.either
        one, two = pair.before or {}, pair.after or {}
        place = (either["response_id"], either["source"], either["source_response_id"])
        ids = (one.get("report_id", ""), two.get("report_id", ""))
        for name in names:
            was, now = one.get(name), two.get(name)
            if was == now:
                continue
            kind = "gained" if was is None else "lost" if now is None else "changed"
            first, second = words[0].get((ids[0], name)), words[1].get((ids[1], name))
            known, missing = (second, refused[0]) if kind == "gained" else (first, refused[1])
            why = _why(known, missing.get(place[0], ())) if kind != "changed" else ""
            said = [
                (one_side["raw"] or "", one_side["rule_id"]) if one_side else ("", "") for one_side in (first, second)
            ]
            out.append(
                ValueChange(
                    kind, row, *place, *ids, name, was, now, said[0][0], said[1][0], said[0][1], said[1][1], why
                )
            )
        for name in SETTLED if pair.before is not None and pair.after is not None else ():
            if one[name] != two[name] and not (name == "copy_of" and _same_copy(one[name], two[name])):
                out.append(ValueChange("settled", row, *place, *ids, name, _plain(one[name]), _plain(two[name])))
    return out


def _same_copy(one: str | None, two: str | None) -> bool:
    return one is not None and two is not None and one.rpartition("-")[0] == two.rpartition("-")[0]


def _plain(value: Any) -> Any:
    return ", ".join(value) if isinstance(value, list) else value


def _words(folder: Path, rows: Iterable[Row | None]) -> dict[tuple[str, str], Row]:
    """(report, field) -> its evidence, for the given reports."""
    import pyarrow as pa
    import pyarrow.dataset as ds

    wanted = pa.array([row["report_id"] for row in rows if row is not None], pa.string())
    columns = ("report_id", "field", "raw", "start", "end", "rule_id")
    table = _table(folder, "evidence", columns, ds.field("report_id").isin(wanted))
    return {(row["report_id"], row["field"]): row for row in table.to_pylist()}


def _refusals(folder: Path, pairs: Sequence[RowPair]) -> dict[str, list[Row]]:
    import pyarrow as pa
    import pyarrow.dataset as ds

    wanted = pa.array(sorted({pair.either["response_id"] for pair in pairs}), pa.string())
    columns = ("response_id", "start", "end", "rule_id", "reason")
    out: dict[str, list[Row]] = {}
    for row in _table(folder, "refusals", columns, ds.field("response_id").isin(wanted)).to_pylist():
        out.setdefault(row["response_id"], []).append(row)
    return out


def _why(known: Row | None, refusals: Sequence[Row]) -> str:
    """The rule that turned a value's words down in the other run, and its reason."""
    if known is None or known["start"] is None:
        return ""
    for row in refusals:
        if row["start"] < known["end"] and known["start"] < row["end"]:
            return f"{row['rule_id']}: {row['reason']}"
    return ""


def _field_changes(
    before: pyarrow.Table, after: pyarrow.Table, names: Sequence[str], values: Sequence[ValueChange]
) -> list[FieldChange]:
    kinds = Counter((one.field, one.kind) for one in values)

    def known(table: pyarrow.Table, name: str) -> int:
        return table.num_rows - table[name].null_count if name in table.column_names else 0

    return [
        FieldChange(
            name,
            known(before, name),
            known(after, name),
            *(kinds[name, kind] for kind in ("gained", "lost", "changed")),
        )
        for name in names
    ]


def _counts(before: dict[str, Any], after: dict[str, Any]) -> dict[str, tuple[int, int]]:
    names = ("responses", "reports", "report_copies", "usable", "vehicles", "flagged", "refusals")
    return {name: (before["counts"].get(name, 0), after["counts"].get(name, 0)) for name in names}


_OF_FIGURES = [
    "report_id", "author_key", "vehicle_key", "posted_at", "odometer_km", "chemistry", "loss_pct", "copy_of", "usable",
]  # fmt: skip
"""The columns that headline figures are made of."""


def _figures(before: pyarrow.Table, after: pyarrow.Table) -> list[FigureChange]:
    many = max(before.num_rows, after.num_rows) > MANY_ROWS
    drawn = {"resamples": RESAMPLES_OF_MANY} if many else {}
    one, two = (
        {(figure.chemistry, figure.band): figure for figure in headline(table.select(_OF_FIGURES), **drawn)}
        for table in (before, after)
    )
    return [FigureChange(*key, one.get(key), two.get(key)) for key in dict.fromkeys([*one, *two])]


def _rule_lines(before: Path, after: Path) -> list[str]:
    """What differs between what the two runs' readings hang on, a line each."""
    from pipeline.finish_run import FOR_RERUN
    from pipeline.take_back.changes import changes_between
    from pipeline.take_back.fingerprints import read_readings

    old, new = read_readings(before / FOR_RERUN), read_readings(after / FOR_RERUN)
    if old is None or new is None:
        return []
    return changes_between(old, new).told()
