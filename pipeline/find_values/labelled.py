"""Labelled responses: reading them, and which role a label gives to each quantity of a text."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.problems import ExportProblem
from pipeline.read_text.quantities import Quantity


@dataclass(slots=True)
class Labelled:
    """A labelled response; each report holds fields by the labelling guide and, where known, the `words` of each."""

    id: str
    text: str
    lang: str
    writer: str
    reports: list[dict[str, Any]]
    tags: list[str] = field(default_factory=list)
    parent_id: str | None = None
    file: str = ""

    def wanted(self) -> list[dict[str, Any]]:
        """The reports without the words."""
        return [{name: value for name, value in report.items() if name != "words"} for report in self.reports]


def read_labelled(paths: Iterable[str | Path]) -> Iterator[Labelled]:
    """Labelled responses of JSON-lines files and folders; `ExportProblem` names file and line of what is not one."""
    for given in paths:
        path = Path(given)
        files = sorted(path.rglob("*.jsonl")) if path.is_dir() else [path]
        if not files:
            raise ExportProblem(
                "no labelled responses in this folder", where=str(path), todo="give files of JSON lines (*.jsonl)"
            )
        for file in files:
            try:
                lines = file.read_text("utf8").split("\n")
            except OSError as error:
                raise ExportProblem(f"cannot be read: {error.strerror}", where=str(file)) from None
            except UnicodeDecodeError:
                raise ExportProblem(
                    "is not UTF-8 text", where=str(file), todo="labelled files are JSON lines in UTF-8"
                ) from None
            for number, line in enumerate(lines, 1):
                if not line.strip():
                    continue
                try:
                    data = json.loads(line)
                    yield Labelled(
                        str(data["id"]), data["text"], data.get("lang") or "en", data.get("writer") or data["id"],
                        list(data["reports"]), list(data.get("tags") or ()), data.get("parent_id"), str(file),
                    )  # fmt: skip
                except (ValueError, KeyError, TypeError) as error:
                    raise ExportProblem(
                        f"no labelled response: {error}",
                        where=f"{file}, line {number}",
                        todo="each line is a JSON object with id, text and reports",
                    ) from None


def _near(value: float, wanted: float, tolerance: float) -> bool:
    return abs(value - wanted) <= tolerance + 1e-9


def _raw(quantity: Quantity) -> float:
    return quantity.value / KM_PER_MILE if quantity.unit == "mi" else quantity.value


def _fits(role: str, quantity: Quantity, report: dict[str, Any]) -> bool:
    """Whether a quantity can be the source of a role's value in a labelled report."""
    kind, value = quantity.kind, quantity.value
    if role == "odometer":
        odometer = report["odometer_km"]
        options = [value] if quantity.unit else [value, value * KM_PER_MILE, value * 10]
        return kind in ("distance", "stretch", "thousands", "big", "number", "rate") and any(
            _near(o, odometer, 0.011 * odometer) for o in options
        )
    if role == "age":
        return (kind in ("duration",) and _near(value, report["age_months"], 1.0)) or (
            kind == "number" and _near(value, report["age_months"], 0.6)
        )
    if role == "year":
        return kind == "year" and int(value) == report["model_year"]
    level = ("percent", "hundred", "number", "score", "window", "points", "fraction")
    if role == "loss":
        return kind in level and _near(value, report["loss_pct"], 0.11)
    if role == "health":
        return kind in level and _near(100 - value, report["loss_pct"], 0.11)
    if role == "loss_max":
        return kind in level and (
            _near(value, report["loss_max_pct"], 0.11) or _near(100 - value, report["loss_max_pct"], 0.11)
        )
    if role == "limit":
        return kind in level and (_near(value, report["charge_limit_pct"], 1.0))
    if role == "floor":
        return kind in level and _near(value, report["charge_floor_pct"], 1.0)
    if role == "window":
        low, high = report.get("charge_floor_pct"), report.get("charge_limit_pct")
        return (
            quantity.low != quantity.high
            and low is not None
            and high is not None
            and _near(quantity.low, low, 1)
            and _near(quantity.high, high, 1)
        )
    if role == "full_freq":
        return kind == "frequency" and _near(value, report["full_charges_per_week"], 0.05)
    if role == "dc":
        return kind in level and _near(value, report["dc_fast_share_pct"], 1.0)
    if role == "ac":
        return kind in level and _near(100 - value, report["dc_fast_share_pct"], 1.0)
    if role == "ratio":
        return kind == "ratio"
    if role == "pack":
        return kind in ("energy", "number", "big") and _near(value, report["pack_kwh"], 0.11)
    return False


