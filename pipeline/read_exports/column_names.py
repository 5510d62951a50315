"""What columns are called: reads `column_names.yaml` and tells which roles a header can have by its name alone."""

from __future__ import annotations

import re
import unicodedata
from functools import cache, lru_cache
from importlib import resources
from typing import Any

WHOLE, PATH_END, AMONG = 1.0, 0.95, 0.6
"""How far a name counts that is the whole header, the end of a dotted path, or only among the header's words."""
WEAK = 0.5
"""What a weak name counts, of what a strong one does."""

ONLY_WHOLE = ("source", "lang", "profile")
"""Roles whose names do not count among other words: "Network ID" and "Language of the form" are neither."""
SHORTEST_AMONG = 4
"""Characters of the shortest name that counts among other words ("by", "de" and "no" are in too many headers)."""

LONGEST_NAME = 200
"""Characters of the longest column name; survey questions are long."""

_CAMEL = re.compile(r"(?<=[a-z]{2})(?=[A-Z])")  # not in kWh, SoC
_NOT_A_WORD = re.compile(r"[^\w%#]+|_+")
_SPECIAL = str.maketrans({"ø": "o", "æ": "ae", "ß": "ss", "œ": "oe", "ð": "d", "þ": "th", "ł": "l", "’": " "})


def load_yaml(name: str) -> Any:
    """A YAML file that stands beside this module."""
    import yaml

    loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    with resources.files("pipeline.read_exports").joinpath(name).open(encoding="utf-8") as stream:
        return yaml.load(stream, loader)


@lru_cache(maxsize=4096)
def plain_words(name: str) -> str:
    """A header in plain words: "likeCount", "like_count" and "Like count" are all "like count"."""
    spaced = _CAMEL.sub(" ", name).replace("%", " % ").casefold().translate(_SPECIAL)
    letters = "".join(sign for sign in unicodedata.normalize("NFKD", spaced) if not unicodedata.combining(sign))
    return " ".join(_NOT_A_WORD.sub(" ", letters).split())


@cache
def _known() -> tuple[dict[str, dict[str, float]], frozenset[str]]:
    """Name -> role -> weight; and the names that are never anything."""
    data = load_yaml("column_names.yaml")
    never = frozenset(plain_words(str(name)) for names in data.pop("never").values() for name in names)
    names: dict[str, dict[str, float]] = {}
    for role, strengths in data.items():
        for strength, languages in strengths.items():
            for words in languages.values():
                for word in words:
                    roles = names.setdefault(plain_words(str(word)), {})
                    roles[role] = max(roles.get(role, 0.0), 1.0 if strength == "strong" else WEAK)
    return names, never


def never_anything(name: str) -> bool:
    """Whether a column is set aside whatever it holds (labels, technical data); a path counts by its first part too."""
    never = _known()[1]
    parts = [plain_words(part) for part in re.split(r"[./]", name) if part]
    return plain_words(name) in never or (bool(parts) and (parts[0] in never or parts[-1] in never))


@lru_cache(maxsize=4096)
def _roles_by_name(name: str) -> tuple[tuple[str, float], ...]:
    names = _known()[0]
    whole = plain_words(name)
    if whole in names:
        return tuple((role, WHOLE * weight) for role, weight in names[whole].items())
    parts = [plain_words(part) for part in re.split(r"[./]", name) if plain_words(part)]
    for start in range(1, len(parts)):
        end = " ".join(parts[start:])
        if end in names:
            return tuple((role, PATH_END * weight) for role, weight in names[end].items())
    words = whole.split()
    found: dict[str, float] = {}
    for length in range(min(len(words), 6), 0, -1):
        for start in range(len(words) - length + 1):
            name_part = " ".join(words[start : start + length])
            if len(name_part) < SHORTEST_AMONG:
                continue
            for role, weight in names.get(name_part, {}).items():
                if role in ONLY_WHOLE:
                    continue
                found[role] = max(found.get(role, 0.0), weight * (AMONG + 0.3 * length / len(words)))
    return tuple(found.items())


def roles_by_name(name: str) -> dict[str, float]:
    """Role -> 0..1, how far the header's name alone speaks for it.  Empty for a column that is never anything."""
    return {} if never_anything(name) else dict(_roles_by_name(name))


def is_known_name(name: str) -> bool:
    """Whether a cell reads like a column's name: a usual one, one that is set aside, or a survey's question."""
    if len(name) > LONGEST_NAME or (len(name) > 60 and name.rstrip().endswith((".", "!"))):  # a sentence, no name
        return False
    if never_anything(name) or _is_listed(name):
        return True
    from pipeline.read_exports.survey_questions import question_for

    return question_for(name) is not None


def _is_listed(name: str) -> bool:
    """Whether a whole name, or a path's end, is in the list; names that only stand among words do not count here."""
    names = _known()[0]
    return plain_words(name) in names or plain_words(re.split(r"[./]", name)[-1]) in names
