"""The characters that stand for quantities in an abstract text: one private-use character a kind."""

from __future__ import annotations

KINDS = {
    "percent": "\ue001",  # 3.7 %
    "hundred": "\ue002",  # 100, 100 %, a hundred percent
    "number": "\ue003",  # a bare number up to 100
    "big": "\ue004",  # a bare number from 101 to 1,999
    "thousands": "\ue005",  # 31k, 27,450, sixty thousand: a large number without a unit
    "distance": "\ue006",  # 1,000 km and more
    "stretch": "\ue007",  # a distance under 1,000 km: a range, a trip
    "duration": "\ue008",  # two years, 18 months
    "year": "\ue009",  # 2021, '22, MY23
    "energy": "\ue00a",  # 57.5 kWh
    "charge": "\ue00b",  # 281 Ah
    "voltage": "\ue00c",  # 3.2 V
    "frequency": "\ue00d",  # twice a week
    "fraction": "\ue00e",  # a third, 9 of 10
    "window": "\ue00f",  # 20-80 %
    "other": "\ue010",  # 17.9 kWh/100km, 23 degrees, 1,900 euros
    "score": "\ue011",  # 98/100
    "rate": "\ue012",  # 15,000 miles a year, 1 % a day
    "ratio": "\ue013",  # 60:40
    "points": "\ue014",  # 3 percentage points
}
NAME_OF = {character: name for name, character in KINDS.items()}
SLOT_CHARACTERS = "".join(KINDS.values())
"""All of them, as they stand in a character class."""
