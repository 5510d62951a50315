"""Finds, in a JSON document of any shape, the lists of objects that are the responses, and reads their objects.

The document passes by twice as events (`json_events`): once to weigh every place where objects stand, once to read
the objects of the places chosen.  Only one record at a time is held as Python objects.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from pipeline.read_exports.flat_records import has_identity, is_text_key, text_of
from pipeline.read_exports.json_events import BrokenJson, Builder, Event
from pipeline.read_exports.json_keys import (
    ANSWER_KEYS,
    AUTHOR_KEYS,
    BLOCKED_KEYS,
    ID_KEYS,
    QUESTION_KEYS,
    REPLY_KEYS,
    plain_key,
)

MOST_PLACES = 200_000
"""Documents with more different places than this (objects keyed by id, say) are weighed by the first of them."""
MOST_LISTS = 200
ITEM = "[]"
_PROSE = 12
_KNOWN = 8
"""A character under a key that names a text counts as much as so many under another key (titles, addresses)."""
_THREAD_NAMES = ("id", "key", "slug", "url", "link", "permalink", "title", "name", "subject")


@dataclass(slots=True, eq=False)
class Place:
    """A place in the document's shape: the key `key` (or "[]" for a list's members) below `parent`."""

    parent: Place | None
    key: str
    depth: int
    below: dict[str, Place] = field(default_factory=dict)
    objects: int = 0
    identified: int = 0
    weight: dict[str, int] = field(default_factory=dict)
    holders: dict[str, int] = field(default_factory=dict)

    @property
    def total(self) -> int:
        """How much text the objects of this place carry themselves (what nested lists carry is theirs)."""
        return sum(self.weight.values())

    def names(self) -> list[str]:
        """The keys from the document's root down to here, list members left out."""
        out: list[str] = []
        place: Place | None = self
        while place is not None and place.parent is not None:
            if place.key != ITEM:
                out.append(place.key)
            place = place.parent
        return out[::-1]

    def above(self) -> Iterator[Place]:
        """The places around this one, the nearest first."""
        place = self.parent
        while place is not None:
            yield place
            place = place.parent


@dataclass(slots=True)
class Choice:
    """The places chosen (outermost records only), the key that carries the text, and every place's root."""

    places: list[Place]
    main_key: str
    root: Place


@dataclass(slots=True)
class _Frame:
    place: Place
    is_map: bool
    record: _Frame | None
    key: str = ""
    texts: dict[str, int] = field(default_factory=dict)
    identified: bool = False
    asks: bool = False
    answers: bool = False
    names: dict[str, Any] = field(default_factory=dict)


class _Walk:
    """Follows the events and knows at which place each value stands."""

    def __init__(self, root: Place | None = None) -> None:
        self.root = root or Place(None, "", 0)
        self.frames: list[_Frame] = []
        self.count = 1

    def place(self) -> Place:
        """Where the value stands that comes next."""
        if not self.frames:
            return self.root
        top = self.frames[-1]
        key = top.key if top.is_map else ITEM
        found = top.place.below.get(key)
        if found is None:
            if self.count >= MOST_PLACES:
                key = "\0other"
                if (found := top.place.below.get(key)) is not None:
                    return found
            found = top.place.below[key] = Place(top.place, key, top.place.depth + 1)
            self.count += 1
        return found

    def enter(self, is_map: bool) -> _Frame:
        """Takes note of an object or a list that begins."""
        place = self.place()
        outer = self.frames[-1] if self.frames else None
        record = outer.record if outer is not None else None
        frame = _Frame(place, is_map, record)
        if is_map and (outer is None or not outer.is_map):
            frame.record = frame
        self.frames.append(frame)
        return frame


