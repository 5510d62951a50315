"""Decisions about what belongs together: which counts, and the orders that they make for the joining."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Protocol

from pipeline.correct_readings.decisions import moment
from pipeline.correct_readings.outcomes import Outcome
from pipeline.join_copies.orders import Orders, Pair


class Joined(Protocol):
    """What the joining found; see `join_copies.join.Joined`."""

    @property
    def report_copy_of(self) -> Mapping[str, str]: ...  # noqa: D102
    @property
    def vehicle_key(self) -> Mapping[str, str]: ...  # noqa: D102


def orders_of(work: Iterable[Outcome], taken_out: Iterable[str] = ()) -> Orders:
    """The orders that the decisions make; `work` is in the order of time.

    `taken_out` are reports that are no more: nothing can be joined with them.
    """
    copies: dict[str, list[Outcome]] = defaultdict(list)
    vehicles: dict[Pair, list[Outcome]] = defaultdict(list)
    gone = set(taken_out)
    for one in work:
        kind = one.decision.kind
        if kind in ("copy-of", "not-a-copy") and one.response:
            if one.response == one.other:
                one.end("overruled", "a response is no copy of itself")
            else:
                copies[one.response].append(one)
        elif kind in ("one-vehicle", "two-vehicles") and one.report and one.other:
            if {one.report, one.other} & gone:
                one.end("no-report")
                continue
            vehicles[min(one.report, one.other), max(one.report, one.other)].append(one)
    of_copies = {response: last for response, some in copies.items() if (last := _last(some))}
    of_vehicles = _uncontradicted({pair: last for pair, some in vehicles.items() if (last := _last(some))})

    def of_kind(kind: str) -> dict[Pair, str]:
        verb = "joined" if kind == "one-vehicle" else "kept apart"
        chosen = sorted((pair, one) for pair, one in of_vehicles.items() if one.decision.kind == kind)
        return {pair: f"{verb} by {one.decision.told()}" for pair, one in chosen}

    repeats = {one: last for one, last in sorted(of_copies.items()) if last.decision.kind == "copy-of"}
    return Orders(
        copies={one: str(last.other) for one, last in repeats.items()},
        not_copies={one: last.other for one, last in sorted(of_copies.items()) if one not in repeats},
        reasons={
            one: f"{'called a copy' if one in repeats else 'called no copy'} by {last.decision.told()}"
            for one, last in sorted(of_copies.items())
        },
        one_vehicle=of_kind("one-vehicle"),
        two_vehicles=of_kind("two-vehicles"),
    )


def _last(outcomes: Sequence[Outcome]) -> Outcome | None:
    """The latest of the decisions about one thing, or None where two of the same time contradict each other."""
    top = max(moment(one.decision.when) for one in outcomes)
    best = [one for one in outcomes if moment(one.decision.when) == top]
    for one in outcomes:
        if one not in best:
            one.end("superseded")
    if any((one.decision.kind, one.other) != (best[0].decision.kind, best[0].other) for one in best):
        for one in best:
            one.end("contradicted")
        return None
    for one in best[:-1]:
        one.end("superseded")
    return best[-1]


def _uncontradicted(decisions: dict[Pair, Outcome]) -> dict[Pair, Outcome]:
    """The decisions about vehicles without those that a chain of others contradicts: A is B, B is C, A is not C."""
    parent: dict[str, str] = {}

    def find(report: str) -> str:
        while (above := parent.get(report, report)) != report:
            report = above
        return report

    for pair, one in sorted(decisions.items()):
        if one.decision.kind == "one-vehicle":
            left, right = find(pair[0]), find(pair[1])
            parent[max(left, right)] = min(left, right)
    broken = {
        find(pair[0])
        for pair, one in decisions.items()
        if one.decision.kind == "two-vehicles" and find(pair[0]) == find(pair[1])
    }
    sound = {}
    for pair, one in decisions.items():
        if find(pair[0]) == find(pair[1]) and find(pair[0]) in broken:
            one.end("contradicted", "these decisions join what another keeps apart")
        else:
            sound[pair] = one
    return sound


def settle_joined(outcomes: Iterable[Outcome], joined: Joined) -> None:
    """Says of decisions about vehicles that the joining could not carry out why it could not."""
    keys, copy_of = joined.vehicle_key, joined.report_copy_of
    for one in outcomes:
        if one.outcome != "applied" or one.report is None or one.other is None:
            continue
        if one.decision.kind == "two-vehicles" and keys.get(one.report) == keys.get(one.other, ""):
            copies = copy_of.get(one.report, one.report) == copy_of.get(one.other, one.other)
            one.outcome = "overruled"
            one.detail = "they are copies: say not-a-copy first" if copies else "other decisions or readings join them"
