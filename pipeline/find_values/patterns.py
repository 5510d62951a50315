r"""The pattern language of rules, compiled to regular expressions over the abstract text.

A pattern is written like the words that it reads, its parts separated by blanks:

    down by? {loss:percent}            a word, an optional word, a slot that gives the value of `loss`
    <lost> .. {loss:percent}           a word class of the lexicon, then up to three further words
    {km:distance|thousands} on the <clock>
    (it's|its|is) at {health:level}    one of several phrases

Slots: `{role:kind|kind}` takes the quantity for a role, `{kind}` only asks that one stands there (also inside a group).
Kinds are those of `read_text.quantities.KINDS`, or the groups of `GROUPS` below.  `..` is a gap of up to three words,
`...` of up to eight; a gap never crosses a quantity, a sentence end or a line; `..` does not cross a comma either.
`^` is the start of a clause (what stands before it is the text's beginning, a sign such as `.`, `,` or `:`, or a line's
end), `$` its end (such a sign, the text's end, "and" or "but"); both stand alone, between blanks.  `,` is a comma that
may be absent.  Between two parts blanks, colons, dashes, an opening bracket and a word of approximation ("about",
"nearly") may stand.  Groups may hold groups, to any depth.  Anything after a backslash is taken literally.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.problems import RuleProblem
from pipeline.read_text.slots import KINDS, NAME_OF, SLOT_CHARACTERS

GROUPS: dict[str, tuple[str, ...]] = {
    "pct": ("percent", "hundred", "window"),
    "level": ("percent", "hundred", "number"),
    "span": ("window", "percent", "number"),
    "dist": ("distance", "stretch"),
    "far": ("distance", "thousands"),
    "km": ("distance", "stretch", "thousands", "big"),
    "reach": ("stretch", "big", "hundred", "number"),
    "any": tuple(KINDS),
}
_NOT_SLOT = f"[^{SLOT_CHARACTERS}]"
_GAP_WORD = rf"[^\s{SLOT_CHARACTERS},.;!?()\n]+"
_GAP_WORD_COMMA = rf"[^\s{SLOT_CHARACTERS}.;!?\n]+"
_LIGHT = r"[ :=*\"'(\[~/@<>+-]"
SEPARATOR = rf"{_LIGHT}*"
_CLAUSE_START = r"(?:(?<=[.!?;,()\n:\-])|(?<=\A))[\s*•>\"'-]*"
_CLAUSE_END = r"(?=\s*(?:[.,;!?)\n\"]|\Z| -|\band\b|\bbut\b))"
MOST_ROLES = 32
LONGEST_REACH = 300
"""How often a class of characters may repeat where a rule says without end: a rule never looks further than this."""
_ENDLESS = re.compile(r"((?:\[(?:\\.|[^\]\\])+\]|(?<!\\)\.))([*+])")
DEEPEST = 30
"""So many brackets may stand in one another."""
_CLASS = re.compile(r"<[\w-]+>\??")


def parts_of(source: str, where: str, *, strict: bool = True) -> list[str]:
    """The parts of a pattern as they are written; `RuleProblem` names a bracket that is not closed or not opened.

    `strict` also refuses a part that begins right behind a group, where the group's words never match.
    """
    parts: list[str] = []
    position = 0
    while position < len(source):
        if source[position].isspace():
            position += 1
            continue
        start = position
        if named := _CLASS.match(source, position):
            position = named.end()
        elif source[position] in "({":
            position = _closed(source, position, where)
            position += source[position : position + 1] == "?"
        else:
            while position < len(source) and not source[position].isspace():
                if source[position] == ")":
                    raise RuleProblem(
                        f"pattern {source!r} is not understood: the bracket ')' (sign {position + 1}) was not opened",
                        where=where,
                        todo="open it, or write \\) for the sign itself",
                    )
                position = _closed(source, position, where) if source[position] in "({[" else _one(source, position)
        parts.append(source[start:position])
        if strict and position < len(source) and not source[position].isspace():
            behind = f"{source[position : position + 8]!r} stands right behind {parts[-1][-20:]!r}"
            raise RuleProblem(
                f"pattern {source!r} is not understood: {behind}",
                where=where,
                todo="a word ends there: put a blank between, or draw it into the bracket",
            )
    return parts


def _one(source: str, position: int) -> int:
    """The place behind one sign; a backslash belongs to the sign that it stands before."""
    return position + (2 if source[position] == "\\" else 1)


def _closed(source: str, position: int, where: str, depth: int = 0) -> int:
    """The place behind the bracket that closes the one at `position`."""
    if depth > DEEPEST:
        raise RuleProblem(
            f"pattern {source[:60]!r}... is not understood: more than {DEEPEST} brackets in one another", where=where
        )
    start, closing = position, {"(": ")", "{": "}", "[": "]"}[source[position]]
    position += 1
    if closing == "]":  # a class of signs may begin with ] or ^]
        position += source[position : position + 1] == "^"
        position += source[position : position + 1] == "]"
    while position < len(source) and source[position] != closing:
        nested = source[position] in "([" and closing == ")"
        position = _closed(source, position, where, depth + 1) if nested else _one(source, position)
    if position >= len(source):
        bracket = f"the bracket {source[start : start + 12]!r} (sign {start + 1}) is not closed"
        raise RuleProblem(
            f"pattern {source!r} is not understood: {bracket}",
            where=where,
            todo=f"close it with {closing}; write \\{source[start]} for the sign itself",
        )
    return position + 1


@dataclass(frozen=True, slots=True)
class Piece:
    """One part of a pattern that stands for words or a quantity; gaps, commas and clause ends are `free`."""

    expression: str
    optional: bool = False
    free: bool = False
    whole: bool = False  # it begins and ends where a word does


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern as a regular expression, with the role of each group (`g0`, `g1` ...) and the parts it was made of."""

    source: str
    expression: str
    roles: tuple[str, ...]
    classes: frozenset[str]
    needs: tuple[frozenset[str], ...]  # slot characters: at least one of each set must be in the text
    pieces: tuple[Piece, ...] = ()
    kinds: tuple[frozenset[str], ...] = ()  # of each role, the kinds of quantities that it takes


