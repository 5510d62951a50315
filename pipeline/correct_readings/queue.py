"""Which reports are most worth a person's look: unsure, flagged, or of weight in a published figure.

    priority = doubt + flags + weight

`doubt` is 1 - confidence; `flags` 0.5 for a finding that keeps the row out and 0.25 for any other, at most 1; `weight`
is by how many points a published median (`sum_up.headline`) moves without the row (or with it, where only a finding
keeps it out), 0.5 for one point, at most 0.5.  The shares are judgement; every row says in words why it is there.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.check_reports.findings import findings
from pipeline.correct_readings.decisions import Decision, moment
from pipeline.sum_up.cross_section import as_frame, cross_section
from pipeline.sum_up.headline import EVERY, FEWEST

if TYPE_CHECKING:
    import numpy
    import pandas

    Numbers = numpy.ndarray[Any, numpy.dtype[numpy.float64]]

KEEPS_OUT, OTHER_FLAG, MOST_FLAGS = 0.5, 0.25, 1.0
A_POINT, MOST_WEIGHT = 0.5, 0.5


@dataclass(frozen=True, slots=True)
class Waiting:
    """A report in the queue: its priority, and why it is there."""

    report: str
    priority: float
    reasons: tuple[str, ...]


def queue(folder: Path, decided: Sequence[Decision] = (), *, limit: int | None = None) -> list[Waiting]:
    """The reports of the run in `folder`, those most worth a look first, ties by id.

    Copies are left out, and the reports that by `decided` a person has found right or no report.
    """
    import pyarrow.parquet as pq

    table = pq.read_table(folder / "reports.parquet")
    weights = influence(table.to_pandas())
    done = looked_at(decided)
    waiting = []
    for row in table.select(["report_id", "confidence", "flags", "usable", "copy_of"]).to_pylist():
        if row["copy_of"] is not None or row["report_id"] in done:
            continue
        points, figure = weights.get(row["report_id"], (0.0, ""))
        doubt = 1 - row["confidence"]
        reasons = [f"confidence {row['confidence']:.2f}"]
        reasons += [f"flag {code}" for code in row["flags"]]
        if points >= 0.05:
            how = "without" if row["usable"] else "with"
            reasons.append(f"the median loss of {figure} moves by {points:.1f} points {how} it")
        priority = doubt + _flags(row["flags"]) + min(MOST_WEIGHT, A_POINT * points)
        waiting.append(Waiting(row["report_id"], round(priority, 6), tuple(reasons)))
    waiting.sort(key=lambda one: (-one.priority, one.report))
    return waiting[:limit]


def looked_at(decided: Iterable[Decision]) -> set[str]:
    """The reports that a person has found right as a whole, or no report, and of which nothing was taken back since."""
    latest: dict[str, Decision] = {}
    for decision in sorted(decided, key=lambda decision: moment(decision.when)):
        if decision.report and not decision.field and decision.kind in ("verified", "not-a-report", "as-read"):
            latest[decision.report] = decision
    return {report for report, decision in latest.items() if decision.kind != "as-read"}


def _flags(codes: Iterable[str]) -> float:
    book = findings()
    each = [KEEPS_OUT if code in book and book[code].keeps_out else OTHER_FLAG for code in codes]
    return min(MOST_FLAGS, sum(each))


def influence(reports: pandas.DataFrame) -> dict[str, tuple[float, str]]:
    """report_id -> by how many points the published median that it moves most moves without it, and which that is.

    For rows that only a finding keeps out: with it.  Figures of fewer than `FEWEST` vehicles are not published and
    not counted; other rows are not in the answer.
    """
    import numpy as np

    taken = cross_section(reports)
    rest = as_frame(reports[~reports["usable"].astype(bool) & reports["copy_of"].isna()])
    found: dict[str, tuple[float, str]] = {}
    for frame, inside in ((taken, True), (rest, False)):
        told = frame[frame["loss_pct"].notna() & frame["odometer_km"].notna()]
        for chemistry, band in _groups(told):
            members = _of(taken, chemistry, band)
            members = members[members["loss_pct"].notna() & members["odometer_km"].notna()]
            if len(members) < FEWEST:
                continue
            values = np.sort(members["loss_pct"].to_numpy(float))
            rows = _of(told, chemistry, band)
            moves = _moves(values, rows["loss_pct"].to_numpy(float), inside=inside)
            for report, move in zip(rows["report_id"], moves.tolist(), strict=True):
                if move > found.get(report, (0.0, ""))[0]:
                    found[report] = (move, _name(chemistry, band))
    return found


def _groups(frame: pandas.DataFrame) -> list[tuple[str, str]]:
    chemistries = [EVERY, *sorted(frame["chemistry_group"].unique())]
    bands = [EVERY, *sorted(frame["distance_band"].dropna().unique())]
    return [(chemistry, band) for chemistry in chemistries for band in bands]


def _of(frame: pandas.DataFrame, chemistry: str, band: str) -> pandas.DataFrame:
    if chemistry != EVERY:
        frame = frame[frame["chemistry_group"] == chemistry]
    return frame if band == EVERY else frame[frame["distance_band"] == band]


def _name(chemistry: str, band: str) -> str:
    return f"{'all' if chemistry == EVERY else chemistry}{'' if band == EVERY else f' at {band} thousand km'}"


def _moves(values: Numbers, rows: Numbers, *, inside: bool) -> Numbers:
    """By how much the median of sorted `values` moves without each of `rows` (members), or with it (no members).

    Only the values in the middle can become the median, so that no row costs more than a comparison.
    """
    import numpy as np

    count = len(values)
    middle = count // 2
    low, high = values[middle - 1], values[middle]  # for an odd count, high is the median
    after = values[middle + 1] if middle + 1 < count else high
    if count % 2 == 0:
        median = (low + high) / 2
        moved = np.where(rows <= low, high, low) if inside else np.clip(rows, low, high)
    else:
        median = high
        if inside:
            moved = np.where(
                rows < high, (high + after) / 2, np.where(rows > high, (low + high) / 2, (low + after) / 2)
            )
        else:
            moved = (np.clip(rows, low, after) + high) / 2
    change: Numbers = np.abs(moved - median)
    return change
