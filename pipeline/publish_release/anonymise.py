"""From a run's reports to rows that may be published, and what that cost."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from pipeline.problems import ReleaseProblem
from pipeline.publish_release.allowed_columns import Allowed
from pipeline.publish_release.hierarchies import JOIN, NOT_SAID, WITHHELD, Ladder, climb, middle_of
from pipeline.publish_release.hierarchies import band_of as band_of_label
from pipeline.publish_release.keys import ReleaseKey
from pipeline.publish_release.link_rows import link_rows
from pipeline.publish_release.measures import Risk, codes_of, discernibility, risk
from pipeline.publish_release.release_figures import Change, changes, release_figures
from pipeline.publish_release.split_classes import Class, Rules, Splitter
from pipeline.publish_release.tell_values import (
    CONFIDENCE_STEP,
    categories,
    common_flags,
    ends_coded,
    rounded,
    withhold_alike,
)
from pipeline.sum_up.cross_section import cross_section
from pipeline.sum_up.headline import headline

if TYPE_CHECKING:
    import numpy
    import pandas

    Array = numpy.ndarray[Any, Any]

TOLERATED = 0.3
"""Percentage points that the median loss of a distance band and chemistry may move (asked of the release)."""

KEY_COLUMNS = ("row", "class", "person", "vehicle", "latest")


@dataclass(slots=True)
class Cost:
    """What anonymising cost; rows are the ledger's originals, cells are values that were said and are not told."""

    rows: int = 0
    rows_left_out: int = 0
    people: int = 0
    people_left_out: int = 0
    classes: int = 0
    levels: dict[str, dict[str, int]] = field(default_factory=dict)
    cells_withheld: dict[str, int] = field(default_factory=dict)
    cells_alike: dict[str, int] = field(default_factory=dict)
    ends: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)
    rare_flags: list[str] = field(default_factory=list)
    people_cut: int = 0
    keys_cut: int = 0
    information_loss: float = 0.0
    discernibility: int = 0
    risk: Risk = field(default_factory=lambda: Risk(0.0, 0.0, 0.0))

    @property
    def share_left_out(self) -> float:
        """Rows left out as a share of all rows."""
        return self.rows_left_out / self.rows if self.rows else 0.0


@dataclass(slots=True)
class Anonymised:
    """The published rows, one a report in an order of their own; the labels that make the classes; the cost."""

    reports: pandas.DataFrame
    quasi: list[str]
    cost: Cost
    left_out: list[str]
    changes: list[Change] = field(default_factory=list)

    @property
    def moved(self) -> float:
        """How far the median of a distance band and chemistry moves at most, in percentage points."""
        return max((abs(one.moved) for one in self.changes if one.in_cell and one.moved is not None), default=0.0)


def anonymise(
    reports: pandas.DataFrame,
    allowed: Allowed,
    key: ReleaseKey,
    rules: Rules,
    kinds: Mapping[str, str],
    told: Callable[[int, int], None] = lambda done, total: None,
) -> Anonymised:
    """Anonymises a run's reports (copies among them are left out, they are nobody's own words).

    `kinds` tells each source's kind.  Of the splittings searched the one is taken that loses least among those whose
    headline figures move by at most `TOLERATED`; if none does, the one whose figures move least.
    Raises `ReleaseProblem` where all people together are too few or too alike.
    """
    import numpy as np
    import pandas as pd

    frame = reports[reports["copy_of"].isna()].sort_values("report_id").reset_index(drop=True)
    people = pd.factorize(person_names(frame))[0].astype(np.int64)
    main = next((one for one in allowed.sensitive if one.main), None)
    ladders = [climb(attribute, frame, kinds) for attribute in allowed.attributes]
    watched = np.zeros(len(frame), dtype=np.int64)
    if main is not None:
        watched = categories(ends_coded(rounded(frame[main.name], main.step), people, rules.k)[0], main)
    before = headline(frame, resamples=1)
    best: Anonymised | None = None
    for classes, out in _searched(ladders, people, watched, rules, told):
        one = _published(frame, allowed, ladders, classes, out, people, key, rules)
        one.changes = changes(before, release_figures(one.reports, resamples=1))
        if best is None or one.moved < best.moved:
            best = one
        if one.moved <= TOLERATED:
            break
    if best is None:
        raise ReleaseProblem(
            f"{len(np.unique(people))} people with {len(frame)} reports are too few or too alike for a release with "
            f"k = {rules.k} and {rules.diversity.kind} {rules.diversity.level:g}",
            todo="gather more answers, or choose a smaller k after weighing the risk",
        )
    return best


