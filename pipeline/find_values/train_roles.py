"""Trains the role model from labelled responses: `python -m pipeline.find_values.train_roles FILE_OR_FOLDER...`.

Multinomial logistic regression with an L2 penalty, fitted by L-BFGS (scipy, needed for training only).  The same
labelled files give the same model.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.find_values.decide import FOLLOWERS
from pipeline.find_values.labelled import Labelled, constant_is_right, read_labelled, roles_of
from pipeline.find_values.reader import LanguageReader
from pipeline.find_values.report_features import report_features
from pipeline.find_values.role_features import COLUMNS, column
from pipeline.find_values.role_model import NONE, PARTS, WORDY, RoleModel, columns
from pipeline.find_values.rule_files import languages_with_rules, load_rules
from pipeline.find_values.train_judge import judge_samples
from pipeline.group_reports.settle import REPORTABLE

ROLES = (
    NONE, "odometer", "age", "year", "loss", "health", "loss_max", "range_new", "range_now", "energy_new", "energy_now",
    "lost_km", "lost_kwh", "limit", "floor", "window", "full_freq", "dc", "ac", "ratio", "pack",
)  # fmt: skip
PENALTY, PENALTY_REPORT, PENALTY_RIGHT = 1.0, 2.0, 6.0
STEPS = 50
EXAMPLES = "examples"
OTHER_LANGUAGES_COUNT = 4
"""So often each response of another language counts beside an English one, of which there are many more."""
FOLDS = 4
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
        if item.lang not in readers:
            readers[item.lang] = LanguageReader(item.lang, (), model=None)
        reader = readers[item.lang]
        scene = reader.scene(item.text)
        roles = roles_of(item, scene.quantities)
        for index in range(len(scene.quantities)):
            role = roles.get(index, NONE)
            if role == "?":
                continue
            samples.quantity_rows.append(scene.features.of_quantity(index))
            samples.quantity_labels.append(ROLES.index(role))
        for taken in scene.matches.taken:
            if taken.quantity is not None or taken.role in FOLLOWERS:
                continue
            value = taken.text if taken.text is not None else taken.value
            right = constant_is_right(taken.role, value, item)
            if right is None:
                continue
            samples.constant_rows.append(scene.features.of_constant(taken))
            samples.constant_labels.append(int(right))
    return samples


def _matrix(rows: list[list[int]]) -> Any:
    import numpy as np
    from scipy import sparse

    counted = [np.unique(row, return_counts=True) for row in rows]
    indices = np.concatenate([columns_ for columns_, _ in counted])
    counts = np.concatenate([counts_ for _, counts_ in counted]).astype(float)
    pointers = np.concatenate([[0], np.cumsum([len(columns_) for columns_, _ in counted])])
    return sparse.csr_matrix((counts, indices, pointers), shape=(len(rows), COLUMNS))


def fit_roles(samples: Samples, penalty: float = PENALTY) -> RoleModel:
    """The role model with the least penalised log loss on the samples."""
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

    start = np.zeros(len(used) * classes)
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": STEPS})
    quantity = np.zeros((COLUMNS, classes), dtype=np.float32)
    quantity[used] = found.x.reshape(len(used), classes)
    return RoleModel(ROLES, quantity, fit_yes_no(samples.constant_rows, samples.constant_labels, penalty))


def fit_yes_no(rows: list[list[int]], labels: Sequence[int], penalty: float) -> Any:
    """Weights of a two-class logistic regression over all columns."""
    import numpy as np
    from scipy.optimize import minimize

    matrix = _matrix(rows)
    used = np.unique(matrix.indices)
    dense = matrix[:, used]
    truth = np.array(labels, dtype=float)

    def loss(flat: Any) -> tuple[float, Any]:
        chances = 1 / (1 + np.exp(-(dense @ flat)))
        value = -(truth * np.log(chances + 1e-12) + (1 - truth) * np.log(1 - chances + 1e-12)).sum()
        return value + 0.5 * penalty * float(flat @ flat), dense.T @ (chances - truth) + penalty * flat

    found = minimize(loss, np.zeros(len(used)), jac=True, method="L-BFGS-B", options={"maxiter": STEPS})
    weights = np.zeros(COLUMNS, dtype=np.float32)
    weights[used] = found.x
    return weights


def fit_right(samples: ReportSamples, *, english: bool) -> Any:
    """Weights of the chance that every value of a report is right, calibrated on writers that they had not seen.

    Weights fitted on all rows are too sure of new writers.  So the same fit is made with each group of writers left
    out, and the two numbers of a logistic curve over what it says of those left out (Platt 1999, from memory) go into
    the weights.  The curve is that of English or of the other languages, whichever the weights are for.
    """
    import numpy as np

    rows, right = samples.right_rows, np.array(samples.all_right)
    weights = fit_yes_no(rows, samples.all_right, PENALTY_RIGHT)
    groups = sorted(set(samples.groups))
    fold_of = {group: number % FOLDS for number, group in enumerate(groups)}
    folds = np.array([fold_of[group] for group in samples.groups])
    said = np.zeros(len(rows))
    for fold in sorted(set(folds.tolist())):
        inside = [place for place in range(len(rows)) if folds[place] != fold]
        if not inside:
            return weights
        left_out = fit_yes_no([rows[place] for place in inside], right[inside].tolist(), PENALTY_RIGHT)
        for place in np.flatnonzero(folds == fold):
            said[place] = left_out[rows[place]].sum()
    used = np.array([(language == "en") == english for language in samples.languages])
    slope, shift = calibration(said[used], right[used])
    weights *= slope
    weights[column("bias")] += shift
    return weights


def calibration(said: Any, right: Any) -> tuple[float, float]:
    """Slope and shift of log odds `said` (n) that make them the likeliest for what was `right` (n, 0 or 1)."""
    import numpy as np
    from scipy.optimize import minimize

    def loss(flat: Any) -> tuple[float, Any]:
        odds = flat[0] * said + flat[1]
        value = float((np.logaddexp(0, odds) - right * odds).sum())
        error = 1 / (1 + np.exp(-odds)) - right
        return value, np.array([(error * said).sum(), error.sum()])

    slope, shift = minimize(loss, np.array([1.0, 0.0]), jac=True, method="L-BFGS-B").x
    return float(slope), float(shift)


@dataclass(slots=True)
class ReportSamples:
    """Possible reports of responses that the role model was not trained on."""

    rows: list[list[int]] = field(default_factory=list)
    is_report: list[int] = field(default_factory=list)
    right_rows: list[list[int]] = field(default_factory=list)
    all_right: list[int] = field(default_factory=list)
    groups: list[str] = field(default_factory=list)
    languages: list[str] = field(default_factory=list)
    """The group of writers and the language of each row of `right_rows`."""


def collect_reports(labelled: Sequence[Labelled], model: RoleModel | None, samples: ReportSamples) -> None:
    """Adds the possible reports that a role model makes of labelled responses, with what the labels say of them.

    Without a model the rules alone make them, and only what is the same in every language is kept of the features.
    """
    from pipeline.score_readings.compare import agrees, pair_reports

    readers: dict[str, LanguageReader] = {}
    for item in labelled:
        if item.lang not in readers:
            readers[item.lang] = LanguageReader(item.lang, (), model=model)
        reader = readers[item.lang]
        scene, possible = reader.possible(item.text, item.parent_id is not None)
        got = [{name: found.value for name, found in values.items()} for _, values, _ in possible]
        wanted = item.wanted()
        partner: dict[int, dict[str, Any]] = {}
        for left, right in pair_reports(got, wanted):
            if left is not None and right is not None:
                partner[left] = wanted[right]
        for index, (vehicle, values, features) in enumerate(possible):
            if model is None:
                features = report_features(scene, vehicle, values, len(possible), item.parent_id is not None)
                features = [feature for feature in features if not feature.startswith(WORDY)]
            label = partner.get(index)
            fields = set(got[index]) | set(label or ())
            agreeing = [
                name
                for name in fields
                if label and name in label and name in got[index] and agrees(name, got[index][name], label[name])
            ]
            samples.rows.append(columns(features))
            samples.is_report.append(int(any(name in REPORTABLE for name in agreeing)))
            if item.writer != EXAMPLES:  # an example names only the fields that its rule reads
                samples.right_rows.append(samples.rows[-1])
                samples.groups.append(item.writer.split("-")[0])
                samples.languages.append(item.lang)
                samples.all_right.append(int(label is not None and len(agreeing) == len(fields)))


def rule_examples(language: str) -> list[Labelled]:
    """The examples and look-alikes of a language's rule files, as labelled responses of the writer `EXAMPLES`."""
    rules = load_rules(language)
    out: list[Labelled] = []
    for rule in (*rules.rules, *rules.gates):
        for text, wanted in rule.examples:
            fields = wanted[0] if isinstance(wanted, list) else wanted
            out.append(Labelled(rule.id, text, language, EXAMPLES, [{"whose": "own", **fields}]))
        out.extend(Labelled(rule.id, text, language, EXAMPLES, []) for text in rule.look_alikes)
    return out


