"""A differential score on a published corpus: how often the scanner reads what a recogniser's tests expect.

    python tests/bench/bench_recogniser_corpora.py CHECKOUT_OF_RECOGNIZERS_TEXT [--misses LANGUAGE]

The corpus is `Specs/` of microsoft/Recognizers-Text (MIT), read from a checkout and not copied here: sentences with the
quantities that recognisers must find.  Those count that this project reads: distances in kilometres and miles,
percentages, ages in years and months.  A quantity counts as equal where the scanner gives one of that kind and value in
the sentence.  Ranges, and numbers that the corpus writes out in ways of one language only, count too.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.read_text.fold import fold
from pipeline.read_text.language_data import language_data
from pipeline.read_text.quantities import Quantity, QuantityScanner
from pipeline.read_text.uncommon_quantities import uncommon_quantities

LANGUAGES = {
    "English": "en", "German": "de", "French": "fr", "Spanish": "es", "Portuguese": "pt", "Dutch": "nl",
    "Italian": "it", "Swedish": "sv",
}  # fmt: skip
SPECS = (
    ("distance", "NumberWithUnit/{}/DimensionModel.json"),
    ("percentage", "Number/{}/PercentModel.json"),
    ("age", "NumberWithUnit/{}/AgeModel.json"),
)
UNITS = {"Kilometer": 1.0, "Mile": KM_PER_MILE, "Year": 12.0, "Month": 1.0, "%": 1.0}
"""Units that this project reads -> km, percent or months."""
KINDS = {
    "distance": ("distance", "stretch"),
    "percentage": ("percent", "hundred", "rate"),
    "age": ("duration",),
}


def expected(corpus: Path, spec: str, language: str) -> Iterator[tuple[str, float]]:
    """Sentence and value (km, percent, months) of every quantity that the corpus expects and this project reads."""
    path = corpus / "Specs" / spec.format(language)
    if not path.is_file():
        return
    for one in json.loads(path.read_text("utf-8-sig")):
        for result in one.get("Results") or ():
            resolution = result.get("Resolution") or {}
            said = str(resolution.get("value", ""))
            unit = "%" if said.endswith("%") else str(resolution.get("unit", ""))
            try:
                value = float(said.rstrip("%"))
            except ValueError:
                continue
            if unit in UNITS:
                yield one["Input"], value * UNITS[unit]


def found(scanner: QuantityScanner, sentence: str) -> list[Quantity]:
    """The scanner's quantities of a sentence."""
    folded = fold(sentence)
    return uncommon_quantities(folded, scanner.scan(folded))


def equal(kind: str, value: float, quantities: Sequence[Quantity]) -> bool:
    """Whether a quantity of the kind has the value, a range's ends included."""
    near = max(1e-6, 1e-4 * abs(value))
    return any(
        one.kind in KINDS[kind] and min(abs(one.low - value), abs(one.high - value)) <= near for one in quantities
    )


def main(arguments: Sequence[str]) -> dict[str, dict[str, tuple[int, int]]]:
    """Prints the table; gives language -> kind -> (equal, expected)."""
    corpus, misses = Path(arguments[0]), arguments[2] if "--misses" in arguments else ""
    table: dict[str, dict[str, tuple[int, int]]] = {}
    sys.stdout.write(f"{'language':<12}" + "".join(f"{kind:>18}" for kind, _ in SPECS) + f"{'all':>18}\n")
    for language, code in LANGUAGES.items():
        scanner = QuantityScanner(language_data(code))
        row = table[code] = {}
        for kind, spec in SPECS:
            cases = list(expected(corpus, spec, language))
            right = [equal(kind, value, found(scanner, sentence)) for sentence, value in cases]
            row[kind] = sum(right), len(right)
            if misses == code:
                for (sentence, value), is_right in zip(cases, right, strict=True):
                    if not is_right:
                        sys.stdout.write(f"  {kind} {value:g}: {sentence}\n")
        row["all"] = sum(one[0] for one in row.values()), sum(one[1] for one in row.values())
        cells = [f"{good}/{all_} {good / max(1, all_):.3f}" for good, all_ in row.values()]
        sys.stdout.write(f"{language:<12}" + "".join(f"{cell:>18}" for cell in cells) + "\n")
    return table


if __name__ == "__main__":
    main(sys.argv[1:])
