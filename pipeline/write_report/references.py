"""Reference series from a file (a fleet's, a laboratory's) and lines of published regulations, for comparison only."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.problems import UsageProblem

COLUMNS = {"distance": 1.0, "distance_km": 1.0, "distance_mi": KM_PER_MILE}
"""Name of the column that holds the distance -> kilometres in its unit."""

EXAMPLE = "distance,retention,label,source"


@dataclass(frozen=True, slots=True)
class Reference:
    """A series: losses (%) at rising distances (km), with its name and where it was published."""

    label: str
    source: str
    km: tuple[float, ...]
    loss_pct: tuple[float, ...]

    def loss_at(self, km: float) -> float | None:
        """The loss at a distance, on a straight line between its neighbours; None outside of the series."""
        import numpy as np

        if not self.km[0] <= km <= self.km[-1]:
            return None
        return float(np.interp(km, self.km, self.loss_pct))


@dataclass(frozen=True, slots=True)
class Regulation:
    """What a regulation asks of a new vehicle's battery: at least `100 - loss` % up to each (km, years, loss in %)."""

    label: str
    source: str
    steps: tuple[tuple[float, float, float], ...]


REGULATIONS: dict[str, Regulation] = {
    "un-gtr-22": Regulation(
        "UN GTR 22",
        "UN Global Technical Regulation 22 (ECE/TRANS/180/Add.22, 2022), category 1: 80 % of the certified energy "
        "to 5 years or 100,000 km, 70 % to 8 years or 160,000 km, whichever comes first",
        ((100_000, 5, 20), (160_000, 8, 30)),
    ),
    "euro-7": Regulation(
        "Euro 7",
        "Regulation (EU) 2024/1257, cars: 80 % to 5 years or 100,000 km, 72 % to 8 years or 160,000 km, whichever "
        "comes first",
        ((100_000, 5, 20), (160_000, 8, 28)),
    ),
}
"""Published lines by the word that `--regulation` takes."""


def read_references(path: Path) -> list[Reference]:
    """The series of a CSV file with the columns distance (or distance_km, distance_mi), retention (%), label, source.

    One series a label, sorted by distance.  Raises `UsageProblem` with the row and column of what cannot be read.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file, skipinitialspace=True))
    except OSError as error:
        raise UsageProblem(f"cannot be read ({error.strerror})", where=str(path), todo="give a CSV file") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise UsageProblem(f"is no CSV file in UTF-8 ({error})", where=str(path), todo=f"columns: {EXAMPLE}") from error
    names = {str(name).strip().lower() for name in (rows[0] if rows else {})}
    unit = next((name for name in COLUMNS if name in names), None)
    if unit is None or not {"retention", "label", "source"} <= names:
        raise UsageProblem(
            "a reference file has the columns distance (km; or distance_km, distance_mi), retention (%), label, source"
            + ("" if rows else "; this one has no rows"),
            where=str(path),
            todo=f"make its first line: {EXAMPLE}",
        )
    series: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for number, row in enumerate(rows, 2):
        plain = {str(name).strip().lower(): (value or "") for name, value in row.items() if not isinstance(value, list)}
        where = f"{path}, line {number}"
        km = _number(plain[unit], where, unit) * COLUMNS[unit]
        retention = _number(plain["retention"], where, "retention")
        label, source = plain["label"].strip(), plain["source"].strip()
        if not label or not source:
            raise UsageProblem("a series needs a label and a source", where=where, todo="say where it was published")
        if km < 0 or not 0 <= retention <= 120:
            raise UsageProblem(
                f"{km:,.0f} km with {retention} % left cannot be",
                where=where,
                todo="retention is what is left, in per cent",
            )
        series.setdefault((label, source), []).append((km, 100 - retention))
    if all(loss >= 98.5 for held in series.values() for _, loss in held):
        raise UsageProblem("retention looks like fractions", where=str(path), todo="write per cent: 93, not 0.93")
    told = []
    for (label, source), held in series.items():
        held.sort()
        told.append(Reference(label, source, tuple(km for km, _ in held), tuple(loss for _, loss in held)))
    return told


def _number(text: str, where: str, column: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageProblem(
            f"{column} {text!r} is no number", where=where, todo="write numbers with a point: 93.5"
        ) from None
    return value
