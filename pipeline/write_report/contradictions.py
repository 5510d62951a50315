"""Answers that contradict a headline: the vehicles that do the opposite of what is said of their group.

A difference of medians says nothing of single vehicles, and somebody will always write "mine did not".  It is better to
know beforehand how many there are, and which of them are told most surely.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.write_report.claim_query import select
from pipeline.write_report.claims import Claim
from pipeline.write_report.typical_curve import NARROWEST, usual_at

if TYPE_CHECKING:
    import pandas

    from pipeline.write_report.figures import Difference

SHOWN = 3
"""Answers that are named for each headline."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A headline and the vehicles that do the opposite: `count` of `vehicles`; `rows` are the surest of them.

    `than` says what they were set against.
    """

    headline: str
    count: int
    vehicles: int
    than: str
    rows: tuple[Mapping[str, Any], ...]

    @property
    def share(self) -> float:
        """How many of the vehicles contradict, 0 to 1."""
        return self.count / self.vehicles


def against_differences(
    vehicles: pandas.DataFrame, differences: Sequence[Difference], columns: Mapping[str, str]
) -> list[Contradiction]:
    """For each difference that is told apart: vehicles of the group that lost less which lost more than is usual of the
    other group at the same distance.  `columns` is dimension -> the column that holds the group.
    """
    known = vehicles[vehicles["odometer_km"].notna() & vehicles["loss_pct"].notna()]
    found = []
    for difference in differences:
        if not difference.told_apart:
            continue
        held = known[columns[difference.dimension]]
        groups = {name: known[held == name] for name in (difference.one, difference.other)}
        if difference.other == "all others":
            groups[difference.other] = known[held.notna() & (held != difference.one)]
        less, more = (difference.one, difference.other)[:: 1 if difference.points < 0 else -1]
        if not len(groups[less]) or len(groups[more]) < NARROWEST:
            continue
        usual, _ = usual_at(groups[more], groups[less]["odometer_km"].to_numpy(float))
        against = groups[less].assign(other_usual=usual)
        opposite = against[against["loss_pct"] > against["other_usual"]]
        than = f"lost more than is usual of {more} at the same distance"
        found.append(Contradiction(difference.sentence(), len(opposite), len(against), than, _surest(opposite)))
    return found


def against_claims(vehicles: pandas.DataFrame, claims: Sequence[Claim]) -> list[Contradiction]:
    """For each pinned difference: vehicles of the side with the lower figure that lie above the other side's."""
    found = []
    for claim in claims:
        query = claim.query
        if query.minus is None or query.statistic == "share" or not claim.measured.value:
            continue
        chosen = select(vehicles, query)
        lower, upper = (chosen["one"], chosen["other"])[:: 1 if claim.measured.value < 0 else -1]
        side, other = chosen[lower], chosen[upper]["value"]
        if not len(side) or not len(other):
            continue
        limit = float(other.median() if query.statistic == "median" else other.mean())
        ids = side.index[side["value"] > limit]
        opposite = vehicles[vehicles["report_id"].isin(ids)]
        than = f"lie above the {query.statistic} of the other side ({limit:.3g} {query.unit.replace('points', '%')})"
        found.append(Contradiction(f"“{claim.text}” (pinned)", len(ids), len(side), than.rstrip(), _surest(opposite)))
    return found


def _surest(rows: pandas.DataFrame) -> tuple[Mapping[str, Any], ...]:
    """The rows that were read most surely, none of them flagged."""
    plain = rows[rows["flags"].map(len) == 0].sort_values(["confidence", "report_id"], ascending=[False, True])
    return tuple({str(name): value for name, value in row.items()} for row in plain.head(SHOWN).to_dict("records"))
