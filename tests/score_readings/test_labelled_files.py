"""Every file of labelled responses: its form, the arithmetic of its labels, and that no voice is on both sides."""

from __future__ import annotations

import json
import re
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from pipeline.dataset_columns import CHEMISTRIES, FIELD_NAMES, HABITS, KM_PER_MILE, LOSS_ORIGINS
from pipeline.score_readings.labelled_run import BESIDE, NUMBERS, read_gold

LABELLED = Path(__file__).parents[2] / "fixtures" / "labelled"
FILES = sorted(LABELLED.rglob("*.jsonl"))
WORDED = [file for file in FILES if file.parent.name in ("train", "test")]
"""The training and test parts, whose labels name the words that they were read from."""

SUBSTANCE = (
    "loss_pct", "loss_max_pct", "odometer_km", "charge_limit_pct", "charge_floor_pct", "full_charges_per_week",
    "charge_habit", "dc_fast_share_pct",
)  # fmt: skip
"""A report holds at least one of these: a loss, an odometer reading or a charging habit."""

CLOSED = {
    "whose": ("own", "other"), "chemistry": CHEMISTRIES, "loss_origin": LOSS_ORIGINS, "charge_habit": HABITS
}  # fmt: skip

_DISTANCE = re.compile(
    r"(?:(?P<from>\d+(?:[.,]\d+)*)\s?k?\s?(?:-|–|to|and|tot|bis|or)\s?)?"
    r"(?P<number>\d{1,3}(?:[.,'’ \u00a0\u202f]\d{3})+|\d+(?:[.,]\d{1,2})?)\s?(?P<thousands>k)?\s?"
    r"(?P<unit>miles|mile|mi|mls|km|kms|kilometers|kilometres)\b",
    re.I,
)
"""A distance in figures with its unit, or two of them with the unit behind the second ("60-65k km")."""


def _name(file: Path) -> str:
    return "-".join(file.relative_to(LABELLED).parts)


def _read(file: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in file.read_text("utf8").split("\n") if line.strip()]


def _reports(file: Path) -> list[tuple[str, dict[str, Any]]]:
    return [(one["id"], report) for one in _read(file) for report in one["reports"]]


def _words(report: dict[str, Any], field: str) -> list[str]:
    words = report["words"].get(field, [])
    return words if isinstance(words, list) else [words]


def _number(words: str) -> float | None:
    """The one number in some words, if it is written as one."""
    found = re.findall(r"\d+(?:[.,]\d+)?", words)
    return float(found[0].replace(",", ".")) if len(found) == 1 else None


def _grouped(number: str, thousands: bool) -> float:
    """A number as written; a separator before three digits groups them, unless a k stands behind."""
    if not thousands and re.fullmatch(r"\d{1,3}(?:[.,'’ \u00a0\u202f]\d{3})+", number):
        return float(re.sub(r"\D", "", number))
    return float(number.replace(",", "."))


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_form(file: Path) -> None:
    assert read_gold([file])
    for one in _read(file):
        assert {"id", "author", "posted_at", "parent_id", "text", "reports"} <= one.keys(), one["id"]
        assert one["text"].strip(), one["id"]
        if one["posted_at"] is not None:
            assert datetime.fromisoformat(one["posted_at"]).tzinfo is not None, one["id"]
    for name, report in _reports(file):
        assert set(report) <= {*FIELD_NAMES, *BESIDE}, name
        assert None not in report.values(), name
        assert "whose" in report and set(report) & set(SUBSTANCE), name
        for field, values in CLOSED.items():
            assert field not in report or report[field] in values, (name, field)
        assert ("loss_pct" in report) == ("loss_origin" in report), name
        assert report.get("loss_origin") != "none" or report["loss_pct"] == 0, name
        assert file not in WORDED or "charge_limit_pct" not in report or "charge_habit" in report, name


@pytest.mark.parametrize("file", FILES, ids=_name)
def test_values_are_possible_and_hang_together(file: Path) -> None:
    bounds = {
        "model_year": (2008, 2026), "odometer_km": (0, 1_500_000), "age_months": (0, 240), "loss_pct": (-10, 90),
        "loss_max_pct": (0, 60), "charge_limit_pct": (20, 100), "charge_floor_pct": (0, 90),
        "full_charges_per_week": (0, 168), "dc_fast_share_pct": (0, 100), "pack_kwh": (5, 700),
    }  # fmt: skip
    assert set(bounds) == set(NUMBERS)
    for name, report in _reports(file):
        for field, (low, high) in bounds.items():
            assert field not in report or low <= report[field] <= high, (name, field, report[field])
        assert report.get("charge_floor_pct", 0) < report.get("charge_limit_pct", 101), name
        if report.get("charge_habit") == "full":
            assert report.get("charge_limit_pct", 100) == 100, name
        if report.get("charge_habit") == "partial":
            assert report.get("charge_limit_pct", 0) < 100, name
        assert not re.search(r"\b20[12]\d\b", report.get("vehicle_text", "")), name


