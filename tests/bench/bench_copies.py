"""How long the joining takes and how much memory it needs: a million short responses of which 5 % are copies.

    python tests/bench/bench_copies.py [SIZE ...]

Each size runs in a process of its own, so that the peak is that size's.  Prints a table: responses, copies made and
found, seconds by the clock, seconds of processor time and their ratio to the row before, peak resident memory (the
input tables are in it).  Not part of the test suite.
"""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
SIZES = (100_000, 1_000_000)
COPIES = 0.05
NAMES = (
    "Tern", "Norrvik Tern", "Tern Long Range", "Skua", "Norrvik Skua Plus", "Skua GT", "Dunlin", "Fell", "Calder Fell",
    "Calder Ridge", "Ridge GT", "Moss", "Ondine 40", "Ondine 60", "Ondine 60 Plus", "Veldmar 7e", "Sabrel Pico",
)  # fmt: skip
OPENINGS = (
    "Mine is a {year} {name} and it has done {km} km so far.", "{year} {name}, {km} km.",
    "We drive a {name} from {year}, {km} kilometres on it,", "{name}, {year}, {miles} miles",
    "My {name} ({year}) shows {miles} miles this week.", "{km} km on a {year} {name},",
    "{name}: {km} km, built in {year}.", "Hello all! {name} {year}, {km} km.",
)  # fmt: skip
LOSSES = (
    "Lost {loss} % until now.", "SoH {health} %.", "down {loss} %", "the workshop printed {health} % health",
    "no loss that I can see", "it shows {new} km at full and did {old} when new", "loss about {loss} percent",
)  # fmt: skip
HABITS = (
    "Charged to {limit} % at home.", "To 100 every Sunday.", "limit {limit}, floor 20", "always to full, every night",
    "{share} % on rapid chargers", "never saw a rapid charger", "80 on weekdays and full before trips", "",
)  # fmt: skip
SHORT_ANSWERS = ("no loss", "me too", "Thanks!", "same here", "LFP, no loss", "80 % limit", "great episode")
WORDS = """
    the a my our this that every some nobody everybody anyone car battery cable socket printout reader display wiper
    heater charger app fuse gauge handbook tyre meter key dealer garage village workshop harbour office barn market city
    island school valley club church winter summer morning evening neighbour sister brother uncle daughter programme
    episode question answer number range trip road hill motorway ferry bridge rain snow frost salt wind money price tax
    warranty insurance service visit letter photo screen button menu update version noise smell light door boot seat
    belt mirror window roof rack trailer bike dog cat coffee bread soup garden roof panel meter bill night week month
    read reset replace warm cool check clean sell rent measure trust ignore weigh record plot share drive park wait ask
    tell know think believe remember forget learn listen hear see watch find lose keep give take bring leave stay come
    go start stop open close plug pull push turn hold drop lift carry cold hot old new long short quick slow cheap dear
    quiet loud clean dirty dark bright honest silly clever lucky tired happy proud careful strange common rare plain
    always never often sometimes only almost nearly quite really very too again still already soon later yesterday today
    here there everywhere inside outside above below before after because although while until unless if when where how
    why and but or so yet with without for from into onto over under about against between through during despite
"""
CHATTER = tuple(WORDS.split())


