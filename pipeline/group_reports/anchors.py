"""Words that turn the talk to a vehicle: an owner ("my sister's", "mine", "hers"), an order ("the other one"), a name.

Each language's words stand in `languages/<code>.yaml`; this module only finds them in a text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from pipeline.declarative_files import parse_yaml
from pipeline.read_text.wordings import ANYTHING, Guarded, wordings


@dataclass(slots=True)
class Anchor:
    """One such place.

    `kind`: self, relation, mention (somebody without a vehicle so far), pronoun, order, name, both, fleet; `key` tells
    the vehicle within its kind.
    """

    kind: str
    start: int
    end: int
    key: str = ""
    whose: str | None = None
    gender: str = ""
    name: str = ""
    strong: bool = True


@cache
def tracker_data(language: str) -> dict[str, Any]:
    """The words of `languages/<code>.yaml`, or an empty dictionary where the language has none."""
    path = resources.files("pipeline.group_reports") / "languages" / f"{language}.yaml"
    try:
        text = path.read_text("utf8")
    except FileNotFoundError:
        return {}
    return dict(parse_yaml(text, f"group_reports/languages/{language}.yaml") or {})


def _any(words: Iterable[Any]) -> str:
    """Alternatives, longest first; words with signs of regular expressions are taken as such."""
    ordered = sorted((str(word) for word in words), key=lambda w: (-len(w), w))
    return "|".join(word.replace(" ", r"\s") for word in ordered) or r"(?!)"


def _guarded(expression: str, needs: str, *, whole: bool = True) -> Guarded:
    """An expression with the one whose words it needs; without `whole` those may begin inside longer words."""
    before = "" if whole else ANYTHING
    return Guarded(expression, (before + wording for wording in wordings(needs)))


class AnchorFinder:
    """Finds the owner and order words of one language (names come from `names`)."""

    def __init__(self, data: dict[str, Any]) -> None:
        self.relations: list[tuple[Guarded, str, str]] = []
        my = _any(data.get("possessive_own") or ["my"])
        speaks = _any(data.get("speaks") or [])
        after_own = data.get("possessive_suffix") or r"(?:'s|s'|s(?=\s\w))"
        verbs = (
            data.get("owner_verbs")
            or "(?:has|have|had|drives|drive|drove|owns|own|runs|run|got|is|are|was|charges|charge|bought|does|did|goes|gets|leases|just hit|now has|plugs|keeps|lives|never|always|only|stops|fills|on|with|at|who|in|had in|in on|commutes|took|uses|went|sits|also|she|he|:|,|\\()"  # noqa: E501
        )
        article = data.get("relation_articles") or "(?:the|a|an|another|one|this|some|his|her|our|my|his|her|their)"
        not_vehicles = _any(data.get("not_vehicles") or [])
        has_verbs = data.get("has_verbs") or "(?:has|drives|owns)"
        every = _any(word for entry in data.get("relations") or [] for word in entry["words"])
        self.relation_word = re.compile(rf"\s?(?:{every})(?!\w)")
        self.mentions: list[tuple[Guarded, str, str]] = []
        for entry in data.get("relations") or []:
            words = _any(entry["words"])
            bare = rf"(?:^|(?<=[.!?:;,(\n]))\s*(?=(?:{words})(?:{after_own}|\s?:|\s?\(|(?:\s\w+){{0,4}}?\s{has_verbs}(?!\w)))"  # noqa: E501
            theirs = data.get("theirs") or r"(?:his|her|hers|their|he|she|they|it)"
            owner = (
                rf"(?<!from\s)(?<!by\s)(?<!for\s)(?<!than\s)(?<!to\s)(?<!at\s)(?:(?<!\w)(?:{my}|{article})\s(?:[\w'-]+\s){{0,2}}?|{bare})"
                rf"(?P<who>{words})(?:{after_own}(?!\w)(?!\s(?:{not_vehicles})(?!\w))|\s?(?={verbs}(?!\w))|(?:,\swho[^,.!?]{{3,60}},\s?(?={has_verbs}))|(?:\s[\w']+){{1,3}}?(?:'s(?!\w)|\s(?={has_verbs}(?!\w)))|(?=\s?\()|(?=\s?$)|(?=\s(?:{speaks})\s(?:\w+\s){{0,2}}?{theirs}(?!\w)))"
                rf"(?!\s(?:{speaks})(?!\w)(?!\s(?:\w+\s){{0,2}}?{theirs}(?!\w)))"
                if not data.get("relation_pattern")
                else data["relation_pattern"]
                .replace("{my}", my)
                .replace("{words}", words)
                .replace("{speaks}", speaks)
                .replace("{verbs}", verbs)
                .replace("{article}", article)
            )
            self.relations.append((_guarded(owner, f"(?:{words})s?"), entry["whose"], entry.get("gender", "n")))
            if entry["whose"] == "other":
                gives = (
                    data.get("gives")
                    or r"\s(?:\w+\s)?(?:passed|gave|left|sold|handed|lent|bought|bequeathed)\s(?:it\sto\s)?(?:me|us)"
                )
                mention = rf"(?<!from\s)(?<!by\s)(?<!with\s)(?<!\w)(?:{my}|{article}|one)\s(?:[\w'-]+\s){{0,2}}?(?P<who>{words})(?!\w)(?!{gives})"  # noqa: E501
                self.mentions.append((_guarded(mention, words), entry["whose"], entry.get("gender", "n")))
        described = rf"(?<!\w){data.get('described')}(?!\w)"
        belongs = data.get("belongs") or r"(?:of|belongs\sto|belonging\sto|owned\sby)"
        self.belongs = re.compile(rf"(?<!\w){belongs}\s(?:{my}|{article})\s(?:\w+\s)?(?P<who>{every})(?!\w)")
        self.not_vehicle = re.compile(rf"\s(?:\w+\s)?(?:{not_vehicles})(?!\w)")
        self.whose_of = {
            str(w): (e["whose"], e.get("gender", "n")) for e in data.get("relations") or [] for w in e["words"]
        }
        self.described = _guarded(described, described) if data.get("described") else None
        self.possessive_own = frozenset(str(word) for word in data.get("possessive_own") or ())
        self.self_strong = frozenset(str(word) for word in data.get("self_strong") or ())
        self.self_plural = frozenset(str(word) for word in data.get("self_plural") or ())
        self.own_self = re.compile(rf"(?<![\w'])(?:{_any(data.get('own_self') or [])})(?![\w])")
        fleet = "|".join(data.get("fleet") or ["(?!)"])
        self.fleet = _guarded(rf"(?<!\w)(?:{fleet})(?!\w)", fleet)
        self.numbered = (
            re.compile(rf"(?<!\w){data['numbered']}\s?(\d{{1,3}}|[a-d])(?!\w)") if data.get("numbered") else None
        )
        self.subsets = {str(word): list(indexes) for word, indexes in (data.get("subset") or {}).items()}
        self.subset = _guarded(rf"(?<!\w)(?:{_any(self.subsets)})(?!\w)", _any(self.subsets))
        both = _any(data.get("both") or [])
        self.both = _guarded(rf"(?<![\w])(?:{both})(?!\w)", both)
        self.ordinals = [
            (_guarded(rf"(?:{_any(entry['words'])})(?!\w)", _any(entry["words"]), whole=False), str(entry["index"]))
            for entry in data.get("ordinals") or []
        ]
        self.pronouns: dict[str, re.Pattern[str]] = {}
        by_word: dict[str, str] = {}
        for gender, words in (data.get("pronouns") or {}).items():
            for word in words:
                by_word.setdefault(str(word), "")
                by_word[str(word)] += gender
        self.pronoun = _guarded(rf"(?<![\w'])(?:{_any(by_word)})(?![\w])", _any(by_word))
        self.pronoun_gender = by_word
        self.speaks = re.compile(rf"\s(?:also\s)?(?:{speaks})(?!\w)")

    def find(self, text: str, folded: str) -> list[Anchor]:
        """The anchors in an abstract text, in order; `folded` is the same text with its numbers."""
        out: list[Anchor] = []
        for pattern, whose, gender in self.relations:
            for match in pattern.finditer(text):
                if not self.relation_word.match(text, match.end()):
                    out.append(Anchor("relation", match.start(), match.end(), match.group("who"), whose, gender))
        for match in self.belongs.finditer(text):
            whose, gender = self.whose_of.get(match.group("who"), ("other", "n"))
            if not any(anchor.start < match.end() and match.start() < anchor.end for anchor in out):
                out.append(Anchor("relation", match.start(), match.end(), match.group("who"), whose, gender))
        strong = [(anchor.start, anchor.end) for anchor in out]
        for pattern, whose, gender in self.mentions:
            for match in pattern.finditer(text):
                if not any(start < match.end() and match.start() < end for start, end in strong):
                    out.append(Anchor("mention", match.start(), match.end(), match.group("who"), whose, gender))
        out.extend(Anchor("fleet", m.start(), m.end(), "fleet", "other") for m in self.fleet.finditer(folded))
        if self.described:
            out.extend(
                Anchor("order", m.start(), m.end(), f"number {m.group(1)}") for m in self.described.finditer(text)
            )
        if self.numbered:
            out.extend(
                Anchor("order", m.start(), m.end(), f"number {m.group(1)}") for m in self.numbered.finditer(folded)
            )
        for pattern, index in self.ordinals:
            out.extend(Anchor("order", m.start(), m.end(), index) for m in pattern.finditer(text))
        out.extend(Anchor("both", m.start(), m.end(), m.group()) for m in self.both.finditer(text))
        out.extend(Anchor("both", m.start(), m.end(), f"subset {m.group()}") for m in self.subset.finditer(text))
        taken = [(anchor.start, anchor.end) for anchor in out]
        for match in self.own_self.finditer(text):
            if not any(start <= match.start() < end for start, end in taken):
                out.append(Anchor("self", match.start(), match.end(), match.group(), "own"))
        for match in self.pronoun.finditer(text):
            if not any(start <= match.start() < end for start, end in taken):
                out.append(
                    Anchor(
                        "pronoun", match.start(), match.end(), match.group(), None, self.pronoun_gender[match.group()]
                    )
                )
        return sorted(out, key=lambda anchor: (anchor.start, -anchor.end))