def weigh(events: Iterable[Event]) -> _Walk:
    """Weighs every place of the document.  A document that breaks off is weighed as far as it goes (no error)."""
    walk = _Walk()
    try:
        for name, value in events:
            if name == "map_key":
                frame = walk.frames[-1]
                frame.key = value
                if frame.record is frame:
                    plain = plain_key(value)
                    frame.asks = frame.asks or plain in QUESTION_KEYS
                    frame.answers = frame.answers or plain in ANSWER_KEYS
            elif name == "start_map" or name == "start_array":
                walk.enter(name == "start_map")
            elif name == "end_map" or name == "end_array":
                _leave(walk.frames.pop(), walk.frames)
            elif name == "string" and walk.frames:
                _weigh_text(walk.frames[-1], value)
            elif walk.frames and value is not None and walk.frames[-1].record is not None:
                record = walk.frames[-1].record
                record.identified = record.identified or plain_key(walk.frames[-1].key) in ID_KEYS
    except BrokenJson:
        while walk.frames:
            _leave(walk.frames.pop(), walk.frames)
    return walk


def _weigh_text(frame: _Frame, value: str) -> None:
    record = frame.record
    key = frame.key if frame.is_map else _key_around(frame)
    if record is None or not value:
        return
    plain = plain_key(key)
    if plain in ID_KEYS or plain in AUTHOR_KEYS:
        record.identified = True
    elif is_text_key(key, None):
        record.texts[key] = record.texts.get(key, 0) + _KNOWN * len(value)
    elif len(value) >= _PROSE and " " in value:
        record.texts[key] = record.texts.get(key, 0) + len(value)


def _key_around(frame: _Frame) -> str:
    place: Place | None = frame.place
    while place is not None and place.key == ITEM:
        place = place.parent
    return place.key if place is not None else ""


def _leave(frame: _Frame, around: list[_Frame]) -> None:
    if frame.record is not frame:
        return
    outer = around[-1].record if around else None
    if frame.asks and frame.answers and outer is not None:  # one answer of a survey row: the row is the record
        for key, weight in frame.texts.items():
            outer.texts[key] = outer.texts.get(key, 0) + weight
        return
    place = frame.place
    place.objects += 1
    place.identified += frame.identified
    for key, weight in frame.texts.items():
        place.weight[key] = place.weight.get(key, 0) + weight
        place.holders[key] = place.holders.get(key, 0) + 1


def choose(walk: _Walk) -> Choice | None:
    """The places that hold the responses: the one with the most text, others like it, and what is around them.

    A place around the best one is taken instead where its objects are responses themselves (threads of posts with
    replies); None where no object carries any text.
    """
    places: list[Place] = []
    stack = [walk.root]
    while stack:
        place = stack.pop()
        if place.objects and place.total:
            places.append(place)
        stack.extend(reversed(place.below.values()))
    lists = [place for place in places if place.key == ITEM and not _blocked(place)] or places
    if not lists:
        return None
    best = max(lists, key=lambda place: place.total)
    main_key = max(best.weight, key=lambda key: best.weight[key])
    chosen = [_outermost(best, main_key)]
    inside = {id(chosen[0])}
    outside: set[int] = set()
    for place in sorted(lists, key=lambda place: -place.total):
        if len(chosen) >= MOST_LISTS:
            break
        if place.holders.get(main_key, 0) * 10 < 3 * place.objects or place is best:
            continue
        if _is_inside(place, inside, outside):
            continue
        place = _outermost(place, main_key)
        if any(id(place) == id(around) for one in chosen for around in one.above()):
            continue
        inside.add(id(place))
        outside.clear()
        chosen.append(place)
    order = {id(place): number for number, place in enumerate(places)}
    chosen.sort(key=lambda place: order.get(id(place), 0))
    return Choice(chosen, main_key, walk.root)


def _is_inside(place: Place, inside: set[int], outside: set[int]) -> bool:
    """True for a chosen place and what is below one; notes every place that it passes, so that none is asked twice."""
    passed = [id(place)]
    found = passed[0] in inside
    if not found:
        for around in place.above():
            if id(around) in inside:
                found = True
            if found or id(around) in outside:
                break
            passed.append(id(around))
    (inside if found else outside).update(passed)
    return found


def _blocked(place: Place) -> bool:
    names = (around.key for around in (place, *itertools.islice(place.above(), 12)) if around.key != ITEM)
    return any(plain_key(name) in BLOCKED_KEYS for name in itertools.islice(names, 6))


