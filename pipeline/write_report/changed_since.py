"""What changed since the last report: figures that moved, came or went.

The last report is report.json of the newest earlier report in the same folder.  Where there is none, the run before
this one in the ledger stands in for it, with the medians that `sum_up.headline` gives both.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.keep_ledger.ledger import open_ledger
from pipeline.sum_up.headline import headline
from pipeline.write_report.load import run_table

if TYPE_CHECKING:
    from pipeline.write_report.sections import ReportContext

NOTICED_PCT = 0.3
"""Points by which a figure must move to be named (project's choice: figures are told with one decimal, and 0.1 may be
rounding)."""
RESAMPLES = 200
Key = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Moved:
    """A figure that is not what it was: medians in per cent, None where it was or is not there.

    `beyond` tells whether it left the interval that it was told with.
    """

    what: str
    before: float | None
    after: float | None
    vehicles_before: int
    vehicles_after: int
    beyond: bool


@dataclass(frozen=True, slots=True)
class Since:
    """The comparison with an earlier state (`earlier` says which): what moved, and how many figures did not."""

    earlier: str
    moved: tuple[Moved, ...]
    same: int


@dataclass(frozen=True, slots=True)
class _Told:
    what: str
    median: float | None
    low: float | None
    high: float | None
    vehicles: int


def changed_since(context: ReportContext) -> Since | None:
    """What changed since the last report or the run before; None where there is neither."""
    if context.earlier is not None:
        was = _of_estimates(context.earlier.get("estimates", ()))
        now = _of_estimates(context.figures.plain()["estimates"])
        run, at = str(context.earlier.get("run", "?")), str(context.earlier.get("written_at", "?"))[:10]
        return _compared(f"the report of {at} (run {run})", was, now)
    before = _run_before(context)
    if before is None:
        return None
    told = [_of_headline(run) for run in (before, context.run)]
    return _compared(f"the run before ({before.name}), since this folder holds no earlier report", *told)


def _run_before(context: ReportContext) -> Path | None:
    runs = open_ledger(context.ledger).runs()
    earlier = [run for run in runs if run.name < context.run.name]
    return earlier[-1] if earlier else None


def _of_estimates(estimates: Iterable[Mapping[str, Any]]) -> dict[Key, _Told]:
    told = {}
    for one in estimates:
        key = tuple(str(one.get(name)) for name in ("axis", "dimension", "group", "at", "unit"))
        unit = {"mi": "miles"}.get(str(one.get("unit")), str(one.get("unit")))
        what = f"{one.get('group')} at {float(one.get('at', 0)):,.0f} {unit}"
        told[key] = _Told(what, one.get("median"), one.get("low"), one.get("high"), int(one.get("vehicles", 0)))
    return told


def _of_headline(run: Path) -> dict[Key, _Told]:
    told: dict[Key, _Told] = {}
    for figure in headline(run_table(run, "reports"), resamples=RESAMPLES):
        band = "" if figure.band == "all" else f", {figure.band} thousand km"
        what = f"{figure.chemistry}{band}"
        told[figure.chemistry, figure.band] = _Told(what, figure.median, figure.low, figure.high, figure.vehicles)
    return told


def _compared(earlier: str, was: Mapping[Key, _Told], now: Mapping[Key, _Told]) -> Since:
    moved, same = [], 0
    for key in sorted(was.keys() | now.keys()):
        before, after = was.get(key), now.get(key)
        medians = [one.median if one else None for one in (before, after)]
        if medians == [None, None]:
            continue
        left = False
        if before is not None and after is not None and None not in medians:
            assert before.median is not None and after.median is not None
            inside = before.low is None or before.high is None or before.low <= after.median <= before.high
            left = not inside
            if inside and abs(before.median - after.median) < NOTICED_PCT:
                same += 1
                continue
        what = (after or before or _Told("", None, None, None, 0)).what
        counts = [one.vehicles if one else 0 for one in (before, after)]
        moved.append(Moved(what, medians[0], medians[1], counts[0], counts[1], left))
    return Since(earlier, tuple(sorted(moved, key=lambda one: (not one.beyond, -_step(one), one.what))), same)


def _step(moved: Moved) -> float:
    return abs(moved.before - moved.after) if moved.before is not None and moved.after is not None else 0.0
