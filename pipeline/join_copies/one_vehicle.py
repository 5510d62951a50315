"""Whether two readings by one author are of one vehicle: what speaks for it, what against it, in points.

Some things settle it: two reports of one response are two vehicles, an own and another's vehicle are two, and so are
two names that do not fit.  Everything else is weighed, because people misread, round and mistype: the same name, year
and chemistry outweigh one slip in the odometer, but not a slip in the odometer and another chemistry.  The points are
our own choice, set on hand-made examples; they are a ranking, not a probability.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

from pipeline.dataset_columns import KM_PER_MILE
from pipeline.join_copies.plain_text import read_plain
from pipeline.join_copies.readings import DAY, Reading, chemistries_fit
from pipeline.join_copies.shingles import jaccard
from pipeline.join_copies.vehicle_names import names_fit

KM_A_DAY = 300.0
"""More than a car is driven on average over months: a taxi in two shifts comes to about 300 km."""
READING_NOISE_KM = 300.0
READING_NOISE = 0.02
"""Odometers are told rounded ("about 31k"): a difference of up to 2 % or 300 km is none."""
LOSS_NOISE = 2.0
"""Points by which two readings of one loss differ without a cause (display steps, rounding)."""
RANGE_NOISE = 5.0
"""The same where one was told by range or energy (UN GTR 22 grants the on-board monitor 5 points)."""
SLIP = 0.25
"""An odometer that falls by up to this share may be a slip; by more, another vehicle is likelier."""


@dataclass(slots=True)
class Weighing:
    """Points for (positive) and against one vehicle; `settled` means two vehicles whatever the points."""

    points: float = 0.0
    settled: bool = False
    conflict: bool = False
    reasons: list[str] = field(default_factory=list)

    def add(self, points: float, reason: str) -> None:
        """Counts an argument."""
        self.points += points
        self.reasons.append(reason)

    def against(self, points: float, reason: str) -> None:
        """Counts a contradiction: two readings that contradict each other need more to be one vehicle's."""
        self.conflict = True
        self.add(-points, reason)


TWO_VEHICLES = Weighing(settled=True)


def weigh(one: Reading, two: Reading) -> Weighing:
    """What speaks for and against two readings of one author being of one vehicle; the same both ways round."""
    if one.response == two.response or (one.own is not None and two.own is not None and one.own != two.own):
        return TWO_VEHICLES
    if two.rank < one.rank:
        one, two = two, one
    fit = names_fit(*sorted((one.name, two.name)))
    if one.model and two.model and one.model != two.model and not _part_of(one.model, two.model):
        fit = None
    if fit is None and not _maker_alone(one, two):
        return TWO_VEHICLES
    weighing = Weighing()
    if fit:
        weighing.add(2.0 * fit, "the same name")
    _weigh_person(one, two, weighing)
    _weigh_build(one, two, weighing)
    _weigh_odometer(one, two, weighing)
    _weigh_age(one, two, weighing)
    _weigh_loss(one, two, weighing)
    if two.again and not one.again and (fit or one.year == two.year):
        weighing.add(1.5, "the later one calls itself an update")
    days = days_between(one, two)
    if days is not None and days <= 30 and _edit_of(one, two):
        weighing.add(4.0 if days <= 1 else 3.0, "nearly the same words")
    return weighing


def enough(weighing: Weighing, one: Reading, two: Reading) -> bool:
    """Whether the points make two readings one vehicle's."""
    if weighing.settled:
        return False
    least = 1.0 if weighing.conflict else 0.0
    if one.own is False or two.own is False:
        least = max(least, 2.0)  # others' vehicles are many; only a name or a person tells them
    return weighing.points >= least


def days_between(one: Reading, two: Reading) -> float | None:
    """Days from one reading to the other, or None where a time is unknown."""
    return None if one.at is None or two.at is None else abs(two.at - one.at) / DAY


def odometer_falls(earlier: float, later: float) -> bool:
    """Whether an odometer has gone back by more than rounding explains."""
    return earlier - later > noise_km(earlier)


def noise_km(km: float) -> float:
    """How far two tellings of one odometer may differ."""
    return max(READING_NOISE * km, READING_NOISE_KM)


def loss_noise(one: Reading, two: Reading) -> float:
    """How far two tellings of one loss may differ, in points."""
    coarse = ("range", "energy")
    return RANGE_NOISE if one.loss_origin in coarse or two.loss_origin in coarse else LOSS_NOISE


def looks_like_a_slip(one: float, two: float) -> bool:
    """Whether one odometer is the other with a wrong unit, a digit too few or many, or one digit mistyped."""
    low, high = sorted((one, two))
    if low <= 0:
        return False
    ratio = high / low
    if abs(ratio / KM_PER_MILE - 1) < 0.03 or abs(ratio / 10 - 1) < 0.05:
        return True
    left, right = f"{round(low)}", f"{round(high)}"
    differing = [place for place in range(len(left)) if left[place] != right[place]] if len(left) == len(right) else []
    if len(right) == len(left) + 1 and len(left.rstrip("0")) >= 3:
        return any(right[:place] + right[place + 1 :] == left for place in range(len(right)))
    swapped = sorted(left) == sorted(right) and len(differing) == 2
    return bool(differing) and (swapped or len(differing) == 1) and len(left.rstrip("0")) >= 2


def _part_of(one: str, two: str) -> bool:
    shorter, longer = sorted((one, two), key=len)
    return longer.startswith(shorter + " ")