def person_names(frame: pandas.DataFrame) -> pandas.Series:
    """Who wrote each report: the author's key, or the report's own id where the author is not known."""
    return frame["author_key"].fillna(frame["report_id"]).astype(str)


def _published(
    frame: pandas.DataFrame, allowed: Allowed, ladders: Sequence[Ladder], classes: Sequence[Class], out: Array,
    people: Array, key: ReleaseKey, rules: Rules,
) -> Anonymised:  # fmt: skip
    import numpy as np
    import pandas as pd

    names = person_names(frame)
    kept = np.setdiff1d(np.arange(len(frame)), out)
    labels = _labels(ladders, classes, len(frame))
    of_class = codes_of(*[labels[name][kept] for name in labels])
    cost = _cost(ladders, classes, out, people, of_class, kept, labels)
    order = frame.loc[kept].assign(place=np.arange(len(kept))).sort_values(
        ["posted_at", "report_id"], na_position="first", kind="stable"
    )["place"].tolist()  # fmt: skip
    vehicles = frame["vehicle_key"].fillna(frame["report_id"]).astype(str)
    linked = link_rows(of_class, names[kept].tolist(), vehicles[kept].tolist(), order, key, rules.k)
    cost.people_cut, cost.keys_cut = linked.people_cut, linked.rows_cut
    latest = frame["report_id"].isin(set(cross_section(frame)["report_id"])).to_numpy()

    published = pd.DataFrame({"row": 0, "class": of_class + 1, "person": linked.person, "vehicle": linked.vehicle})
    published["latest"] = latest[kept]
    for ladder in ladders:
        _add_attribute(published, ladder, labels[ladder.attribute.name][kept])
    source = frame.loc[kept].reset_index(drop=True)
    _add_values(published, source, allowed, people[kept], rules, cost)
    ids = frame["report_id"]
    published.index = pd.Index([key.of("row", report_id) for report_id in ids[kept]])
    published = published.sort_index().reset_index(drop=True)
    published["row"] = np.arange(1, len(published) + 1)
    quasi = [name for ladder in ladders for name in label_columns(ladder)]
    return Anonymised(published, quasi, cost, ids[out].tolist())


def label_columns(ladder: Ladder) -> list[str]:
    """The published columns that hold an attribute's labels: what makes the classes."""
    attribute = ladder.attribute
    if attribute.name == "posted":
        return ["posted"]
    return [f"{attribute.columns[0]}_band"] if attribute.banded or _tenths(ladder) else list(attribute.columns)


def _tenths(ladder: Ladder) -> bool:
    return ladder.attribute.steps[0].how == "tenths"


def _searched(
    ladders: Sequence[Ladder], people: Array, main: Array, rules: Rules, told: Callable[[int, int], None]
) -> list[tuple[list[Class], Array]]:
    """The splittings that the search finds, the least loss of information first; [] where all people are too few.

    Searched: which of the first attributes is split first in what is left of the headline's cells.
    """
    firsts = [number for number, ladder in enumerate(ladders) if ladder.attribute.first]
    found = []
    for order in sorted({tuple(firsts), tuple(reversed(firsts))}):
        turned = list(ladders)
        for place, number in enumerate(order, start=1):
            turned[number] = replace(turned[number], attribute=replace(turned[number].attribute, first=place))
        classes, out = Splitter(turned, people, main, rules).run(told)
        if classes:
            found.append((information_loss(ladders, classes, len(out)), classes, out))
    return [(classes, out) for _, classes, out in sorted(found, key=lambda one: one[0])]


def information_loss(ladders: Sequence[Ladder], classes: Sequence[Class], left_out: int) -> float:
    """The weighted normalised certainty penalty (Xu et al. 2006), a row left out losing all; 0 (none) to 1 (all)."""
    whole = sum(ladder.attribute.weight for ladder in ladders)
    lost = float(left_out) * whole
    rows = left_out
    for one in classes:
        rows += len(one.rows)
        for ladder, level in zip(ladders, one.levels, strict=True):
            code = int(ladder.codes[level][one.rows[0]])
            lost += ladder.attribute.weight * float(ladder.share[level][code]) * len(one.rows)
    return lost / (whole * rows) if rows else 1.0