@pytest.mark.parametrize("file", WORDED, ids=_name)
def test_words_stand_in_the_text(file: Path) -> None:
    for one in _read(file):
        assert {"lang", "writer", "tags", "thread_id", "likes"} <= one.keys(), one["id"]
        for report in one["reports"]:
            words = report["words"]
            assert set(report) - {"whose", "loss_origin", *BESIDE} <= set(words) <= set(report), one["id"]
            for field in words:
                pieces = _words(report, field)
                assert pieces and len(pieces) <= 3, (one["id"], field)
                assert all(piece and piece in one["text"] for piece in pieces), (one["id"], field)
            if "vehicle_text" in report:
                assert report["vehicle_text"] in one["text"], one["id"]


@pytest.mark.parametrize("file", WORDED, ids=_name)
def test_odometers_are_what_their_words_say(file: Path) -> None:
    read = 0
    for name, report in _reports(file):
        found = _DISTANCE.search(_words(report, "odometer_km")[0]) if "odometer_km" in report else None
        if found is None:
            continue
        ends = [_grouped(number, bool(found["thousands"])) for number in (found["from"], found["number"]) if number]
        value = sum(ends) / len(ends)
        value *= (1000 if found["thousands"] else 1) * (KM_PER_MILE if found["unit"].lower().startswith("m") else 1)
        assert report["odometer_km"] == pytest.approx(value, rel=0.002), (name, found[0])
        read += 1
    assert read >= 5


@pytest.mark.parametrize("file", WORDED, ids=_name)
def test_losses_are_what_their_words_say(file: Path) -> None:
    read = 0
    for name, report in _reports(file):
        origin, words = report.get("loss_origin"), _words(report, "loss_pct")
        numbers = [_number(piece) for piece in words]
        if origin in ("range", "energy") and len(numbers) == 2 and None not in numbers:
            first, second = sorted((float(number) for number in numbers if number is not None), reverse=True)
            kept, lost = 100 * (first - second) / first, 100 * second / first
            assert any(abs(abs(report["loss_pct"]) - value) <= 0.02 for value in (kept, lost)), (name, words)
        elif origin in ("stated", "health") and len(words) == 1 and numbers[0] is not None:
            if not re.search(r"\d\s*%|\d per ?cent|SoH", words[0]):
                continue
            loss = 100 - numbers[0] if origin == "health" else numbers[0]
            assert abs(report["loss_pct"]) == pytest.approx(abs(loss), abs=0.01), (name, words)
        else:
            continue
        read += 1
    assert read >= 5


def test_no_voice_and_no_text_is_on_both_sides() -> None:
    sides: dict[str, list[dict[str, Any]]] = {"train": [], "test": []}
    for file in WORDED:
        sides[file.parent.name] += _read(file)
    for key in ("writer", "author", "text", "id"):
        train, test = ({one[key] for one in sides[side]} for side in ("train", "test"))
        assert train and test and not train & test, (key, sorted(train & test)[:5])
    files = Counter(one["id"] for side in sides.values() for one in side)
    assert max(files.values()) == 1
    for side in sides.values():
        known = {one["id"] for one in side}
        assert all(one["parent_id"] is None or one["parent_id"] in known for one in side)


def test_there_is_enough_of_everything() -> None:
    for part, least in (("train", 1500), ("test", 400)):
        read = [one for file in sorted((LABELLED / "en" / part).glob("*.jsonl")) for one in _read(file)]
        assert len(read) >= least
        silent = sum(not one["reports"] for one in read) / len(read)
        assert 0.35 <= silent <= 0.45
        held = Counter(field for one in read for report in one["reports"] for field in report)
        assert all(held[field] >= least / 100 for field in FIELD_NAMES), held
        origins = Counter(report.get("loss_origin") for one in read for report in one["reports"])
        assert all(origins[origin] >= least / 100 for origin in LOSS_ORIGINS), origins
        assert len({one["writer"] for one in read}) >= (30 if part == "train" else 10)