def make(count: int, seed: int = 1) -> Any:
    """Responses and reports: short ones of every kind, and 5 % copies (reposts, typos, other accounts, emoji)."""
    import pyarrow as pa

    dice = random.Random(seed)
    start = datetime(2025, 1, 1, tzinfo=UTC)
    texts: list[str] = []
    authors: list[str] = []
    readings: list[tuple[int, str, int, float, float | None]] = []
    made = 0
    for row in range(count):
        author = f"{dice.randrange(count // 3):024x}"
        if row > 100 and dice.random() < COPIES:
            source = dice.randrange(row)
            text = texts[source]
            if len(text.split()) < 14 or dice.random() < 0.5:
                author = authors[source]
            made += 1
            texts.append(_changed(text, dice))
        elif dice.random() < 0.35:
            said = dice.choices(CHATTER, k=dice.randrange(4, 24))
            texts.append(" ".join(said) if dice.random() < 0.7 else dice.choice(SHORT_ANSWERS))
        else:
            name, year, km = dice.choice(NAMES), dice.randrange(2014, 2026), dice.randrange(10, 2500) * 100
            loss, old = dice.randrange(0, 150) / 10, dice.randrange(200, 500)
            values = {
                "name": name, "year": year, "km": f"{km:,}", "miles": f"{km / 1.609:,.0f}", "loss": loss, "old": old,
                "health": 100 - loss, "new": old - dice.randrange(0, 30), "limit": dice.choice((70, 80, 85, 90)),
                "share": dice.randrange(1, 20) * 5,
            }  # fmt: skip
            said = (dice.choice(OPENINGS), dice.choice(LOSSES), dice.choice(HABITS))
            texts.append(" ".join(part.format(**values) for part in said).strip())
            readings.append((row, name, year, float(km), loss))
        authors.append(author)
    times = [start + timedelta(seconds=20 * row) for row in range(count)]
    moment = pa.timestamp("us", tz="UTC")
    responses = pa.table(
        {
            "response_id": [f"{row * 2654435761 % 2**64:016x}" for row in range(count)],
            "author_key": authors,
            "posted_at": pa.array(times, moment),
            "text": texts,
        }
    )
    ids = responses["response_id"].to_pylist()
    reports = pa.table(
        {
            "report_id": [f"{ids[row]}-1" for row, *_ in readings],
            "response_id": [ids[row] for row, *_ in readings],
            "author_key": [authors[row] for row, *_ in readings],
            "posted_at": pa.array([times[row] for row, *_ in readings], moment),
            "whose": ["own"] * len(readings),
            "vehicle_text": [name for _, name, *_ in readings],
            "model_year": pa.array([year for _, _, year, *_ in readings], pa.int16()),
            "odometer_km": [km for _, _, _, km, _ in readings],
            "loss_pct": [loss for *_, loss in readings],
        }
    )
    return responses, reports, made


def _changed(text: str, dice: random.Random) -> str:
    how = dice.randrange(5)
    if how == 0:
        return text.upper()
    if how == 1:
        return text + " \N{SMILING FACE WITH SUNGLASSES}"
    if how == 2 and len(text) > 30:
        places = [place for place in range(1, len(text) - 2) if text[place : place + 2].isalpha()]
        place = dice.choice(places)
        return text[:place] + text[place + 1] + text[place] + text[place + 2 :]
    return text.replace(", ", " , ") if how == 3 else text


def measure(count: int, folder: Path) -> None:
    """Runs one size and prints its figures (in a process of its own)."""
    import pyarrow as pa

    sys.path.insert(0, str(ROOT))
    from pipeline.dataset_columns import arrow_schema
    from pipeline.join_copies.join import join_copies

    with pa.memory_map(str(folder / "responses.arrow")) as file:
        responses = pa.ipc.open_file(file).read_all()
    with pa.memory_map(str(folder / "reports.arrow")) as file:
        reports = pa.ipc.open_file(file).read_all()
    begun, worked = time.perf_counter(), time.process_time()
    joined = join_copies(responses, reports, arrow_schema("evidence").empty_table())
    begun, worked = time.perf_counter() - begun, time.process_time() - worked
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    vehicles = len(set(joined.vehicle_key.values()))
    print(len(joined.response_copy_of), vehicles, f"{begun:.1f}", f"{worked:.1f}", f"{peak:.2f}")


def main(sizes: tuple[int, ...]) -> None:
    """Prints the table over all sizes."""
    import tempfile

    import pyarrow as pa

    heads = ("responses", "made", "found", "vehicles", "clock s", "cpu s", "ratio", "peak GiB")
    print("".join(f"{head:>11}" for head in heads))
    before: float | None = None
    for size in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            *made, copies = make(size)
            for title, table in zip(("responses", "reports"), made, strict=True):
                path = str(folder / f"{title}.arrow")
                with pa.OSFile(path, "wb") as sink, pa.ipc.new_file(sink, table.schema) as out:
                    out.write_table(table, max_chunksize=65_536)
            del made
            run = [sys.executable, __file__, "--one", str(size), name]
            said = subprocess.run(run, check=True, capture_output=True, text=True).stdout.split()
        seconds = float(said[3])
        ratio = f"{seconds / before:.1f}" if before else ""
        cells = (f"{size:,}", f"{copies:,}", *said[:4], ratio, said[4])
        print("".join(f"{cell:>11}" for cell in cells), flush=True)
        before = seconds


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        measure(int(sys.argv[2]), Path(sys.argv[3]))
    else:
        main(tuple(int(size.replace(",", "")) for size in sys.argv[1:]) or SIZES)
