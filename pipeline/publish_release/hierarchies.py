"""How each quasi-identifier may be generalised: the ladders of `hierarchies.yaml`, applied to a run's rows.

Level 0 of an attribute is the finest that is ever told, the last level is `WITHHELD`.  A null is a label of its own
("", not said) on every level but the last.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.declarative_files import parse_yaml
from pipeline.problems import RuleProblem
from pipeline.sum_up.cross_section import CHEMISTRY_GROUPS, DISTANCE_EDGES_KM

if TYPE_CHECKING:
    import numpy
    import pandas

    Array = numpy.ndarray[Any, Any]

FILE = Path(__file__).with_name("hierarchies.yaml")
WITHHELD = "*"
"""The label of what is not told: withheld, or never said."""
NOT_SAID = ""
JOIN = "\x1f"
"""Between the labels of an attribute of two columns (make and model) while classes are looked for."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a ladder: its name for people and what makes its labels."""

    name: str
    how: str
    detail: Any


@dataclass(frozen=True, slots=True)
class Attribute:
    """One quasi-identifier: the columns that it is made of, and its ladder; `until` is a level of the ladder."""

    name: str
    columns: tuple[str, ...]
    weight: float
    steps: tuple[Step, ...]
    unit: str = ""
    first: int = 0
    until: int = 0

    @property
    def banded(self) -> bool:
        """Whether its labels are bands of numbers ("50000-75000")."""
        return self.steps[0].how in ("every", "edges")

    @property
    def whole(self) -> bool:
        """Whether its numbers are counted (years): a band then holds both of its ends."""
        return self.unit == "a"

    @property
    def level_names(self) -> list[str]:
        """A name for each level, the last being "not told"."""
        return [step.name for step in self.steps] + ["not told"]


@dataclass(frozen=True, slots=True)
class Sensitive:
    """How a sensitive column is told: rounded to `step` (0: as it is), its categories ending at `groups`."""

    name: str
    step: float = 0.0
    groups: tuple[float, ...] = ()
    main: bool = False


@dataclass(frozen=True, slots=True)
class Ladder:
    """An attribute applied to n rows: `codes[level]` (n) counts into `labels[level]`; `share` is the loss of a label.

    `share[level]` (number of labels) is the normalised certainty penalty (Xu et al. 2006) over the data's own values:
    0 for a label that stands for one finest label, 1 for one that stands for all.
    """

    attribute: Attribute
    codes: list[Array]
    labels: list[list[str]]
    share: list[Array]


def load_hierarchies(path: Path = FILE) -> tuple[list[Attribute], dict[str, Sensitive]]:
    """The attributes and sensitive columns of a hierarchy file.  Raises `RuleProblem`."""
    content = parse_yaml(path.read_text("utf-8"), str(path))
    try:
        attributes = [_attribute(name, said) for name, said in content["attributes"].items()]
        sensitive = {
            name: Sensitive(name, float(said["step"]), tuple(map(float, said["groups"])), bool(said.get("main")))
            for name, said in content["sensitive"].items()
        }
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise RuleProblem(
            f"the hierarchies do not hold together ({error!r})", where=str(path), todo="see the head of the file"
        ) from error
    return attributes, sensitive


def _attribute(name: str, said: Mapping[str, Any]) -> Attribute:
    steps = []
    for step in said["ladder"]:
        ((how, detail),) = ((key, value) for key, value in step.items() if key != "name")
        steps.append(Step(str(step["name"]), how, detail))
    until = [step.name for step in steps].index(said["until"]) if "until" in said else 0
    return Attribute(
        name,
        tuple(said["columns"]),
        float(said["weight"]),
        tuple(steps),
        said.get("unit", ""),
        int(said.get("first", 0)),
        until,
    )


def plain_attribute(column: str, kind: str, unit: str) -> Attribute:
    """The attribute of a column that a rule pack declared: told as it is, in tenths of its range, or not at all."""
    numeric = kind in ("double", "int16", "int32", "int64")
    steps = (Step("10 bands", "tenths", None),) if numeric else (Step("exact", "value", True),)
    return Attribute(column, (column,), 1.0, steps, unit)


