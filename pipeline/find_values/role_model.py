"""The learned second opinion on a quantity's role: a linear model over hashed features, a few megabytes, CPU only.

Rules propose, the model disposes: it sees what the rules and gates said of a quantity beside the words around it and
gives each role a probability.  `train_roles` makes `role_model.npz` from the labelled corpus.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from importlib import resources
from itertools import accumulate, chain
from typing import Any

from pipeline.find_values.role_features import COLUMNS, Columns

NONE = "none"

_column_of = Columns().__getitem__


def columns(features: Sequence[str]) -> list[int]:
    """Hashed column of each feature."""
    return list(map(_column_of, features))


class RoleModel:
    """Probabilities of roles for quantities, and of acceptance for constants."""

    def __init__(
        self,
        roles: Sequence[str],
        quantity: Any,
        constant: Any,
        report: Any | None = None,
        right: Any | None = None,
        plain_report: Any | None = None,
        plain_right: Any | None = None,
    ) -> None:
        self.roles = list(roles)
        self.plain_report = plain_report
        self.plain_right = plain_right
        self.quantity = quantity
        self.constant = constant
        self.report = report
        self.right = right

    def of_quantities(self, hashed: Sequence[Sequence[int]]) -> list[dict[str, float]]:
        """For each quantity's columns, role -> probability; those of the roles and of `none` add up to 1."""
        import numpy as np

        if not hashed:
            return []
        starts = np.fromiter(accumulate(map(len, hashed), initial=0), np.intp, len(hashed) + 1)
        every = np.fromiter(chain.from_iterable(hashed), np.intp, starts[-1])
        scores = np.add.reduceat(self.quantity.take(every, axis=0), starts[:-1], axis=0, dtype=np.float32)
        scores = np.exp(scores - scores.max(axis=1, keepdims=True))
        scores /= scores.sum(axis=1, keepdims=True)
        return [dict(zip(self.roles, row, strict=True)) for row in scores.tolist()]

    def of_constant(self, hashed: Sequence[int]) -> float:
        """The probability that a rule's constant is right."""
        return _chance(self.constant, hashed)

    def of_report(self, features: Sequence[str]) -> tuple[float, float]:
        """The probabilities that a possible report is one, and that every value of it is right."""
        if self.report is None or self.right is None:
            return 1.0, 1.0
        hashed = columns(features)
        return _chance(self.report, hashed), _chance(self.right, hashed)


WORDY = ("v=", "v2=", "v-open=", "w=")
"""Features that are words of one language."""


class ReportJudge:
    """Judges possible reports in a language that the role model was not trained in.

    It sees what is the same in every language: the rules that fired, the gates, the fields, questions, the count.
    """

    def __init__(self, model: RoleModel) -> None:
        self.report = model.plain_report
        self.right = model.plain_right

    def of_report(self, features: Sequence[str]) -> tuple[float, float]:
        """The probabilities that a possible report is one, and that every value of it is right."""
        if self.report is None or self.right is None:
            return 1.0, 1.0
        hashed = columns([feature for feature in features if not feature.startswith(WORDY)])
        return _chance(self.report, hashed), _chance(self.right, hashed)


def _chance(weights: Any, hashed: Sequence[int]) -> float:
    import numpy as np

    score = float(weights[hashed].sum(dtype=np.float32))
    return float(1 / (1 + np.exp(-score)))


PARTS = ("quantity", "constant", "report", "right", "plain_report", "plain_right")


@cache
def shipped_model() -> RoleModel | None:
    """The model in the package, or None where it was not built."""
    import numpy as np

    path = resources.files("pipeline.find_values") / "role_model.npz"
    if not path.is_file():
        return None
    with resources.as_file(path) as real, np.load(real, allow_pickle=False) as data:
        roles = [str(role) for role in data["roles"]]
        parts: list[Any] = []
        for part in PARTS:
            shape = (COLUMNS, len(roles)) if part == "quantity" else (COLUMNS,)
            weights = np.zeros(shape, dtype=np.float32)
            weights[data[f"{part}_rows"]] = data[f"{part}_values"]
            parts.append(weights)
        return RoleModel(roles, *parts)
