"""A report as the joining of vehicles sees it: who, when, which vehicle, what was read, and hints in the words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pipeline.join_copies.plain_text import look_plain
from pipeline.join_copies.vehicle_names import name_words

DAY = 86_400_000_000
"""Microseconds in a day."""

_NICKEL = frozenset(("nickel", "NMC", "NCA", "NMCA", "LMO", "LNMO"))

_PEOPLE_WORDS: dict[str, str] = {
    "spouse": """wife husband partner spouse missus hubby girlfriend boyfriend frau ehemann femme mari mujer marido
        moglie marito vrouw kona fru sambo hers""",
    "child": "son daughter kid kids sohn tochter fils fille hijo hija figlio figlia zoon dochter datter",
    "sister": "sister schwester soeur sœur hermana sorella zus zuster soster syster irma",
    "brother": "brother bruder frere hermano fratello broer bror irmao",
    "mother": "mother mum mom mutter mama mere madre moeder",
    "father": "father dad vater papa pere padre vader",
    "parents": "parents eltern padres genitori ouders foreldre inlaws in-laws",
    "neighbour": """neighbour neighbor nachbar nachbarin voisin voisine vecino vecina vicino buurman buurvrouw nabo
        granne""",
    "colleague": "colleague coworker workmate kollege kollegin collegue colega collega kollega",
    "boss": "boss jefe baas sjef",
    "friend": "friend buddy pal freund freundin ami amie amigo amiga amico amica vriend vriendin venn kompis",
    "uncle": "uncle onkel oncle",
    "aunt": "aunt auntie tante",
    "cousin": "cousin cousine cugino cugina neef fetter kusine",
    "grandparent": "grandfather grandmother grandpa grandma grandad gran nan opa oma",
    "customer": "customer client kunde kundin klant",
    "fleet": "fleet taxis cabs flotte",
}
_PEOPLE: dict[str, str] = {word: person for person, words in _PEOPLE_WORDS.items() for word in words.split()}
_COLOUR_WORDS: dict[str, str] = {
    "white": "white weisse weisser blanc blanche blanco blanca bianco bianca witte hvit hvite vit",
    "black": "black schwarze schwarzer noir noire negro negra nero nera zwarte svart svarte",
    "red": "red rote roter rouge rojo roja rosso rossa rode",
    "blue": "blue blaue blauer bleu bleue azul blu blauwe bla",
    "green": "green grune gruner vert verte verde groene gronn gronne",
    "grey": "grey gray graue grauer gris grigio grigia grijze gra",
    "silver": "silver silberne silberner argent plateado argento zilveren",
    "yellow": "yellow gelbe gelber jaune amarillo gialla giallo gele gul",
}
_COLOURS: dict[str, str] = {word: colour for colour, words in _COLOUR_WORDS.items() for word in words.split()}
_ANOTHER = re.compile(
    r"\b(?:(?:the|my|our|her|his) (?:other|second|2nd) (?:car|one|ev|vehicle|electric)|second car|other car|"
    r"zweitwagen|zweite[sn]? auto|anderes auto|also (?:have|own|drive|run)|deuxieme voiture|autre voiture|"
    r"segundo coche|otro coche|seconda auto|tweede auto|andre bilen|car (?:two|2|b)\b)"
)
_REPLACED = re.compile(
    r"\b(?:new (?:pack|battery)|(?:pack|battery) (?:was |got |has been |is )?(?:replaced|swapped|exchanged|changed)|"
    r"replace(?:d|ment) (?:pack|battery|the pack|the battery)|under warranty|neuer? akku|akku getauscht|"
    r"nouvelle batterie|bateria nueva|nuova batteria|nieuwe accu|nytt batteri)"
)


_AGAIN = re.compile(
    r"\b(?:(?:the |that )?same (?:car|old|[a-z]+ (?:as|from)|one)|update|follow[ -]?up|once more|last time|since my|"
    r"(?:a|half a) year (?:on|later)|(?:weeks|months|years?|winters?|summers?) (?:on|later)|"
    r"my (?:last|earlier|previous|old|first) (?:post|comment|answer|numbers?)|"
    r"as (?:i|we) (?:said|wrote|posted|reported)|nachtrag|gleiche[rs]? wagen|selbe[rs]? |"
    r"mise a jour|actualizacion|aggiornamento|oppdatering|uppdatering)"
)


@dataclass(frozen=True, slots=True)
class Reading:
    """One report.  `person` is whose it is said to be, `another` that the words speak of a second car,
    `again` that they call themselves an update, `replaced` that the pack was exchanged."""

    report: str
    response: str
    number: int  # its place in the response
    at: int | None  # microseconds since 1970
    source: str
    own: bool | None
    name: tuple[str, ...]
    make: str | None
    model: str | None
    year: int | None
    chemistry: str | None
    km: float | None
    months: float | None
    loss: float | None
    loss_origin: str | None
    limit: float | None
    pack: float | None
    person: str | None
    colour: str | None
    another: bool
    replaced: bool
    again: bool = False
    text: str = ""  # the response's, for telling an edit of the same statement

    @property
    def rank(self) -> tuple[bool, int, str]:
        """Its place in time; ties go by id."""
        return (self.at is None, self.at or 0, self.report)


def read_row(row: Mapping[str, Any], *, text: str, number: int, alone: bool, said_at: int | None = None) -> Reading:
    """The reading of one row of `reports`.

    `text` is its response's; `alone` says that the response has no other report (of another's vehicle, where this is
    one), and `said_at` where in the text the report begins to be told.
    """
    whose = row.get("whose")
    name = row.get("vehicle_text") or ""
    near = look_plain(text if alone else _around(text, name, said_at))
    resolved = " ".join(part for part in (row.get("make"), row.get("model")) if part)
    return Reading(
        report=row["report_id"],
        response=row["response_id"],
        number=number,
        at=moment(row.get("posted_at")),
        source=row.get("source") or "",
        own=None if whose is None else whose == "own",
        name=name_words(name) or name_words(resolved),
        make=_lower(row.get("make")),
        model=_lower(row.get("model")),
        year=row.get("model_year"),
        chemistry=row.get("chemistry") if row.get("chemistry_origin") != "listed" else None,
        km=row.get("odometer_km"),
        months=row.get("age_months"),
        loss=row.get("loss_pct"),
        loss_origin=row.get("loss_origin"),
        limit=row.get("charge_limit_pct"),
        pack=row.get("pack_kwh"),
        person=_person(near),
        colour=_colour(name),
        another=bool(_ANOTHER.search(near)),
        again=alone and bool(_AGAIN.search(near)),
        replaced=bool(_REPLACED.search(near)),
        text=text,
    )


def chemistries_fit(left: str, right: str) -> bool:
    """Whether one cell can be called both: "nickel" is any of the nickel and manganese family, NMC is not NCA."""
    return left == right or ("nickel" in (left, right) and left in _NICKEL and right in _NICKEL)


def moment(at: Any) -> int | None:
    """A time as microseconds since 1970, or None."""
    if at is None:
        return None
    return at if isinstance(at, int) else round(at.timestamp() * 1e6)


def _around(text: str, name: str, place: int | None) -> str:
    """The words that lead up to a vehicle's name, where a response speaks of several."""
    if name and (place is None or not text.startswith(name, place)):
        near = text.find(name, max(0, (place or 0) - 40))
        place = near if near >= 0 else text.find(name)
    return "" if place is None or place < 0 else text[max(0, place - 40) : place + max(len(name), 20)]


def _colour(name: str) -> str | None:
    return next((_COLOURS[word] for word in look_plain(name).split() if word in _COLOURS), None)


def _person(text: str) -> str | None:
    for word in re.findall(r"[^\W\d_]+(?:'s?)?", text):
        if person := _PEOPLE.get(word.split("'")[0]) or _PEOPLE.get(word.split("'")[0].removesuffix("s")):
            return person
    return None


def _lower(name: str | None) -> str | None:
    return name.casefold() if name else None
