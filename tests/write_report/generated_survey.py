"""A survey of any size whose true curves are known, with mix-ups planted in it (for tests that need many answers).

Loss in per cent: a root of the distance times the chemistry's factor, with a person's own shift and rounding as people
round.  Everything is drawn from one seeded generator, so the same arguments give the same file.
"""

from __future__ import annotations

import csv
import math
import random
from dataclasses import dataclass, field
from pathlib import Path

MODELS = (
    ("Norrvik Tern", "LFP (iron phosphate)", "LFP", 2022, 2024),
    ("Calder Moss", "LFP (iron phosphate)", "LFP", 2021, 2024),
    ("Calder Fell", "NMC", "NMC", 2018, 2022),
    ("Norrvik Skua", "NMC", "NMC", 2021, 2023),
    ("Ondine 60", "NMC", "NMC", 2018, 2024),
    ("Calder Ridge", "NCA", "NCA", 2019, 2022),
)
TRUE_LOSS_AT_100_000_KM = {"LFP": 4.5, "NMC": 7.5, "NCA": 8.0}
YEAR = 2025
HEADERS = (
    "Timestamp", "Nickname", "Which vehicle?", "Model year", "How far has it gone?", "Unit (km/miles)",
    "Battery type", "Capacity lost in %", "Daily charging limit (%)",
)  # fmt: skip


@dataclass
class Answer:
    number: int
    person: int
    model: str
    year: int
    km: float
    unit: str
    battery: str
    loss: float
    limit: int
    day: int
    planted: str = ""

    @property
    def source_response_id(self) -> str:
        return str(self.number + 2)  # the header is row 1

    def row(self) -> list[str]:
        distance = self.km if self.unit == "km" else self.km / 1.609344
        shown = f"{distance:.0f}"
        when = (
            f"{1 + self.day % 28:02d}/{1 + self.day // 28:02d}/{YEAR} {8 + self.person % 12:02d}:{self.number % 60:02d}"
        )
        name = f"listener {self.person}"
        return [
            when,
            name,
            self.model,
            str(self.year),
            shown,
            self.unit,
            self.battery,
            f"{self.loss:g}",
            str(self.limit),
        ]


@dataclass
class Survey:
    answers: list[Answer] = field(default_factory=list)

    @property
    def planted(self) -> dict[str, str]:
        """The export's own id -> the mix-up that was planted there."""
        return {answer.source_response_id: answer.planted for answer in self.answers if answer.planted}

    def write(self, path: Path) -> Path:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(HEADERS)
            writer.writerows(answer.row() for answer in self.answers)
        return path


def true_loss(chemistry: str, km: float) -> float:
    return TRUE_LOSS_AT_100_000_KM[chemistry] * math.sqrt(km / 100_000)


def survey(count: int, seed: int = 1, *, plant: bool = True) -> Survey:
    """`count` answers of about 0.8 x `count` people (households with two cars, so that answers are clustered)."""
    draw = random.Random(seed)
    made = Survey()
    person, shift, theirs = 0, 0.0, list(MODELS)
    for number in range(count):
        if not number or not theirs or draw.random() < 0.8:
            person, shift, theirs = person + 1, draw.gauss(0, 0.5), list(MODELS)
        # Two cars of one household are never alike: the program would take them for one car told twice.
        model, battery, chemistry, first, last = theirs.pop(draw.randrange(len(theirs)))
        year = draw.randint(first, min(last, YEAR - 1))
        age = YEAR + 0.5 - year - 0.5
        km = min(450_000.0, max(2_000.0, 17_000 * math.exp(draw.gauss(0, 0.42)) * max(age, 0.6)))
        loss = max(0.0, true_loss(chemistry, km) * math.exp(draw.gauss(0, 0.12)) + shift + draw.gauss(0, 0.4))
        loss = round(loss) if draw.random() < 0.5 else round(loss, 1)
        unit = "miles" if draw.random() < 0.35 else "km"
        limit = draw.choice((80, 80, 90, 100, 70))
        day = draw.randrange(150, 200)
        made.answers.append(Answer(number, person, model, year, km, unit, battery, loss, limit, day))
    if plant:
        _plant(made, draw)
    return made


def _plant(made: Survey, draw: random.Random) -> None:
    """Ten mix-ups on answers drawn at random, among those for which the mistake makes a difference at all."""
    free = list(made.answers)
    draw.shuffle(free)

    def take(fits: object = None) -> Answer:
        for answer in free:
            if fits is None or fits(answer):  # type: ignore[operator]
                free.remove(answer)
                return answer
        raise AssertionError("no answer fits")

    def old(answer: Answer) -> bool:
        return answer.year <= 2021

    for _ in range(2):  # the number on the clock is in km, the box says miles, and the driver drives a lot
        answer = take(lambda one: one.km / (YEAR - one.year) > 34_000 and one.year <= 2023)
        answer.km, answer.unit, answer.planted = answer.km * 1.609344, "miles", "km told as miles"
    answer = take(lambda one: old(one) and one.km / (YEAR - one.year) < 8_500)
    answer.km, answer.unit, answer.planted = answer.km / 1.609344, "km", "miles told as km"
    for _ in range(2):  # the charge limit read off as the battery's health
        answer = take(lambda one: one.limit == 80 and one.loss < 9)
        answer.loss, answer.planted = 20.0, "charge limit told as health"
    answer = take(lambda one: one.model == "Calder Moss")
    answer.battery, answer.planted = "NMC", "another chemistry than the vehicle has"
    answer = take(lambda one: one.model == "Ondine 60")
    answer.battery, answer.planted = "LFP (iron phosphate)", "another chemistry than the vehicle has"
    answer = take(lambda one: one.loss >= 4 and one.loss % 1 > 0)
    answer.loss, answer.planted = round(answer.loss * 10, 1), "a slip of the decimal mark in the loss"
    answer = take(lambda one: old(one) and one.km > 60_000)
    answer.km, answer.planted = answer.km / 10, "a digit too few on the odometer"
    answer = take(lambda one: one.year <= 2020 and one.km > 110_000)
    answer.year, answer.planted = YEAR - 1, "the age of another car"
