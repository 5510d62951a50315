"""Precision, recall and F1 of readings a field and over fields, with 95 % bootstrap intervals over responses.

The counts of all responses stand in one array, so that a resample of the responses is a vector of weights: a response
drawn twice counts twice.  The intervals are percentile intervals (B. Efron and R. Tibshirani, "An Introduction to the
Bootstrap", 1993, chapter 13) of `RESAMPLES` resamples with a fixed seed: the same readings give the same intervals.
They tell how the figures vary with the responses, not with the writers: responses by one writer are alike, so that a
set of few writers says less about strangers than its intervals make it seem.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.dataset_columns import FIELD_NAMES
from pipeline.score_readings.compare import CORE, SCORED, Comparison

Counts = NDArray[np.int64]
Values = NDArray[np.float64]

RESAMPLES = 2000
SEED = 20050307
LEVEL = 0.95

CORRECT, MISSING, SPURIOUS, WRONG = range(4)
MARKS = ("wanted", "got", "silent", "heard", "right", "name_right", "reports_wanted", "reports_got")
"""What is known of a response beside its fields: see `Tally.marks`."""

_SUMS: dict[str, tuple[str, ...]] = {"core": CORE, "all": SCORED}
_SHARES = {
    "silent": ("silent", "wanted", False),
    "heard": ("heard", "wanted", True),
    "wholly_right": ("right", None, True),
    "wholly_right_with_name": ("name_right", None, True),
}

MEASURES: dict[str, str] = {
    "core_precision": "core fields: share of the values read that are right",
    "core_recall": "core fields: share of the labelled values that were read rightly",
    "core_f1": "core micro F1: " + ", ".join(CORE),
    "all_precision": "all fields: share of the values read that are right",
    "all_recall": "all fields: share of the labelled values that were read rightly",
    "all_f1": "micro F1 over all fields with a tolerance (not the vehicle's name)",
    "silent": "share of the responses without a report that were left silent",
    "heard": "share of the responses with a report in which one was read",
    "wholly_right": "share of responses with every report and field right (silence included)",
    "wholly_right_with_name": "the same, the vehicles' names too",
}
"""Name of each measure over a whole set -> what it is."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure and its interval; None where nothing was labelled and nothing read.  `responses`: those it rests on."""

    value: float | None
    low: float | None
    high: float | None
    responses: int

    def plain(self) -> dict[str, float | int | None]:
        """The estimate for JSON."""
        return {"value": self.value, "low": self.low, "high": self.high, "responses": self.responses}


@dataclass(frozen=True, slots=True)
class FieldScore:
    """One field: its counts (a wrong value is also missing and spurious) and what follows from them."""

    field: str
    correct: int
    missing: int
    spurious: int
    wrong: int
    precision: Estimate
    recall: Estimate
    f1: Estimate


@dataclass(frozen=True, slots=True)
class Tally:
    """The counts of a set of responses.

    `keys`    each response's name, unique
    `fields`  shape (responses, fields, 4): correct, missing, spurious, wrong, fields in the order of `names`;
              a wrong value is counted in missing, in spurious and in wrong
    `names`   the fields: the guide's, then those of rule packs
    `marks`   shape (responses, 8), 0 or 1: a report is wanted, one was read, rightly silent, rightly not silent,
              wholly right, wholly right with names; and the numbers of reports wanted and read
    """

    keys: tuple[str, ...]
    fields: Counts
    marks: Counts
    names: tuple[str, ...] = FIELD_NAMES

    def __len__(self) -> int:
        return len(self.keys)

    def part(self, places: Sequence[int]) -> Tally:
        """The tally of some of the responses, by index."""
        chosen = np.asarray(places, dtype=np.int64)
        keys = tuple(self.keys[place] for place in places)
        return Tally(keys, self.fields[chosen], self.marks[chosen], self.names)

    def mark(self, name: str) -> Counts:
        """One column of `marks`, shape (responses,)."""
        column: Counts = self.marks[:, MARKS.index(name)]
        return column


def tally(keys: Iterable[str], compared: Sequence[Comparison], more: Sequence[str] = ()) -> Tally:
    """The counts of compared responses; `more` are the names of fields that rule packs declare."""
    names = (*FIELD_NAMES, *more)
    fields = np.zeros((len(compared), len(names), 4), dtype=np.int64)
    marks = np.zeros((len(compared), len(MARKS)), dtype=np.int64)
    for row, one in enumerate(compared):
        for outcome in one.outcomes:
            place = names.index(outcome.field)
            fields[row, place, CORRECT] += outcome.kind == "correct"
            fields[row, place, MISSING] += outcome.kind in ("missing", "wrong")
            fields[row, place, SPURIOUS] += outcome.kind in ("spurious", "wrong")
            fields[row, place, WRONG] += outcome.kind == "wrong"
        marks[row] = (
            one.wanted > 0,
            one.got > 0,
            one.wanted == 0 and one.got == 0,
            one.wanted > 0 and one.got > 0,
            one.wholly_right,
            one.name_right,
            one.wanted,
            one.got,
        )
    return Tally(tuple(keys), fields, marks, names)