def compiled(source: str, expression: str, where: str) -> re.Pattern[str]:
    """The expression ready to be matched; `RuleProblem` names the pattern that is none."""
    try:
        return re.compile(expression)
    except (re.error, RecursionError, OverflowError) as error:
        raise RuleProblem(f"pattern {source!r} is not understood: {error}", where=where) from None


class PatternCompiler:
    """Compiles patterns with one language's word classes and words of approximation.

    `check` tries every expression at once; without it a mistake shows when the pattern is first used.
    """

    def __init__(
        self, classes: Mapping[str, Sequence[str]], approximately: Sequence[str], *, check: bool = True
    ) -> None:
        self.check = check
        self.classes = {name: self._class_source(words) for name, words in classes.items()}
        words = "|".join(re.escape(word) for word in sorted(approximately, key=lambda w: (-len(w), w)))
        self._about = rf"(?:(?:{words}){_LIGHT}+)?" if words else ""
        self._before_slot = rf"{SEPARATOR}{self._about}{self._about}" if words else SEPARATOR

    @staticmethod
    def _class_source(words: Sequence[str]) -> str:
        ordered = sorted((str(word) for word in words), key=lambda word: (-len(word), word))
        return "(?:" + "|".join(word.replace(" ", r"\s") for word in ordered) + ")"

    def compile(self, source: str, where: str) -> Pattern:
        """The pattern's expression; `RuleProblem` names the file, the rule and the part that is not understood."""
        roles: list[str] = []
        classes: set[str] = set()
        needs: list[frozenset[str]] = []
        parts: list[str] = []
        pieces: list[Piece] = []
        plain = _ESCAPED.sub("", source)
        if self.check and plain != plain.lower():
            raise RuleProblem(
                f"pattern {source!r} is not understood: capital letters never match",
                where=where,
                todo="texts are read in small letters: write the pattern so",
            )
        kinds_of: list[frozenset[str]] = []
        tokens = parts_of(source, where, strict=self.check)
        if not tokens:
            raise RuleProblem("an empty pattern", where=where)
        for index, token in enumerate(tokens):
            optional = token.endswith("?") and len(token) > 1 and token != ",?"
            body = token[:-1] if optional else token
            separator = SEPARATOR if index else ""
            if body in ("..", "...", "^", "$", ",", ",?"):
                pieces.append(Piece("", free=True))
            if body in ("..", "..."):
                word, most = (_GAP_WORD, 3) if body == ".." else (_GAP_WORD_COMMA, 8)
                parts.append(
                    rf"(?:[ :=*\"'(-]++{word}){{0,{most}}}?[ ,]*"
                    if body == "..."
                    else rf"(?:[ :=*\"'(-]++{word}){{0,{most}}}?"
                )
                continue
            if body == "^":
                parts.append(_CLAUSE_START)
                continue
            if body == "$":
                parts.append(_CLAUSE_END)
                continue
            if body in (",", ",?"):
                parts.append(r"[ ]*,?")
                continue
            if body.startswith("{"):
                piece, role, kinds = self._slot(body, where, len(roles))
                if role:
                    roles.append(role)
                    kinds_of.append(frozenset(NAME_OF[sign] for sign in kinds))
                if not optional:
                    needs.append(kinds)
                separator = self._before_slot if index else ""
            else:
                piece = self._words(body, where, classes)
            pieces.append(Piece(piece, optional, whole=piece.endswith(r"(?!\w)")))
            parts.append(f"(?:{separator}{piece})?" if optional else f"{separator}{piece}")
        expression = "".join(parts)
        if self.check:
            compiled(source, expression, where)
        if len(roles) > MOST_ROLES:
            raise RuleProblem(f"a pattern takes at most {MOST_ROLES} quantities", where=where)
        return Pattern(
            source, expression, tuple(roles), frozenset(classes), tuple(needs), tuple(pieces), tuple(kinds_of)
        )

    def _slot(self, body: str, where: str, number: int) -> tuple[str, str, frozenset[str]]:
        inner = body[1:-1]
        role, _, kinds = inner.rpartition(":")
        characters = ""
        for kind in kinds.split("|"):
            if kind in GROUPS:
                characters += "".join(KINDS[name] for name in GROUPS[kind])
            elif kind in KINDS:
                characters += KINDS[kind]
            else:
                known = ", ".join([*KINDS, *GROUPS])
                raise RuleProblem(
                    f"slot {body!r}: no kind of quantity is called {kind!r}", where=where, todo=f"known: {known}"
                )
        distinct = "".join(sorted(set(characters)))
        # all characters of one quantity are the same one, so a run of a single character is a quantity
        runs = [f"(?<!{c}){c}+(?!{c})" for c in distinct]
        piece = f"(?:{'|'.join(runs)})" if len(runs) > 1 else runs[0]
        if role:
            piece = rf"(?P<g{number}>{piece})"
        return piece, role, frozenset(distinct)

    def _words(self, body: str, where: str, classes: set[str]) -> str:
        def class_source(match: re.Match[str]) -> str:
            name = match.group(1)
            if name not in self.classes:
                raise RuleProblem(
                    f"no word class is called <{name}>", where=where, todo=f"known: {', '.join(sorted(self.classes))}"
                )
            classes.add(name)
            return self.classes[name]

        def slot_source(match: re.Match[str]) -> str:
            return self._slot("{" + match.group(1) + "}", where, 0)[0]

        source = re.sub(r"<([\w-]+)>", class_source, body)
        source = re.sub(r"\{([a-z]+(?:\|[a-z]+)*)\}", slot_source, source)
        if self.check:
            self._check_slots(body, where)
        # a pattern with \s of its own says itself where blanks stand
        if not re.search(r"\\s", body):
            source = source.replace(" ", r"\s")
        source = _ENDLESS.sub(rf"\1{{\2,{LONGEST_REACH}}}", source).replace("{*,", "{0,").replace("{+,", "{1,")
        plain_start = body[0].isalnum() or body[0] in "(<"
        return rf"(?<!\w)(?:{source})(?!\w)" if plain_start else f"(?:{source})"

    @staticmethod
    def _check_slots(body: str, where: str) -> None:
        """Refuses what looks like a slot or a word class and would be taken for plain signs."""
        for slot in _BRACES.findall(body):
            if ":" in slot:
                raise RuleProblem(
                    f"the slot {slot} gives a role inside a group",
                    where=where,
                    todo="let it stand by itself, with `?` where it may be absent, or write two patterns",
                )
            raise RuleProblem(
                f"{slot} is no slot", where=where, todo="a slot is {kind}, {kind|kind} or {role:kind}, in small letters"
            )
        if open_class := _OPEN_CLASS.search(body):
            raise RuleProblem(
                f"{open_class.group()!r} opens a word class that is not closed", where=where, todo="write <class>"
            )


_ESCAPED = re.compile(r"\\.|\(\?P")
_BRACES = re.compile(r"(?<!\\)\{(?!\d*,?\d*\}|[a-z]+(?:\|[a-z]+)*\})[^{}]*\}")
_OPEN_CLASS = re.compile(r"(?<![?P\\])<[^\W\d][\w-]*(?![\w>-])")