def _outermost(place: Place, main_key: str) -> Place:
    top = place
    child_key = _list_key(place)
    for around in place.above():
        if around.objects:
            has_main = around.holders.get(main_key, 0) * 10 >= 3 * around.objects
            has_text = any(
                count * 10 >= 3 * around.objects and is_text_key(key, main_key) for key, count in around.holders.items()
            )
            known = around.identified * 2 >= around.objects and around.identified > 0
            keyed = plain_key(child_key) in REPLY_KEYS
            if around.key == ITEM:
                fits = has_main or (has_text and known and keyed)
            else:
                fits = around.parent is None and (has_main or has_text) and (known or (has_main and keyed))
            if fits:
                top = around
            child_key = _list_key(around)
        elif around.key != ITEM:
            child_key = around.key if plain_key(around.key) in REPLY_KEYS else child_key
    return top


def _list_key(place: Place) -> str:
    above = place.parent
    while above is not None and above.key == ITEM:
        above = above.parent
    return above.key if above is not None else ""


def read_place(events: Iterable[Event], choice: Choice, place: Place) -> Iterator[tuple[dict[str, Any], str | None]]:
    """The objects at `place`, each with the id or name of the list member around it (its thread), where there is one.

    Where the document breaks off, `BrokenJson` comes through; a record that was cut within its replies is given before
    that without the reply that was cut, any other cut record is not given.
    """
    walk = _Walk(choice.root)
    builder: Builder | None = None
    thread: str | None = None
    try:
        for name, value in events:
            if builder is not None:
                if builder.feed(name, value):
                    yield builder.value, thread
                    builder = None
            elif name == "map_key":
                walk.frames[-1].key = value
            elif name == "start_map":
                if walk.place() is place:
                    builder, thread = Builder(), _thread(walk)
                    builder.feed(name, value)
                else:
                    walk.enter(True)
            elif name == "start_array":
                walk.enter(False)
            elif name == "end_map" or name == "end_array":
                walk.frames.pop()
            elif walk.frames and walk.frames[-1].is_map and isinstance(value, str | int):
                frame = walk.frames[-1]
                if (plain := plain_key(frame.key)) in _THREAD_NAMES:
                    frame.names.setdefault(plain, value)
    except BrokenJson:
        if builder is not None and (whole := _without_cut_reply(builder, choice.main_key)) is not None:
            yield whole, thread
        raise


def _thread(walk: _Walk) -> str | None:
    for frame in reversed(walk.frames):
        if frame.record is frame and frame.place.parent is not None:
            for name in _THREAD_NAMES:
                if name in frame.names:
                    return str(frame.names[name])
    return None


def _without_cut_reply(builder: Builder, main_key: str) -> dict[str, Any] | None:
    """The record without its last, unfinished reply; None where the cut is in the record itself."""
    record: dict[str, Any] = builder.value
    opened = builder.open
    for level in range(len(opened) - 1, 0, -1):
        if not isinstance(opened[level], list):
            continue
        members: list[Any] = opened[level]
        if level + 1 < len(opened):
            members.pop()
        responses = [one for one in members if isinstance(one, dict) and has_identity(one)]
        if responses or any(
            isinstance(one, dict) and any(is_text_key(key, main_key) for key in one) for one in members
        ):
            return record
    return None


def keyed_records(tree: Any, main_key: str) -> list[dict[str, Any]]:
    """Records given as an object of objects by id (`{"a1": {"text": ...}, "a2": ...}`): the fullest such object's.

    Each gets its key as `id` where it has none.  Empty where the document holds none.
    """
    best: list[dict[str, Any]] = []
    stack = [tree]
    while stack:
        value = stack.pop()
        if isinstance(value, list):
            stack.extend(value)
        elif isinstance(value, dict):
            inner = [one for one in value.values() if isinstance(one, dict)]
            stack.extend(one for one in value.values() if isinstance(one, dict | list))
            if len(inner) < 2 or len(inner) * 5 < len(value) * 4:
                continue
            telling = sum(text_of(one, main_key) is not None for one in inner)
            if telling * 5 >= len(inner) * 3 and len(inner) > len(best):
                best = [
                    one if "id" in one else {"id": key, **one} for key, one in value.items() if isinstance(one, dict)
                ]
    return best
