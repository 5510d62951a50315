"""How sensitive and open values are told: rounded, their ends coded, and left out where a class would give one away."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.publish_release.hierarchies import Sensitive
from pipeline.publish_release.measures import Diversity, diverse

if TYPE_CHECKING:
    import numpy
    import pandas

    Array = numpy.ndarray[Any, Any]

CONFIDENCE_STEP = 0.1
"""Confidence is told in tenths: all its digits would name the very text that it was worked out for."""


def categories(column: pandas.Series, rule: Sensitive | None) -> Array:
    """The category of each value (n): 0 for a null, 1 ... in the values' order; a word is a category by itself."""
    import numpy as np
    import pandas as pd

    known = column.notna().to_numpy()
    if rule is not None and rule.groups:
        values = pd.to_numeric(column).to_numpy(float, na_value=float("nan"))
        return np.where(known, np.searchsorted(np.asarray(rule.groups), values, side="left") + 1, 0)
    return pd.factorize(column, sort=True)[0].astype(np.int64) + 1


def rounded(column: pandas.Series, step: float) -> pandas.Series:
    """The numbers rounded to `step`, halves away from zero in the step's own digits."""
    if not step:
        return column
    digits = max(0, -math.floor(math.log10(step)) + 1)
    return ((column / step).round() * step).round(digits)


def ends_coded(column: pandas.Series, people: Array, k: int) -> tuple[pandas.Series, float | None, float | None]:
    """The column with its lowest and highest values drawn in until k people have such a low (high) one.

    Gives the column and the ends that values were drawn in to (None where none was).
    """
    known = column[column.notna()]
    if known.empty:
        return column, None, None
    low, high = (_end(known, people, k, highest=highest) for highest in (False, True))
    if low is None or high is None or low > high:
        return column.where(column.isna(), known.median()), None, None
    coded = column.clip(lower=low, upper=high)
    return coded, low if low > known.min() else None, high if high < known.max() else None


def _end(known: pandas.Series, people: Array, k: int, *, highest: bool) -> float | None:
    seen: set[Any] = set()
    order = known.sort_values(ascending=not highest, kind="stable")
    for place, value in zip(order.index.tolist(), order.tolist(), strict=True):
        seen.add(people[place])
        if len(seen) >= k:
            return float(value)
    return None


def alike_classes(classes: Array, groups: Array, rule: Diversity) -> list[Array]:
    """The rows (indices) of each class whose categories (n, 0 a null) are not diverse, told by what is published."""
    import numpy as np

    order = np.argsort(classes, kind="stable")
    starts = np.unique(classes[order], return_index=True)[1]
    whole = np.bincount(groups, minlength=1)
    parts = np.split(order, starts[1:]) if len(order) else []
    return [rows for rows in parts if not diverse(groups[rows], groups[rows] > 0, rule, whole)]


def withhold_alike(
    told: pandas.DataFrame, rules: Sequence[Sensitive], classes: Array, diversity: Diversity
) -> dict[str, int]:
    """Blanks a sensitive column in each class where its values are too alike; changes `told`, gives cells blanked.

    Blanks change the whole that closeness compares with, so it is looked again until every class passes.
    """
    blanked = {}
    for one in rules:
        blanked[one.name] = 0
        while alike := alike_classes(classes, categories(told[one.name], one), diversity):
            for rows in alike:
                blanked[one.name] += int(told[one.name].iloc[rows].notna().sum())
                told.loc[told.index[rows], one.name] = None
    return blanked


def common_flags(flags: Sequence[Sequence[str]], people: Array, k: int) -> tuple[list[str], set[str]]:
    """Each row's flags as one text ("a; b"), without the flags that fewer than k people have; and those flags."""
    having: dict[str, set[Any]] = {}
    for row, names in enumerate(flags):
        for name in names:
            having.setdefault(name, set()).add(people[row])
    rare = {name for name, who in having.items() if len(who) < k}
    return ["; ".join(sorted(set(names) - rare)) for names in flags], rare
