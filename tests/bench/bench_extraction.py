"""How many responses a second extraction reads, beside spaCy's bare tokenizer, quantulum3 and one regex scan.

    python tests/bench/bench_extraction.py [--sizes 1000 100000] [--json FILE] [--quantulum 150]

All run on one core over the same invented responses (`generate_thread`: 60 % chatter, 40 % answers), in the same run.
quantulum3 reads the first few responses only, since it needs some ten milliseconds each.  Not part of the test suite.
"""

from __future__ import annotations

import argparse
import json
import re
import resource
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]

BATCH = 256
SCAN = re.compile(r"\d[\d.,]*\s?(?:%|percent|km|kms|miles|mi|kwh|k)\b", re.IGNORECASE)


def rate(work: Callable[[Sequence[str]], object], texts: Sequence[str]) -> float:
    """Texts a second of processor time, so that other work on the machine does not count."""
    started = time.process_time()
    work(texts)
    return len(texts) / (time.process_time() - started)


def start_up() -> dict[str, float]:
    """Seconds to import spaCy, and seconds more until the first response has been read."""
    started = time.perf_counter()
    import spacy  # noqa: F401

    imported = time.perf_counter()
    from pipeline.find_values.reader import ResponseReader
    from pipeline.response import Response

    ResponseReader().read([Response("r", "s", "r", "2022 Tern, 74,000 km, down 2.1 %, charge to 80 %")])
    return {"import spacy": imported - started, "to the first reading": time.perf_counter() - imported}


def stages(texts: Sequence[str]) -> dict[str, float]:
    """Share of the processor time that each step of reading takes."""
    from pipeline.find_values.reader import ResponseReader
    from pipeline.find_values.scene import Scene
    from pipeline.read_text.bounds import calm
    from pipeline.read_text.fold import fold

    reader = ResponseReader()._reader("en")
    spent: dict[str, float] = {}

    def clock(name: str, since: float) -> float:
        now = time.process_time()
        spent[name] = spent.get(name, 0.0) + now - since
        return now

    for text in texts:
        now = time.process_time()
        folded = calm(fold(text))
        passes = reader.first_look.may_report(folded)
        now = clock("first look", now)
        if not passes:
            continue
        scene = Scene(text, folded=folded)
        reader.nlp.tokenizer(text)
        now = clock("document", now)
        for name, component in reader.nlp.pipeline:
            if not scene.silent:
                component.step.apply(scene)
                now = clock(name.removeprefix("crowdfade_"), now)
    whole = sum(spent.values())
    return {name: round(seconds / whole, 3) for name, seconds in spent.items()}


def measure(size: int, quantulum_texts: int) -> dict[str, Any]:
    """The rates at one size."""
    import spacy
    from generate_thread import texts as generated

    from pipeline.find_values.reader import ResponseReader
    from pipeline.read_text.fold import fold
    from pipeline.read_text.uncommon_quantities import parser
    from pipeline.response import Response

    texts = generated(size)
    reader = ResponseReader()
    reader.read([Response("w", "s", "w", text) for text in generated(300, seed=99)])
    look = reader._reader("en").first_look
    passed = sum(look.may_report(fold(text)) for text in texts)

    def extraction(batch: Sequence[str]) -> None:
        for start in range(0, len(batch), BATCH):
            reader.read([Response(str(n), "s", str(n), text) for n, text in enumerate(batch[start : start + BATCH])])

    tokenizer = spacy.blank("en").tokenizer
    parse = parser()
    parse("80 km")
    rates = {
        "extraction": rate(extraction, texts),
        "spaCy's bare tokenizer": rate(lambda many: [tokenizer(text) for text in many], texts),
        "quantulum3 alone": rate(lambda many: [parse(text) for text in many], texts[:quantulum_texts]),
        "one regex scan": rate(lambda many: [SCAN.findall(text) for text in many], texts),
    }
    return {
        "responses": size,
        "characters": round(sum(map(len, texts)) / size, 1),
        "distinct": len(set(texts)),
        "survive the first look": round(passed / size, 3),
        "a second": {name: round(value, 1) for name, value in rates.items()},
        "ratio": {name: round(rates["extraction"] / value, 4) for name, value in rates.items() if name != "extraction"},
        "share of time": stages(texts[: min(size, 2_000)]),
        "peak MB": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--sizes", type=int, nargs="+", default=[1_000, 100_000])
    parser.add_argument("--quantulum", type=int, default=150, help="responses that quantulum3 reads")
    parser.add_argument("--json", type=Path, help="also write the figures here")
    given = parser.parse_args()
    result: dict[str, Any] = {
        "start-up seconds": {name: round(value, 3) for name, value in start_up().items()},
        "sizes": [],
    }
    print("start-up:", ", ".join(f"{name} {value} s" for name, value in result["start-up seconds"].items()))
    for size in given.sizes:
        figures = measure(size, given.quantulum)
        result["sizes"].append(figures)
        print(f"\n{size:,} responses, {figures['distinct']:,} distinct, {figures['characters']} characters on average")
        print(f"  {figures['survive the first look']:.1%} survive the first look; peak memory {figures['peak MB']} MB")
        for name, value in figures["a second"].items():
            ratio = figures["ratio"].get(name)
            print(f"  {name:<24}{value:>12,.0f} a second" + (f"   extraction is {ratio:.2f} of it" if ratio else ""))
        print(
            "  share of time: " + ", ".join(f"{name} {share:.0%}" for name, share in figures["share of time"].items())
        )
    if given.json:
        given.json.write_text(json.dumps(result, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