def _maker_alone(one: Reading, two: Reading) -> bool:
    """One says only the maker ("my Norrvik") where the other says the model, and the list knows them for one."""
    return one.make is not None and one.make == two.make and (one.model is None or two.model is None)


def _weigh_person(one: Reading, two: Reading, weighing: Weighing) -> None:
    others = one.own is False and two.own is False
    if one.person and two.person:
        if one.person == two.person:
            weighing.add(1.5 if others else 0.5, f"said to be the {one.person}'s")
        elif others:
            weighing.against(3.0, f"said to be the {one.person}'s and the {two.person}'s")
    elif (one.person or two.person) == "spouse" and not others:
        weighing.add(-0.5, "one is said to be the spouse's")
    if one.colour and two.colour:
        if one.colour == two.colour:
            weighing.add(1.0, f"both {one.colour}")
        else:
            weighing.against(3.0, f"one {one.colour}, one {two.colour}")
    if one.another != two.another:
        weighing.add(-3.0, "one is said to be a second car")


def _weigh_build(one: Reading, two: Reading, weighing: Weighing) -> None:
    if one.year is not None and two.year is not None:
        if one.year == two.year:
            weighing.add(2.0, f"both of {one.year}")
        else:
            weighing.against(4.0, f"model years {one.year} and {two.year}")
    if one.chemistry and two.chemistry:
        if one.chemistry == two.chemistry:
            weighing.add(1.0, f"both {one.chemistry}")
        elif chemistries_fit(one.chemistry, two.chemistry):
            weighing.add(0.5, f"{one.chemistry} fits {two.chemistry}")
        else:
            weighing.against(3.0, f"chemistry {one.chemistry} and {two.chemistry}")
    if one.pack and two.pack:
        ratio = max(one.pack, two.pack) / min(one.pack, two.pack)
        if ratio <= 1.12:
            weighing.add(0.5, "the same pack size")
        elif ratio > 1.2:
            weighing.against(3.0, f"packs of {one.pack:g} and {two.pack:g} kWh")
    if one.limit is not None and one.limit == two.limit:
        weighing.add(0.25, f"both charged to {one.limit:g} %")


def _weigh_odometer(one: Reading, two: Reading, weighing: Weighing) -> None:
    if one.km is None or two.km is None:
        return
    days = days_between(one, two)
    said = f"{one.km:,.0f} km, then {two.km:,.0f} km"
    more = two.km - one.km
    if abs(more) <= noise_km(max(one.km, two.km)):
        weighing.add(2.0 if days is None or days <= 150 else 1.0, f"odometers agree ({said})")
    elif days is None:
        weighing.add(0.0, f"odometers {said}, times unknown")
    elif more < 0:
        if -more <= SLIP * one.km or looks_like_a_slip(one.km, two.km):
            weighing.against(2.0, f"the odometer falls a little ({said})")
        else:
            weighing.against(6.0, f"the odometer falls ({said})")
    elif more <= KM_A_DAY * days + 1500:
        weighing.add(1.0, f"the odometer rises ({said} in {days:.0f} days)")
    elif more <= SLIP * one.km or looks_like_a_slip(one.km, two.km):
        weighing.against(2.0, f"the odometer rises too fast ({said} in {days:.0f} days)")
    else:
        weighing.against(5.0, f"the odometer rises far too fast ({said} in {days:.0f} days)")


def _weigh_age(one: Reading, two: Reading, weighing: Weighing) -> None:
    births = [_birth(reading) for reading in (one, two)]
    if births[0] is not None and births[1] is not None and one.months is not None and two.months is not None:
        apart = abs(births[0] - births[1])
        if apart <= 1.0:
            weighing.add(0.5, "the ages agree")
        elif apart > 1.75:
            weighing.against(2.0 if apart <= 3 else 4.0, f"ages of {one.months:g} and {two.months:g} months")
    for young, other in ((one, two), (two, one)):
        birth = _birth(young)
        if birth is None or young.year is not None or other.year is None:
            continue
        if not -1.5 <= birth - (other.year + 0.5) <= 2.5:
            weighing.against(3.0, f"{young.months:g} months old against model year {other.year}")


def _birth(reading: Reading) -> float | None:
    """The year in which a vehicle of a stated age was new."""
    if reading.months is None or reading.at is None:
        return None
    return 1970 + reading.at / DAY / 365.25 - reading.months / 12


def _weigh_loss(one: Reading, two: Reading, weighing: Weighing) -> None:
    if one.loss is None or two.loss is None:
        return
    days = days_between(one, two)
    more = two.loss - one.loss
    if days is not None and -more > max(6.0, loss_noise(one, two)) and not two.replaced:
        weighing.add(-1.0, f"the loss heals from {one.loss:g} to {two.loss:g} %")
    elif days is not None and more > 6.0 + days / 60:
        weighing.add(-1.0, f"the loss jumps from {one.loss:g} to {two.loss:g} % in {days:.0f} days")
    elif abs(more) <= 0.5:
        weighing.add(0.5, f"losses of {one.loss:g} and {two.loss:g} %")


def _edit_of(one: Reading, two: Reading) -> bool:
    """Whether two responses are one statement with some figures changed."""
    left, right = _plain(one.text), _plain(two.text)
    return min(len(left), len(right)) >= 15 and jaccard(left, right) >= 0.5


@lru_cache(maxsize=1024)
def _plain(text: str) -> str:
    return read_plain(text).plain