def _labels(ladders: Sequence[Ladder], classes: Sequence[Class], rows: int) -> dict[str, Array]:
    import numpy as np

    labels = {ladder.attribute.name: np.full(rows, WITHHELD, dtype=object) for ladder in ladders}
    for one in classes:
        for ladder, level in zip(ladders, one.levels, strict=True):
            labels[ladder.attribute.name][one.rows] = ladder.labels[level][int(ladder.codes[level][one.rows[0]])]
    return labels


def _cost(
    ladders: Sequence[Ladder], classes: Sequence[Class], out: Array, people: Array, of_class: Array, kept: Array,
    labels: Mapping[str, Array],
) -> Cost:  # fmt: skip
    import numpy as np

    everyone = len(np.unique(people))
    cost = Cost(rows=len(people), rows_left_out=len(out), people=everyone, classes=len(classes))
    cost.people_left_out = everyone - len(np.unique(people[kept]))
    cost.information_loss = information_loss(ladders, classes, len(out))
    cost.discernibility = discernibility(of_class, len(out), len(people))
    wide = np.bincount(of_class, minlength=len(classes)).astype(float)
    for ladder in ladders:
        name = ladder.attribute.name
        used = dict.fromkeys(ladder.attribute.level_names, 0)
        for one in classes:
            level = one.levels[len(cost.levels)]
            used[ladder.attribute.level_names[level]] += len(one.rows)
        cost.levels[name] = used
        silent = np.array([set(label.split(JOIN)) <= {NOT_SAID} for label in ladder.labels[0]])
        said = ~silent[ladder.codes[0]]
        cost.cells_withheld[name] = int((said[kept] & (labels[name][kept] == WITHHELD)).sum())
    for row in out:  # people of the ledger who would be in a class, had they not been left out
        for one in classes:
            first = one.rows[0]
            if all(
                ladder.codes[level][row] == ladder.codes[level][first]
                for ladder, level in zip(ladders, one.levels, strict=True)
            ):
                wide[of_class[np.searchsorted(kept, first)]] += 1
                break
    cost.risk = risk(of_class, people[kept], wide[of_class])
    return cost


def _add_attribute(published: pandas.DataFrame, ladder: Ladder, labels: Array) -> None:
    attribute = ladder.attribute
    names = label_columns(ladder)
    if len(names) > 1:
        # A label that tells nothing of several columns is one sign: it stands in each of them.
        split = [label.split(JOIN) if JOIN in label else [label] * len(names) for label in labels]
        for place, name in enumerate(names):
            published[name] = [None if row[place] == NOT_SAID else row[place] for row in split]
        return
    published[names[0]] = [None if label == NOT_SAID else label for label in labels]
    if names[0].endswith("_band"):
        column = attribute.columns[0]
        ends = [band_of_label(label) for label in labels]
        published[f"{column}_low"] = [low for low, _ in ends]
        published[f"{column}_high"] = [high for _, high in ends]
        published[f"{column}_mid"] = [middle_of(label) for label in labels]


def _add_values(
    published: pandas.DataFrame, source: pandas.DataFrame, allowed: Allowed, people: Array, rules: Rules, cost: Cost,
) -> None:  # fmt: skip
    for one in allowed.sensitive:
        values = source[one.name]
        if one.step:
            values, low, high = ends_coded(rounded(values, one.step), people, rules.k)
            cost.ends[one.name] = (low, high)
        published[one.name] = values
    of_class = published["class"].to_numpy()
    cost.cells_alike = withhold_alike(published, allowed.sensitive, of_class, rules.diversity)
    for name in allowed.open:
        published[name] = source[name]
    if "confidence" in allowed.open:
        published["confidence"] = rounded(source["confidence"], CONFIDENCE_STEP)
    if "flags" in allowed.open:
        flags, rare = common_flags([list(flags) for flags in source["flags"]], people, rules.k)
        published["flags"] = [one or None for one in flags]
        cost.rare_flags = sorted(rare)