_FIELD_ROLES = (
    ("odometer_km", ("odometer",)),
    ("age_months", ("age",)),
    ("model_year", ("year",)),
    ("loss_max_pct", ("loss_max",)),
    ("charge_limit_pct", ("window", "limit")),
    ("charge_floor_pct", ("window", "floor")),
    ("full_charges_per_week", ("full_freq",)),
    ("dc_fast_share_pct", ("dc", "ac", "ratio")),
    ("pack_kwh", ("pack",)),
)


def _places(text: str, words: Any) -> list[tuple[int, int]]:
    """Every place in the text of the words that a label names."""
    out: list[tuple[int, int]] = []
    for piece in words if isinstance(words, list) else [words] if words else []:
        position = text.find(piece)
        while position >= 0:
            out.append((position, position + len(piece)))
            position = text.find(piece, position + 1)
    return out


def roles_of(labelled: Labelled, quantities: Sequence[Quantity]) -> dict[int, str]:
    """Index of a quantity -> role by the labels; "?" where the value fits but the label's words stand elsewhere."""
    out: dict[int, str] = {}

    def mark(index: int, role: str) -> None:
        if out.get(index, "?") == "?":
            out[index] = role

    for report in labelled.reports:
        words = report.get("words") or {}
        jobs: list[tuple[str, Sequence[str], Any]] = [
            (f, roles, words.get(f)) for f, roles in _FIELD_ROLES if f in report
        ]
        if "loss_pct" in report:
            origin = report.get("loss_origin")
            if origin == "stated":
                jobs.append(("loss_pct", ("loss",), words.get("loss_pct")))
            elif origin == "health":
                jobs.append(("loss_pct", ("health",), words.get("loss_pct")))
            elif origin in ("range", "energy"):
                _pair(labelled.text, quantities, report, words.get("loss_pct"), origin, mark)
        for _, roles, said in jobs:
            places = _places(labelled.text, said)
            for role in roles:
                hits = [i for i, q in enumerate(quantities) if _fits(role, q, report)]
                over = [
                    i
                    for i in hits
                    if any(
                        q_start < end and start < q_end
                        for start, end in places
                        for q_start, q_end in [(quantities[i].start, quantities[i].end)]
                    )
                ]
                for index in over[:1] if len(over) > 1 and role in ("odometer", "loss", "health") else over:
                    mark(index, role)
                for index in hits:
                    if index not in over:
                        out.setdefault(index, "?")
                if over:
                    break
    return out


def _pair(text: str, quantities: Sequence[Quantity], report: dict[str, Any], said: Any, origin: str, mark: Any) -> None:
    """The two sides of a range or energy pair: those whose ratio gives the labelled loss."""
    places = _places(text, said)
    kinds = (
        ("stretch", "big", "distance", "hundred", "number", "thousands")
        if origin == "range"
        else ("energy", "charge", "number", "big", "hundred")
    )
    near = [
        i
        for i, q in enumerate(quantities)
        if q.kind in kinds and any(q.start < end and start < q.end for start, end in places)
    ]
    for pool in (near, [i for i, q in enumerate(quantities) if q.kind in kinds]):
        for i in pool:
            for j in pool:
                new, now = _raw(quantities[i]), _raw(quantities[j])
                if (
                    i != j
                    and new > 0
                    and 0.3 < now / new < 1.1
                    and _near(100 * (new - now) / new, report["loss_pct"], 0.06)
                ):
                    mark(i, f"{origin}_new")
                    mark(j, f"{origin}_now")
                    return
                if i != j and new > 0 and 0 < now < 0.7 * new and _near(100 * now / new, report["loss_pct"], 0.06):
                    mark(i, f"{origin}_new")
                    mark(j, "lost_km" if origin == "range" else "lost_kwh")
                    return


def constant_is_right(role: str, value: float | str | None, labelled: Labelled) -> bool | None:
    """Whether a rule's constant agrees with some labelled report; None where the labels do not tell."""
    for report in labelled.reports:
        if role == "loss" and report.get("loss_origin") == "none":
            return True
        if role == "chemistry" and report.get("chemistry") == value:
            return True
        if role == "limit_full" and report.get("charge_limit_pct") == 100:
            return True
        if role == "limit_full" and report.get("full_charges_per_week") and report.get("charge_habit") == "mixed":
            return None
        if role == "habit" and report.get("charge_habit") == value:
            return True
        if role == "full_charges" and report.get("full_charges_per_week") == 0:
            return True
        if role == "dc_const" and report.get("dc_fast_share_pct") == value:
            return True
    return False
