"""The walk through one response, from anchor to anchor: which vehicle the talk is about, and when it turns."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.find_values.match_rules import Taken
from pipeline.group_reports.anchors import Anchor, AnchorFinder
from pipeline.group_reports.names import Name
from pipeline.read_text.sentences import Sentence, containing
from pipeline.response import FoundValue


@dataclass(slots=True, eq=False)
class Vehicle:
    """One vehicle of a response: who has it, what it is called, and what was taken for it."""

    whose: str | None = None
    key: str = ""
    gender: str = ""
    name: Name | None = None
    order: str = ""
    taken: list[Taken] = field(default_factory=list)
    owner_words: tuple[int, int] | None = None
    declared: dict[str, FoundValue] = field(default_factory=dict)  # the values of fields that rule packs declare
    said: list[FoundValue] = field(default_factory=list)

    @property
    def has_values(self) -> bool:
        """Whether anything was taken that could make a report."""
        return any(taken.role not in ("year", "chemistry", "pack", "age", "months") for taken in self.taken)


_SEVERAL = re.compile(r"(?<!\w)(?:two|three|both|2 cars|couple of|pair of|zwei|beide|deux|dos|twee|to|due|dois)(?!\w)")


class Walk:
    """One response's way from anchor to anchor."""

    def __init__(
        self,
        text: str,
        spans: list[Sentence],
        anchors: list[Anchor],
        names: list[Name],
        taken: Sequence[Taken],
        on: re.Pattern[str],
        finder: AnchorFinder,
    ) -> None:
        self.text, self.spans, self.on, self.subsets = text, spans, on, finder.subsets
        self.finder = finder
        self.speaks = finder.speaks
        self.position = 0
        self.taken = sorted(taken, key=lambda t: t.start)
        self.events: list[tuple[int, int, Anchor | Taken]] = []
        for name in names:
            anchors.append(
                Anchor("name", name.start, name.end, name.text.lower(), None, "", name.text, name.sure >= 0.75)
            )
        self.names = {name.start: name for name in names}
        for anchor in anchors:
            self.events.append((self._effective(anchor), 0, anchor))
        for value in self.taken:
            self.events.append((value.start, 1, value))
        self.events.sort(key=lambda event: (event[0], event[1]))
        self.known: list[Vehicle] = [Vehicle()]
        self.current = self.known[0]
        self.shared: list[tuple[Taken, list[Vehicle]]] = []
        self.shared_with: list[Vehicle] = []
        self.opened_at = -99
        self.mentioned: list[Anchor] = []
        self.shared_until = -1
        self.several = any(a.kind in ("both", "order") for a in anchors) or bool(_SEVERAL.search(text))

    def _effective(self, anchor: Anchor) -> int:
        """Where an anchor begins to hold: "80k on mine" holds from the value on."""
        if self.on.search(self.text[max(0, anchor.start - 12) : anchor.start]):
            before = [value for value in self.taken if value.end <= anchor.start and anchor.start - value.end <= 14]
            if before and not re.search(r"[.!?;,]", self.text[before[-1].end : anchor.start]):
                first = before[-1]
                return first.start
        return anchor.start

    def vehicles(self) -> list[Vehicle]:
        """The vehicles that the walk met, with what was taken for each."""
        for position, _, event in self.events:
            if isinstance(event, Taken):
                self._give(position, event)
            else:
                self._turn(event)
        return self._finish()

    def _give(self, position: int, value: Taken) -> None:
        if position < self.shared_until:
            self.shared.append((value, self.shared_with))
        else:
            self.current.taken.append(value)

    # -- turning to a vehicle ---------------------------------------------------------------------------------

    def _turn(self, anchor: Anchor) -> None:
        self.position = anchor.end
        before = self.current
        self._dispatch(anchor)
        if self.current is not before and anchor.kind != "name":
            self.opened_at = anchor.end

    def _dispatch(self, anchor: Anchor) -> None:
        getattr(self, f"_turn_{anchor.kind}")(anchor)

    def _open(self, **attributes: object) -> Vehicle:
        """The first vehicle while nothing is known of it, else a new one."""
        first = self.known[0]
        if len(self.known) == 1 and not first.taken and first.whose is None and first.name is None and not first.order:
            vehicle = first
        else:
            vehicle = Vehicle()
            self.known.append(vehicle)
        for name, value in attributes.items():
            setattr(vehicle, name, value)
        self.current = vehicle
        self.opened_at = self.position
        return vehicle

    def _turn_relation(self, anchor: Anchor) -> None:
        for vehicle in self.known:
            if vehicle.key == anchor.key:
                self.current = vehicle
                return
        self._open(whose=anchor.whose, key=anchor.key, gender=anchor.gender, owner_words=(anchor.start, anchor.end))

    def _turn_mention(self, anchor: Anchor) -> None:
        self.mentioned.append(anchor)

    def _turn_fleet(self, anchor: Anchor) -> None:
        for vehicle in self.known:
            if vehicle.key == "fleet":
                self.current = vehicle
                return
        if (
            self.current.whose in (None, "own")
            and not self.current.key
            and self.current is self.known[0]
            and len(self.known) == 1
        ):
            self.current.whose, self.current.key, self.current.gender = "other", "fleet", "n"
            self.current.owner_words = (anchor.start, anchor.end)
            return
        self._open(whose="other", key="fleet", gender="n", owner_words=(anchor.start, anchor.end))

    def _turn_self(self, anchor: Anchor) -> None:
        """Mine, my, I charge: the speaker's own vehicle; "my" alone (my commute) opens none without a name near."""
        strong = anchor.key in self.finder.self_strong
        possessive = anchor.key in self.finder.possessive_own and not strong
        speakers = not self.current.key or self.current.key.startswith("name ")
        if self.current.whose == "own" and speakers and not strong:
            return
        if self.current.whose == "own" and not speakers and not strong and not (possessive and self._near_name(anchor)):  # noqa: SIM102
            # "we charge both": what the household does says nothing against the vehicle that is spoken of
            if possessive or anchor.key in self.finder.self_plural:
                return
        candidates = [v for v in self.known if v.whose in ("own", None) and (not v.key or v.key.startswith("name "))]
        if candidates:
            vehicle = next((v for v in candidates if not v.key), candidates[0])
            if self.current in candidates and vehicle.key != "":
                vehicle = self.current
            if vehicle.whose is None:
                vehicle.whose, vehicle.owner_words = "own", (anchor.start, anchor.end)
            if possessive and self.current.whose == "own":
                return
            self.current = vehicle
            return
        if possessive and not self._near_name(anchor):
            return
        if not strong and not possessive and self.current.whose == "other" and not self.current.taken:
            return
        self._open(whose="own", owner_words=(anchor.start, anchor.end))

    def _near_name(self, anchor: Anchor) -> bool:
        return any(0 <= start - anchor.end <= 14 for start in self.names)

    def _turn_pronoun(self, anchor: Anchor) -> None:
        """She, his, theirs: the last vehicle whose owner it fits; "His: ... Hers: ..." opens the couple's own."""
        label = self.text[anchor.end : anchor.end + 2].lstrip().startswith(":") or (
            anchor.key in ("his", "hers")
            and self.text[anchor.end : anchor.end + 8].lstrip().startswith(("is", "has", "car"))
        )
        for vehicle in reversed(self.known):
            if vehicle.gender and vehicle.gender in anchor.gender:
                self.current = vehicle
                return
        for vehicle in reversed(self.known):
            if vehicle.gender == "n" and vehicle.whose == "other" and anchor.key not in ("it", "its"):
                self.current = vehicle
                return
        if self.speaks.match(self.text, anchor.end) or self.finder.not_vehicle.match(self.text, anchor.end):
            return
        for person in reversed(self.mentioned):
            if (person.gender in anchor.gender or person.gender == "n") and anchor.start - person.end <= 300:
                self._open(
                    whose=person.whose, key=person.key, gender=person.gender, owner_words=(person.start, person.end)
                )
                return
        if label and anchor.key in ("his", "hers"):
            self._open(
                whose="own",
                key=anchor.key,
                gender="m" if anchor.key == "his" else "f",
                owner_words=(anchor.start, anchor.end),
            )

    def _turn_order(self, anchor: Anchor) -> None:
        index = anchor.key
        if index.startswith("number "):
            for vehicle in self.known:
                if vehicle.order == index:
                    self.current = vehicle
                    return
            if not self.current.order and not self.current.has_values:
                self.current.order = index
            elif self.current.has_values:
                self._open(
                    whose=self.current.whose,
                    order=index,
                    key=self.current.key and f"{self.current.key} {index}",
                    name=None,
                )
            return
        if index == "old":
            for vehicle in self.known:
                if vehicle.order == "old":
                    self.current = vehicle
                    return
            self._open(whose="own", order="old", owner_words=(anchor.start, anchor.end), key="old")
            return
        if index == "new":
            for vehicle in self.known:
                if vehicle.order == "new":
                    self.current = vehicle
                    return
            if any(vehicle.order == "old" or vehicle.taken for vehicle in self.known):
                for vehicle in self.known:
                    if vehicle.whose in (None, "own") and vehicle.order != "old" and not vehicle.has_values:
                        vehicle.order, self.current = "new", vehicle
                        return
                if any(vehicle.order == "old" for vehicle in self.known):
                    self._open(whose="own", order="new", owner_words=(anchor.start, anchor.end), key="new")
            return
        if index == "other":
            others = [vehicle for vehicle in self.known if vehicle is not self.current]
            if others and len(self.known) == 2:
                self.current = others[0]
            elif self.current.taken:
                self._open(whose=self.current.whose, order="other", key="other")
            return
        number = int(index)
        if number < 0:
            if len(self.known) > 1:
                self.current = self.known[number]
            return
        for vehicle in self.known:
            if vehicle.order == index:
                self.current = vehicle
                return
        if number < len(self.known) and (len(self.known) > 1) and not any(vehicle.order for vehicle in self.known):
            self.current = self.known[number]
            return
        if number == 0 and len(self.known) == 1:
            self.known[0].order = "0"
            return
        if number and (self.known[-1].taken):
            self._open(whose="own", order=index, key=f"order {index}")

    def _turn_both(self, anchor: Anchor) -> None:
        if len(self.known) < 2:
            return
        sentence = containing(self.spans, anchor.start)
        if sentence is None:
            return
        clause = next((c for c in sentence.clauses if c[0] <= anchor.start < c[1]), (sentence.start, sentence.end))
        targets = list(self.known)
        if anchor.key.startswith("subset "):
            indexes = self.subsets.get(anchor.key[7:], [])
            targets = [self.known[i] for i in indexes if -len(self.known) <= i < len(self.known)]
        if anchor.key == "of them" and len(self.known) < 2:
            return
        self.shared_until, self.shared_with = sentence.end, targets
        # values already given in this clause ("stop at 80 with both") are shared as well
        for vehicle in self.known:
            moved = [value for value in vehicle.taken if clause[0] <= value.start < anchor.start]
            for value in moved:
                vehicle.taken.remove(value)
            self.shared.extend((value, targets) for value in moved)

    def _turn_name(self, anchor: Anchor) -> None:
        name = self.names[anchor.start]
        words = set(name.text.lower().split())
        same = [vehicle for vehicle in self.known if vehicle.name and (set(vehicle.name.text.lower().split()) & words)]
        if self.current in same:
            if len(name.text) > len(self.current.name.text if self.current.name else ""):
                self.current.name = name
            return
        own_before = re.search(
            r"(?:^|\s)(?:my|our|mein|meine|unser|unsere|mon|ma|notre|mi|nuestro|nuestra|mijn|onze|min|vår|mio|mia|il mio|la mia|meu|minha)\s(?:\S+\s){0,2}$",  # noqa: E501
            self.text[max(0, anchor.start - 24) : anchor.start],
        )
        if self.current.name is None and len(self.known) > 1 and anchor.start - self.opened_at <= 30:
            self.current.name = name
            return
        if same and not (own_before and self.current.name is None):
            self.current = same[-1]
            return
        if self.current.name is None:
            self.current.name = name
            return
        if not anchor.strong and not self.several:
            return
        if self.several and name.sure >= 0.5 and self._listed(anchor):
            self._open(whose=self.current.whose, name=name, key=f"name {name.text.lower()}")
            return
        if (
            not self.current.has_values
            and not any(v.has_values for v in self.known)
            and len(self.known) == 1
            and not self._listed(anchor)
        ):
            # two names before any value: the later one is the better name only where the first is unsure
            if self.current.name.sure < name.sure:
                self.current.name = name
            return
        empty = [
            vehicle for vehicle in self.known if vehicle.name is None and not vehicle.taken and vehicle.whose == "own"
        ]
        if empty:
            empty[0].name = name
            self.current = empty[0]
            return
        whose = self.current.whose if not own_before else "own"
        self._open(
            whose=whose if self.current.key in ("", "fleet") or own_before else self.current.whose,
            name=name,
            key=f"name {name.text.lower()}",
        )

    def _listed(self, anchor: Anchor) -> bool:
        """Two vehicles named before their values: "a Tern and a Skua"."""
        previous = self.current.name
        if previous is None:
            return False
        gap = self.text[previous.end : anchor.start]
        return bool(
            re.fullmatch(r"[^.!?]{0,20}(?:\band\b|&|,|\bund\b|\bet\b|\by\b|\ben\b|\bog\b|\be\b)[^.!?]{0,20}", gap)
        )

    # -- the end ----------------------------------------------------------------------------------------------

    def _finish(self) -> list[Vehicle]:
        """Shares what was said of all, and folds vehicles of which nothing is told into the one that is left."""
        able = [vehicle for vehicle in self.known if vehicle.has_values]
        if self.shared:
            real = [vehicle for vehicle in self.known if vehicle.has_values or vehicle.name] or self.known[:1]
            for value, wanted in self.shared:
                for vehicle in real:
                    if vehicle in wanted or not any(v in wanted for v in real):
                        vehicle.taken.append(value)
            for vehicle in real:
                vehicle.taken.sort(key=lambda value: value.start)
            able = [vehicle for vehicle in self.known if vehicle.has_values]
        if len(able) == 1:
            only = able[0]
            for vehicle in self.known:
                if vehicle is only or (vehicle.whose or "own") != (only.whose or "own"):
                    continue
                if vehicle.order == "old" or only.order == "old":
                    continue
                if only.name is None and vehicle.name is not None:
                    only.name = vehicle.name
                if vehicle.name is None or only.name is None or vehicle.name.text.lower() in only.name.text.lower():
                    roles = {value.role for value in only.taken}
                    only.taken.extend(value for value in vehicle.taken if value.role not in roles)
                    only.taken.sort(key=lambda value: value.start)
        return [vehicle for vehicle in self.known if vehicle.taken]
