"""Pages of a paged API: JSON files of one shape, side by side and numbered, are one source and one thread."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.read_exports.open_inputs import InputFile, Names
from pipeline.read_exports.to_responses import Repeats
from pipeline.read_exports.unpack import bare_name

_NUMBERED = re.compile(r"(.*?)(\d+)(\.json)", re.I | re.S)
_PAGE_WORD = re.compile(r"page|offset|seite|pagina|página|side|sida|part|batch|cursor|chunk", re.I)
ALIKE = 0.5
"""Share of the keys of two pages that must be the same."""


@dataclass(slots=True)
class _Group:
    source: str
    keys: frozenset[str]
    repeats: Repeats = field(default_factory=Repeats)


@dataclass(slots=True)
class Pages:
    """Gives each file its source, its thread and the counter of repeats that its source shares."""

    names: Names
    _groups: dict[tuple[str, str], _Group] = field(default_factory=dict)

    def place_of(self, file: InputFile, head: bytes) -> tuple[str, str | None, Repeats]:
        """(source, thread or None, repeats) of a file whose first bytes are `head`."""
        stem = page_stem(file.name, file.siblings)
        keys = top_keys(head) if stem is not None else frozenset()
        if stem is None or not keys:
            return self.names.name_for(file), None, Repeats()
        group = self._groups.get((file.folder, stem))
        if group is None:
            source = self._group_name(file, stem)
            group = self._groups[file.folder, stem] = _Group(source, keys)
        elif len(keys & group.keys) < ALIKE * len(keys | group.keys):
            return self.names.name_for(file), None, Repeats()
        return group.source, group.source, group.repeats

    def _group_name(self, file: InputFile, stem: str) -> str:
        folder = os.path.basename(file.folder.replace("!", "/").rstrip("/"))
        wanted = folder or stem.strip("-_. ") or "pages"
        unique, number = wanted, 1
        while unique in self.names.taken:
            number += 1
            unique = f"{wanted} ({number})"
        self.names.taken.add(unique)
        return unique


def page_stem(name: str, siblings: Sequence[str]) -> str | None:
    """The common part of a page's name, where the file is one of several numbered files side by side; else None."""
    match = _NUMBERED.fullmatch(bare_name(os.path.basename(name)))
    if match is None:
        return None
    others = (_NUMBERED.fullmatch(bare_name(os.path.basename(other))) for other in siblings)
    numbers = sorted(int(other[2]) for other in others if other and other[1] == match[1])
    if len(numbers) < 2:
        return None
    return match[1] if numbers[0] <= 1 or _PAGE_WORD.search(match[1]) else None


def top_keys(head: bytes) -> frozenset[str]:
    """The keys of a JSON file's outermost object, or of the objects of its outermost list, as far as `head` goes."""
    import ijson

    keys: set[str] = set()
    try:
        for prefix, event, value in ijson.parse(head):
            if event == "map_key" and prefix in ("", "item"):
                keys.add(str(value))
    except ijson.JSONError:
        pass
    return frozenset(keys)
