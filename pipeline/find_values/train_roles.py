"""Trains the role model from labelled responses: `python -m pipeline.find_values.train_roles fixtures/labelled/en/train`.

Multinomial logistic regression with an L2 penalty, fitted by L-BFGS (scipy, needed for training only).  The same
labelled files give the same model.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.find_values.labelled import Labelled, constant_is_right, read_labelled, roles_of
from pipeline.find_values.reader import LanguageReader
from pipeline.find_values.role_model import COLUMNS, NONE, RoleModel, columns

ROLES = (
    NONE, "odometer", "age", "year", "loss", "health", "loss_max", "range_new", "range_now", "energy_new", "energy_now",
    "lost_km", "lost_kwh", "limit", "floor", "window", "full_freq", "dc", "ac", "ratio", "pack",
)  # fmt: skip
SMALLEST = 0.02
"""Rows whose weights are all smaller than this are not shipped."""


@dataclass(slots=True)
class Samples:
    """Hashed features and labels of quantities and of constants."""

    quantity_rows: list[list[int]] = field(default_factory=list)
    quantity_labels: list[int] = field(default_factory=list)
    constant_rows: list[list[int]] = field(default_factory=list)
    constant_labels: list[int] = field(default_factory=list)


def collect(labelled: Sequence[Labelled]) -> Samples:
    """The training samples of labelled responses."""
    samples = Samples()
    readers: dict[str, LanguageReader] = {}
    for item in labelled:
        reader = readers.setdefault(item.lang, LanguageReader(item.lang, (), model=None))
        scene = reader.scene(item.text)
        roles = roles_of(item, scene.quantities)
        for index in range(len(scene.quantities)):
            role = roles.get(index, NONE)
            if role == "?":
                continue
            samples.quantity_rows.append(columns(scene.features.of_quantity(index)))
            samples.quantity_labels.append(ROLES.index(role))
        for taken in scene.matches.taken:
            if taken.quantity is not None or taken.role == "loss_origin":
                continue
            value = taken.text if taken.text is not None else taken.value
            if any(t.claim == taken.claim and t.quantity is not None for t in scene.matches.taken):
                continue
            right = constant_is_right(taken.role, value, item)
            if right is None:
                continue
            samples.constant_rows.append(columns(scene.features.of_constant(taken)))
            samples.constant_labels.append(int(right))
    return samples


def _matrix(rows: list[list[int]]) -> Any:
    import numpy as np
    from scipy import sparse

    lengths = [len(set(row)) for row in rows]
    indices = np.fromiter((c for row in rows for c in sorted(set(row))), dtype=np.int64)
    pointers = np.concatenate([[0], np.cumsum(lengths)])
    return sparse.csr_matrix((np.ones(len(indices)), indices, pointers), shape=(len(rows), COLUMNS))


def fit(samples: Samples, penalty: float = 1.0) -> RoleModel:
    """The model with the least penalised log loss on the samples."""
    import numpy as np
    from scipy.optimize import minimize

    matrix = _matrix(samples.quantity_rows)
    used = np.unique(matrix.indices)
    dense = matrix[:, used]
    labels = np.array(samples.quantity_labels)
    classes = len(ROLES)
    onehot = np.eye(classes)[labels]

    def loss(flat: Any) -> tuple[float, Any]:
        weights = flat.reshape(len(used), classes)
        scores = dense @ weights
        scores -= scores.max(axis=1, keepdims=True)
        exponent = np.exp(scores)
        chances = exponent / exponent.sum(axis=1, keepdims=True)
        value = -np.log(chances[np.arange(len(labels)), labels] + 1e-12).sum() + 0.5 * penalty * float(flat @ flat)
        gradient = dense.T @ (chances - onehot) + penalty * weights
        return value, gradient.ravel()

    found = minimize(loss, np.zeros(len(used) * classes), jac=True, method="L-BFGS-B", options={"maxiter": 120})
    quantity = np.zeros((COLUMNS, classes), dtype=np.float32)
    quantity[used] = found.x.reshape(len(used), classes)

    matrix = _matrix(samples.constant_rows)
    used = np.unique(matrix.indices)
    dense = matrix[:, used]
    truth = np.array(samples.constant_labels, dtype=float)

    def binary(flat: Any) -> tuple[float, Any]:
        scores = dense @ flat
        chances = 1 / (1 + np.exp(-scores))
        value = -(truth * np.log(chances + 1e-12) + (1 - truth) * np.log(1 - chances + 1e-12)).sum() + 0.5 * penalty * float(flat @ flat)
        return value, dense.T @ (chances - truth) + penalty * flat

    found = minimize(binary, np.zeros(len(used)), jac=True, method="L-BFGS-B", options={"maxiter": 120})
    constant = np.zeros(COLUMNS, dtype=np.float32)
    constant[used] = found.x
    return RoleModel(ROLES, quantity, constant)


def save(model: RoleModel, path: Path) -> None:
    """Writes the rows that matter, in half precision."""
    import numpy as np

    quantity = model._quantity
    rows = np.flatnonzero(np.abs(quantity).max(axis=1) >= SMALLEST)
    constant_rows = np.flatnonzero(np.abs(model._constant) >= SMALLEST)
    np.savez_compressed(
        path,
        roles=np.array(model.roles),
        quantity_rows=rows.astype(np.uint32),
        quantity_values=quantity[rows].astype(np.float16),
        constant_rows=constant_rows.astype(np.uint32),
        constant_values=model._constant[constant_rows].astype(np.float16),
    )


def main(arguments: Sequence[str]) -> None:
    """Trains on the given files and folders and puts the model into the package."""
    labelled = list(read_labelled(arguments))
    model = fit(collect(labelled))
    path = Path(__file__).with_name("role_model.npz")
    save(model, path)
    sys.stdout.write(f"{len(labelled)} labelled responses -> {path.name}, {path.stat().st_size / 1e6:.2f} MB\n")


if __name__ == "__main__":
    main(sys.argv[1:])