def resamples(number: int, seed: int = SEED, count: int = RESAMPLES) -> Counts:
    """How often each response is drawn in each resample, shape (count, number); every row sums to `number`."""
    if not number:
        return np.zeros((count, 0), dtype=np.int64)
    drawn: Counts = np.random.default_rng(seed).multinomial(number, np.full(number, 1 / number), size=count)
    return drawn


class Scorer:
    """Figures of one tally, and their intervals over `weights` (`resamples` of it where none are given)."""

    def __init__(self, counted: Tally, weights: Counts | None = None) -> None:
        self.tally = counted
        self.weights = resamples(len(counted)) if weights is None else weights

    def measure(self, name: str) -> Estimate:
        """One of `MEASURES`."""
        value, drawn, responses = self.drawn(name)
        return _estimate(value, drawn, responses)

    def field(self, name: str) -> FieldScore:
        """All about one field."""
        correct, missing, spurious, wrong = (int(number) for number in self._counts((name,)).sum(axis=0))
        precision, recall, f1 = (self.measure(f"{name} {kind}") for kind in ("precision", "recall", "f1"))
        return FieldScore(name, correct, missing, spurious, wrong, precision, recall, f1)

    def drawn(self, name: str) -> tuple[float, Values, int]:
        """The figure (nan: undefined), its values in the resamples, shape (resamples,), and the responses it rests on.

        `name` is one of `MEASURES`, or a field and "precision", "recall" or "f1" with a space between.
        """
        if name in _SHARES:
            upper_name, lower_name, as_it_is = _SHARES[name]
            upper = self.tally.mark(upper_name)
            lower = np.ones_like(upper) if lower_name is None else self.tally.mark(lower_name)
            lower = lower if as_it_is else 1 - lower
            rests = int(lower.sum())
        else:
            group, _, kind = name.rpartition(" " if " " in name else "_")
            counts = self._counts(_SUMS.get(group) or (group,))
            correct, missing, spurious = counts[:, CORRECT], counts[:, MISSING], counts[:, SPURIOUS]
            upper = 2 * correct if kind == "f1" else correct
            lower = {
                "precision": correct + spurious,
                "recall": correct + missing,
                "f1": 2 * correct + missing + spurious,
            }[kind]
            rests = int((counts[:, :WRONG].sum(axis=1) > 0).sum())
        value = float(upper.sum() / lower.sum()) if lower.sum() else float("nan")
        upper_drawn, lower_drawn = self.weights @ upper, self.weights @ lower
        drawn = np.full(len(self.weights), np.nan)
        np.divide(upper_drawn, lower_drawn, out=drawn, where=lower_drawn > 0)
        return value, drawn, rests

    def _counts(self, names: Sequence[str]) -> Counts:
        """Counts over some fields, shape (responses, 4)."""
        summed: Counts = self.tally.fields[:, [self.tally.names.index(name) for name in names]].sum(axis=1)
        return summed


def _estimate(value: float, drawn: Values, responses: int) -> Estimate:
    known = drawn[~np.isnan(drawn)]
    if np.isnan(value) or not len(known):
        return Estimate(None, None, None, responses)
    low, high = np.quantile(known, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return Estimate(value, float(low), float(high), responses)


@dataclass(frozen=True, slots=True)
class Change:
    """How one figure differs from another run's: `change` is now minus before, with its interval."""

    name: str
    before: float | None
    now: float | None
    change: Estimate


@dataclass(frozen=True, slots=True)
class Changes:
    """Every figure's change.  `paired`: over `responses` responses that both runs read; else over all of each run."""

    paired: bool
    responses: int
    lines: tuple[Change, ...]


def changes(now: Tally, before: Tally) -> Changes:
    """What changed since another run: each measure, and the F1 of each field.

    Where the runs share responses, only these are compared, and both are resampled alike: what makes a response hard
    is in both figures and cancels out.  Where they share none, each is resampled by itself.
    """
    here, there = ({key: place for place, key in enumerate(run.keys)} for run in (now, before))
    shared = [key for key in now.keys if key in there]
    if shared:
        now, before = now.part([here[key] for key in shared]), before.part([there[key] for key in shared])
        new, old = Scorer(now), Scorer(before)
    else:
        new, old = Scorer(now), Scorer(before, resamples(len(before), SEED + 1))
    lines = []
    for name in (*MEASURES, *(f"{field} f1" for field in now.names if field in before.names)):
        value, drawn, rests = new.drawn(name)
        old_value, old_drawn, _ = old.drawn(name)
        estimate = _estimate(value - old_value, drawn - old_drawn, rests)
        lines.append(Change(name, _known(old_value), _known(value), estimate))
    return Changes(bool(shared), len(shared), tuple(lines))


def _known(value: float) -> float | None:
    return None if np.isnan(value) else value
