"""Invented responses in any number for the benchmarks: 60 % chatter, 40 % answers, from many varied clauses.

    python tests/bench/generate_thread.py COUNT [SEED]          prints them, one a line

Everything is put together from clauses whose words and figures vary, so that hardly two texts are the same and no
cache can stand in for reading.  The same seed gives the same responses, whatever the count.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator
from itertools import islice

NAMES = (
    "Norrvik Tern",
    "Tern",
    "Norrvik Skua",
    "Skua Long Range",
    "Calder Fell",
    "Calder Ridge",
    "Ondine 40",
    "Fell",
    "Ridge",
    "Ondine",
    "Tern GT",
    "Norrvik Dunlin",
    "Dunlin",
    "Skua",
)
PLACES = (
    "Bergen",
    "Leeds",
    "Porto",
    "Utrecht",
    "Lyon",
    "Graz",
    "Turku",
    "Galway",
    "Gdansk",
    "Modena",
    "Bilbao",
    "Malmö",
    "Aarhus",
    "Ghent",
    "Zurich",
    "Split",
    "Tartu",
    "Brno",
    "Cork",
    "Lincoln",
)
PEOPLE = (
    "wife",
    "husband",
    "sister",
    "brother",
    "neighbour",
    "dad",
    "mum",
    "boss",
    "colleague",
    "son",
    "daughter",
    "aunt",
)
THINGS = (
    "the intro music",
    "the bit about balancing",
    "the guest from last week",
    "that chart",
    "the interview",
    "the host's voice",
    "the winter test",
    "the segment on buses",
    "the listener letters",
    "the new studio sound",
    "the story about the ferry",
    "the question about fuses",
    "the section on recycling",
    "the bad jokes",
)
FEELINGS = (
    "lovely",
    "brilliant",
    "a bit long",
    "too short",
    "spot on",
    "rather confusing",
    "the best so far",
    "worth a second listen",
    "hilarious",
    "very useful",
    "not for me",
    "nicely done",
    "over my head",
    "exactly what I needed",
    "oddly moving",
)
VERBS = (
    "listened to",
    "shared",
    "skipped",
    "replayed",
    "enjoyed",
    "missed",
    "recommended",
    "argued about",
    "quoted",
    "liked",
)
CHATTER = (
    "{thing} was {feeling}.",
    "I {verb} {thing} on the way to {place}.",
    "Greetings from {place}!",
    "My {person} {verb} this twice.",
    "First!",
    "Honestly, {thing} is {feeling}.",
    "Does anyone know where {thing} can be found?",
    "Sorry, but {thing} was {feeling}.",
    "Can you do an episode about {topic}?",
    "@{handle} I could not agree more, {thing} was {feeling}.",
    "Who else {verb} {thing}?",
    "We need more of {topic} and less of {topic}.",
    "My {person} from {place} says hello.",
    "Still waiting for my car, the dealer in {place} says soon.",
    "{topic} would be {feeling} as a topic.",
    "I never thought I would care about {topic}.",
    "lol {thing}",
    "thanks for {thing}, {feeling}",
    "Is it just me or was {thing} {feeling}?",
    "At {minute}:{second} {thing} is {feeling}.",
    "Been listening since {year} and {thing} is {feeling}.",
    "The weather in {place} is {feeling} today.",
    "{person} and I {verb} {thing} over breakfast.",
    "Nobody in {place} talks about {topic}.",
    "That joke about {topic}, {feeling}!",
    "Please invite the guest from {place} again.",
    "Subscribed because of {thing}.",
)
TOPICS = (
    "heat pumps",
    "tow bars",
    "cargo bikes",
    "tyre noise",
    "roof boxes",
    "ferries",
    "solar roofs",
    "dash cams",
    "road trips",
    "used prices",
    "vans",
    "charging etiquette",
    "cable locks",
    "old diesels",
    "street parking",
    "winter tyres",
    "night trains",
)
OPENERS = (
    "{year} {name}, {chemistry}.",
    "{name} {year} here.",
    "Our {name} is from {year}.",
    "I drive a {year} {name} in {place}.",
    "{name}, {chemistry} pack, bought {ago} ago.",
    "My {person}'s {name}, {year}.",
    "Mine is a {year} {name}.",
    "{name} owner in {place}.",
    "Taxi driver in {place}, {year} {name}.",
    "We bought our {name} new in {year}.",
)
ODOMETERS = (
    "{km} km on it.",
    "{km} km so far.",
    "The odometer says {km} km.",
    "{miles} miles on the clock.",
    "Just passed {km} km.",
    "{k}k km.",
    "{k}k miles and counting.",
    "It has done {km} km.",
    "I am at {miles} miles now.",
    "Odo {km} km.",
)
LOSSES = (
    "Lost {loss} %.",
    "Down {loss} percent.",
    "SoH {soh} % at the last service.",
    "State of health {soh} %.",
    "Degradation is {loss} % so far.",
    "Range was {new} km when new, now {now} km.",
    "{loss} % degradation.",
    "The app says {soh} % battery health.",
    "No loss that I can see.",
    "It used to show {new} km at full, now {now} km.",
    "It has lost about {loss} % of its capacity.",
    "Usable energy went from {kwh} kWh to {kwh_now} kWh.",
)
HABITS = (
    "I charge to {limit} % every day.",
    "Always charged to full.",
    "Daily limit {limit} %, to full {often}.",
    "Charge to full {often}.",
    "Usually between {floor} and {limit} %.",
    "Never above {limit} %.",
    "I keep it between {floor} % and {limit} %.",
    "To {limit} % at home, full only before long trips.",
    "DC charging maybe {dc} % of the time.",
    "Mostly slow charging at home.",
)
ASIDES = (
    "The heater is {feeling}.",
    "My {person} wants one too.",
    "Love the car.",
    "No complaints in {place}.",
    "Winter costs me {winter} % of the range.",
    "Would buy again.",
    "I paid {price} euros for it.",
    "Warranty is {warranty} years or 160,000 km.",
    "Commute of {trip} km a day.",
    "The dealer in {place} was {feeling}.",
    "Ask me anything.",
    "Two kids and a dog on board.",
    "Consumption is {use} kWh/100 km.",
)


class Thread:
    """A source of responses; `answers` is the share that reports on a vehicle."""

    def __init__(self, seed: int = 7, answers: float = 0.4) -> None:
        self.random = random.Random(seed)
        self.answers = answers

    def __iter__(self) -> Iterator[tuple[str, bool]]:
        """Text, and whether it was made as an answer; without end."""
        while True:
            answer = self.random.random() < self.answers
            yield (self.answer() if answer else self.chatter()), answer

    def chatter(self) -> str:
        """One to four sentences that report nothing."""
        pick = self.random
        return self._fill(" ".join(pick.sample(CHATTER, pick.choice((1, 1, 2, 2, 3, 4)))))

    def answer(self) -> str:
        """An opener, then most of distance, loss and habit in any order, and asides."""
        pick = self.random
        said = [pick.choice(kind) for kind in (ODOMETERS, LOSSES, HABITS) if pick.random() < 0.8] or [
            pick.choice(LOSSES)
        ]
        said += pick.sample(ASIDES, pick.choice((0, 0, 1, 1, 2)))
        pick.shuffle(said)
        return self._fill(" ".join([pick.choice(OPENERS), *said]))

    def _fill(self, clauses: str) -> str:
        pick = self.random
        km = pick.randrange(4_000, 290_000)
        loss, limit = round(pick.uniform(0.5, 19), 1), pick.choice((70, 75, 80, 85, 90))
        new, kwh = pick.randrange(240, 560), round(pick.uniform(38, 95), 1)
        ways = (f"{km:,}", f"{km}", f"{km:,}".replace(",", " "), f"{km:,}".replace(",", "."))
        while "{" in clauses:
            start = clauses.index("{")
            end = clauses.index("}", start)
            match clauses[start + 1 : end]:
                case "thing":
                    word = pick.choice(THINGS)
                case "feeling":
                    word = pick.choice(FEELINGS)
                case "verb":
                    word = pick.choice(VERBS)
                case "topic":
                    word = pick.choice(TOPICS)
                case "person":
                    word = pick.choice(PEOPLE)
                case "place":
                    word = pick.choice(PLACES)
                case "name":
                    word = pick.choice(NAMES)
                case "handle":
                    word = f"{pick.choice(('volt', 'amp', 'fern', 'moss', 'kettle'))}{pick.choice(PLACES).lower()}"
                case "chemistry":
                    word = pick.choice(("LFP", "NMC", "iron phosphate", "nickel", "NCA", "lfp"))
                case "often":
                    word = pick.choice(
                        ("every Sunday", "once a week", "twice a month", "once a month", "every fortnight")
                    )
                case "ago":
                    word = pick.choice(("three years", "18 months", "four years", "a year"))
                case "km":
                    word = pick.choice(ways)
                case "k":
                    word = str(km // 1000)
                case "miles":
                    word = f"{int(km / 1.609344):,}"
                case "loss":
                    word = str(loss)
                case "soh":
                    word = f"{100 - loss:.1f}"
                case "new":
                    word = str(new)
                case "now":
                    word = str(int(new * (1 - loss / 100)))
                case "kwh":
                    word = str(kwh)
                case "kwh_now":
                    word = f"{kwh * (1 - loss / 100):.1f}"
                case "limit":
                    word = str(limit)
                case kind:
                    word = str(pick.randint(*_NUMBERS[kind]))
            clauses = clauses[:start] + word + clauses[end + 1 :]
        return clauses


_NUMBERS = {
    "minute": (1, 48),
    "second": (10, 59),
    "year": (2016, 2025),
    "floor": (10, 35),
    "dc": (5, 60),
    "winter": (12, 35),
    "price": (14_000, 58_000),
    "warranty": (5, 8),
    "trip": (12, 90),
    "use": (13, 24),
}


def responses(count: int, seed: int = 7) -> Iterator[str]:
    """So many responses, one at a time."""
    return (text for text, _ in islice(Thread(seed), count))


def texts(count: int, seed: int = 7) -> list[str]:
    """So many responses."""
    return list(responses(count, seed))


if __name__ == "__main__":
    for text in texts(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 7):
        print(text)
