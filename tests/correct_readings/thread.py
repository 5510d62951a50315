"""A small thread for tests of corrections, with the vehicle list that goes with it; all of it is invented."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

HEADER = ("id", "author", "posted", "comment")
THREAD: dict[str, tuple[str, str, str]] = {
    "c1": ("@mossback", "2025-03-01T08:00:00Z", "My 2022 Tern has 62,000 km on it and lost 4 %. I stop at 80."),
    "c2": ("@mossback", "2025-09-01T08:00:00Z", "Update on my Tern: 71,000 km on it now, it has lost 5 %."),
    "c3": ("@reedling", "2025-03-02T09:00:00Z", "Two here: Skua (LFP) lost 4 %, the Fell (nickel pack) lost 9 %."),
    "c4": ("@heathcock", "2025-03-03T10:00:00Z", "Nothing to add, great programme as ever!"),
    "c5": ("@dipper", "2025-03-04T11:00:00Z", "2021 Skua, 48,000 km on the clock, down 3 %, always charged to 90."),
    "c6": ("@whinchat", "2025-03-05T12:00:00Z", "2021 Skua, 48,000 km on the clock, down 3 %, always charged to 90."),
    "c7": ("@ouzel", "2025-03-06T13:00:00Z", "Calder Ridge from 2020, odometer 90,500 km, SoH 93 %, daily limit 80 %."),
    "c8": ("@ouzel_radio", "2025-06-06T13:00:00Z", "Our Ridge stands at 96,000 km, battery health 92 %."),
    "c9": ("@pipit", "2025-03-07T14:00:00Z", "The range was 400 km when new and is 380 km today, 55,000 km driven."),
}
"""id -> author, time, text."""

VEHICLES = """make,model,variant,year_from,year_to,chemistry,usable_kwh
Norrvik,Tern,,2019,2021,NMC,50.0
Norrvik,Tern,,2022,,LFP,57.5
Norrvik,Skua,,2020,,LFP,61.0
Calder,Ridge,,2019,,NMC,72.0
Calder,Fell,,2019,,NMC,64.0
"""


def write_thread(path: Path, rows: Mapping[str, Sequence[str]] = THREAD) -> Path:
    """The thread as a CSV export."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([HEADER, *([own, *row] for own, row in rows.items())])
    return path