def climb(attribute: Attribute, frame: pandas.DataFrame, kinds: Mapping[str, str]) -> Ladder:
    """The labels of every level of an attribute for a frame's rows; `kinds` tells each source's kind.

    Raises `RuleProblem` where a step of the ladder is not whole inside a step of the next.
    """
    import numpy as np
    import pandas as pd

    levels = [_labels(attribute, step, frame, kinds) for step in attribute.steps]
    levels.append([WITHHELD] * len(frame))
    codes, labels = [], []
    for level in levels:
        code, found = pd.factorize(pd.Series(level, dtype=object), sort=True)
        codes.append(code.astype(np.int64))
        labels.append([str(name) for name in found])
    finest = len(labels[0])
    share = []
    for number, (code, names) in enumerate(zip(codes, labels, strict=True)):
        if number and len({(a, b) for a, b in zip(codes[number - 1], code, strict=True)}) != len(labels[number - 1]):
            raise RuleProblem(
                f"a step before {attribute.level_names[number]!r} lies across two of its steps",
                where=f"{FILE.name}: {attribute.name}",
                todo="make each step a union of finer ones",
            )
        pairs = np.unique(np.stack([code, codes[0]]), axis=1)[0]
        under = np.bincount(pairs, minlength=len(names))
        share.append((under - 1) / max(finest - 1, 1))
    return Ladder(attribute, codes, labels, share)


def _labels(attribute: Attribute, step: Step, frame: pandas.DataFrame, kinds: Mapping[str, str]) -> list[str]:
    parts = [
        _column_labels(frame[column], step, kinds, whole=attribute.whole)
        if step.how != "drop" or column != step.detail
        else None
        for column in attribute.columns
    ]
    rows = len(frame)
    told = [part if part is not None else [WITHHELD] * rows for part in parts]
    if len(told) == 1:
        return told[0]
    return [JOIN.join(row) for row in zip(*told, strict=True)]


def _column_labels(column: pandas.Series, step: Step, kinds: Mapping[str, str], *, whole: bool) -> list[str]:
    import pandas as pd

    if step.how in ("every", "edges", "tenths"):
        values = pd.to_numeric(column).to_numpy(float, na_value=float("nan"))
        return _band_labels(values, _edges(step, column), whole=whole)
    if step.how == "period":
        return [_period(moment, step.detail) for moment in pd.to_datetime(column, utc=True)]
    words = [None if value is None or value != value else str(value) for value in column.astype(object)]
    if step.how == "groups":
        return [NOT_SAID if word is None else _group(step.detail, word, kinds) for word in words]
    return [NOT_SAID if word is None else word for word in words]


def _edges(step: Step, column: pandas.Series) -> Sequence[float] | float:
    if step.how == "every":
        return float(step.detail)
    if step.how == "tenths":
        spread = float(column.max() - column.min()) if column.notna().any() else 0.0
        return spread / 10 if spread > 0 else 1.0
    return [float(edge) for edge in (DISTANCE_EDGES_KM if step.detail == "headline" else step.detail)]


def _band_labels(values: Array, edges: Sequence[float] | float, *, whole: bool) -> list[str]:
    import numpy as np

    if isinstance(edges, float):
        lows = np.floor(values / edges) * edges
        return [NOT_SAID if np.isnan(low) else _band(low, low + edges - whole) for low in lows]
    ends = [*edges[1:], None]
    places = np.searchsorted(np.asarray(edges), values, side="right") - 1
    return [
        NOT_SAID if np.isnan(value) else _band(edges[max(place, 0)], ends[max(place, 0)])
        for value, place in zip(values, places, strict=True)
    ]


def _band(low: float, high: float | None) -> str:
    if high == low:
        return f"{low:.10g}"
    return f"{low:.10g}+" if high is None else f"{low:.10g}-{high:.10g}"


def band_of(label: str) -> tuple[float | None, float | None]:
    """The ends of a band's label: low is in it, high only in one of years; (None, None): nothing told."""
    if label in (NOT_SAID, WITHHELD):
        return None, None
    if label.endswith("+"):
        return float(label[:-1]), None
    if "-" not in label[1:]:
        return float(label), float(label)
    low, high = label[1:].split("-", 1)
    return float(label[0] + low), float(high)


def middle_of(label: str) -> float | None:
    """The middle of a band, its low end where it has no high one."""
    low, high = band_of(label)
    return low if low is None or high is None else (low + high) / 2


def _period(moment: Any, period: str) -> str:
    import pandas as pd

    if pd.isna(moment):
        return NOT_SAID
    if period == "month":
        return f"{moment:%Y-%m}"
    return f"{moment.year}-Q{moment.quarter}" if period == "quarter" else f"{moment.year}"


def _group(name: str, value: str, kinds: Mapping[str, str]) -> str:
    if name == "chemistry":
        return CHEMISTRY_GROUPS.get(value, value)
    if name == "source_kind":
        return kinds.get(value, "other")
    if name == "english":
        return "en" if value.split("-")[0].lower() == "en" else "other"
    raise RuleProblem(f"there are no groups {name!r}", where=FILE.name, todo="chemistry, source_kind or english")
