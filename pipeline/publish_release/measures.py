"""What a table of classes is worth: k, l, t, risk and cost, each from the paper that named it.

A *class* is the set of rows that share all their quasi-identifiers; `classes`, `people` and `values` are arrays (n) of
one entry a row.  k counts people, never rows: two rows of one person hide nobody.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy

    Array = numpy.ndarray[Any, Any]


@dataclass(frozen=True, slots=True)
class Diversity:
    """What values a class must hold: `kind` is distinct, entropy (both need l >= `level`) or closeness (t)."""

    kind: str = "distinct"
    level: float = 2.0


@dataclass(frozen=True, slots=True)
class Risk:
    """The chance to name a row's person rightly (Emam and Dankar 2008): 1 over the class's people.

    `prosecutor` is the greatest, for an intruder who knows that the target is in the data; `journalist` the greatest
    for one who only knows a larger group (here taken to be the ledger, before rows were left out); `mean` is the
    mean over the published rows.
    """

    prosecutor: float
    journalist: float
    mean: float


def codes_of(*columns: Any) -> Array:
    """One class number a row (n) from the label columns; a null is a category of its own, never dropped."""
    import numpy as np
    import pandas as pd

    numbers = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        codes, names = pd.factorize(pd.Series(column, dtype=object), use_na_sentinel=False)
        numbers = numbers * len(names) + codes
        numbers = np.unique(numbers, return_inverse=True)[1]
    return numbers


def people_per_class(classes: Array, people: Array) -> Array:
    """How many different people each class holds (number of classes); `classes` must count from 0 without gaps."""
    import numpy as np

    pairs = np.unique(np.stack([classes, people]), axis=1)
    return np.bincount(pairs[0], minlength=int(classes.max()) + 1 if len(classes) else 0)


def k_anonymity(classes: Array, people: Array) -> int:
    """The people of the smallest class (Sweeney 2002, counted in people); 0 where there is no row."""
    return int(people_per_class(classes, people).min()) if len(classes) else 0


def distinct_l(values: Array) -> int:
    """How many different values one class holds (Machanavajjhala et al. 2007, "distinct" l-diversity)."""
    return len(set(values.tolist()))


def entropy_l(values: Array) -> float:
    """exp of the Shannon entropy of one class's values: the l of entropy l-diversity (Machanavajjhala et al. 2007)."""
    import numpy as np

    counts = np.unique(values, return_counts=True)[1]
    shares = counts / counts.sum()
    return float(np.exp(-(shares * np.log(shares)).sum()))


def ordered_distance(part: Array, whole: Array) -> float:
    """The earth mover's distance of distributions over m ordered values (m), 0 to 1 (Li et al. 2007, section 5.1)."""
    import numpy as np

    if len(part) < 2:
        return 0.0
    difference = part / part.sum() - whole / whole.sum()
    return float(np.abs(np.cumsum(difference)[:-1]).sum() / (len(part) - 1))


def diverse(values: Array, known: Array, rule: Diversity, whole: Array) -> bool:
    """Whether one class's sensitive values (n categories, a row a person) may be told together.

    Category 0 is the null, 1 ... the values in order; `known` says which rows are not null.  A null counts as a
    category, but a class of nulls alone tells no value and passes.  `whole` are the counts of every category in all
    rows; closeness compares the values alone, since a null has no place in their order.
    """
    import numpy as np

    if not known.any():
        return True
    if rule.kind == "distinct":
        return distinct_l(values) >= rule.level
    if rule.kind == "entropy":
        return entropy_l(values) >= rule.level - 1e-9
    return ordered_distance(np.bincount(values, minlength=len(whole))[1:], whole[1:]) <= rule.level + 1e-9


def discernibility(classes: Array, suppressed: int, total: int) -> int:
    """Bayardo and Agrawal 2005: the squares of the class sizes in rows, and `total` for each row left out."""
    import numpy as np

    sizes = np.bincount(classes) if len(classes) else np.zeros(0, dtype=np.int64)
    return int((sizes.astype(np.int64) ** 2).sum()) + suppressed * total


def risk(classes: Array, people: Array, before: Array) -> Risk:
    """The risks of published rows; `before` (n) is how many people of the ledger would be in each row's class."""
    import numpy as np

    sizes = people_per_class(classes, people)
    each = 1 / sizes[classes]
    wide = np.maximum(before, sizes[classes])
    return Risk(float(each.max()), float((1 / wide).max()), float(each.mean()))