def train(labelled: Sequence[Labelled], folds: int = FOLDS) -> RoleModel:
    """The whole model; the report part learns from responses whose writers the role part had not seen."""
    everything = list(labelled)
    labelled = [item for item in labelled if item.lang == "en"]
    writers = sorted({item.writer.split("-")[0] for item in labelled})
    fold_of = {writer: number % folds for number, writer in enumerate(writers)}
    reports = ReportSamples()
    for fold in range(folds):
        inside = [item for item in labelled if fold_of[item.writer.split("-")[0]] != fold]
        outside = [item for item in labelled if fold_of[item.writer.split("-")[0]] == fold]
        if inside and outside:
            collect_reports(outside, fit_roles(collect(inside)), reports)
    model = fit_roles(collect(labelled))
    plain = ReportSamples()
    for item in labelled:
        everything.remove(item)
    collect_reports(labelled, None, plain)
    examples = [example for language in languages_with_rules() for example in rule_examples(language)]
    rows, is_report = judge_samples(everything, examples, OTHER_LANGUAGES_COUNT)
    model.plain_report = fit_yes_no(plain.rows + rows, plain.is_report + is_report, PENALTY_REPORT)
    for _ in range(OTHER_LANGUAGES_COUNT):
        collect_reports(everything, None, plain)
    collect_reports(examples, None, plain)
    model.plain_right = fit_right(plain, english=False)
    collect_reports(rule_examples("en"), model, reports)
    model.report = fit_yes_no(reports.rows, reports.is_report, PENALTY_REPORT)
    model.right = fit_right(reports, english=True)
    return model


def save(model: RoleModel, path: Path) -> None:
    """Writes the rows that matter, in half precision."""
    import numpy as np

    content: dict[str, Any] = {"roles": np.array(model.roles)}
    for part in PARTS:
        weights = getattr(model, part)
        size = np.abs(weights).max(axis=1) if weights.ndim == 2 else np.abs(weights)
        rows = np.flatnonzero(size >= SMALLEST)
        content[f"{part}_rows"] = rows.astype(np.uint32)
        content[f"{part}_values"] = weights[rows].astype(np.float16)
    np.savez_compressed(path, **content)


def main(arguments: Sequence[str]) -> None:
    """Trains on the given files and folders and puts the model into the package."""
    labelled = list(read_labelled(arguments))
    model = train(labelled)
    path = Path(__file__).with_name("role_model.npz")
    save(model, path)
    sys.stdout.write(f"{len(labelled)} labelled responses -> {path.name}, {path.stat().st_size / 1e6:.2f} MB\n")


if __name__ == "__main__":
    main(sys.argv[1:])
