"""What the name model changes in the vehicles that were told apart: only names, and only unsure or missing ones."""

from __future__ import annotations

import pytest

from pipeline.find_values.name_model import likely_names
from pipeline.group_reports.anchors import tracker_data
from pipeline.group_reports.model_names import may_name, settle_names
from pipeline.group_reports.names import Name, NameFinder
from pipeline.group_reports.vehicles import Vehicle

FINDER = NameFinder(tracker_data("en"), "en")
TEXT = "Just picked up my old Brembly Zanto from the garage: 81,000 miles and still 93% health."


class WithValues(Vehicle):
    """A vehicle that something was said of."""

    __slots__ = ()

    @property
    def has_values(self) -> bool:
        return True


def vehicle(name: str | None, sure: float, text: str = TEXT) -> Vehicle:
    start = text.index(name) if name else 0
    return WithValues(name=Name(start, start + len(name), name, sure) if name else None)


def settled(one: Vehicle, text: str = TEXT, blanked: tuple[tuple[int, int], ...] = ()) -> str | None:
    settle_names(text, [one], blanked, FINDER)
    return one.name.text if one.name else None


def test_a_missing_name_is_filled() -> None:
    assert settled(vehicle(None, 0)) == "Brembly Zanto"


def test_an_unsure_name_where_the_model_sees_none_gives_way() -> None:
    assert settled(vehicle("garage", 0.6)) == "Brembly Zanto"


def test_a_sure_name_stays() -> None:
    assert settled(vehicle("garage", 0.9)) == "garage"


def test_a_name_in_a_quotation_fills_nothing() -> None:
    assert settled(vehicle(None, 0), blanked=((0, len(TEXT)),)) is None


def test_a_vehicle_without_values_is_left_alone() -> None:
    one = Vehicle()
    settle_names(TEXT, [one], (), FINDER)
    assert one.name is None and likely_names(TEXT, 0.5)


@pytest.mark.parametrize(
    ("text", "may"),
    [
        ("my brembly is at 93%", True),
        ("I have the Fell for two years", True),
        ("mine is a x40 with 80k km", True),
        ("Mine has done 81,000 miles. Still at 93% health after all these years.", False),
        ("", False),
    ],
)
def test_texts_in_which_no_word_can_be_a_name_are_not_asked(text: str, may: bool) -> None:
    assert may_name(text, FINDER) is may
