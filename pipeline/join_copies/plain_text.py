"""The plain form of a response's text, by which copies are told: words and figures, nothing else.

Case, accents, punctuation, white space, emoji, invisible characters and look-alike letters (Unicode Technical
Standard 39, "confusables") go; every number is brought to one spelling ("73k km", "73.000 kilometres" and
"73 000 km" are all `#73000 km`); percent signs go, which people leave out at will, and so do quote marks and
"X wrote:" lines.  Where a response quotes somebody and then says something of its own, only its own words are kept;
where it only applauds, or announces a repeat, the quoted whole is what it repeats.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from hashlib import blake2b
from html import unescape

from pipeline.join_copies.telling_words import (
    ANNOUNCING,
    APPLAUSE,
    BIG_NUMBERS,
    NUMBER_WORDS,
    SMALL_NUMBERS,
    TENS,
)
from pipeline.read_text.fold import fold
from pipeline.read_text.numbers import parse_digits

FIGURE = "#"
"""The sign that begins a figure in a plain text; no word holds it."""

LONG_ENOUGH = 12
"""Words from which on two accounts do not write the same text by chance (our choice; see the labelled set)."""

PARTICULAR_WORDS = 6
PARTICULAR_DIGITS = 5
"""A shorter text is no chance repeat either where its figures have so many significant digits: 45,500 km and 2.2 %."""

_LOOK_ALIKES = str.maketrans(
    "АВЕКМНОРСТХУІЈЅаеорсухіјѕһԁԛԝвкмнтгёїΑΒΕΖΗΙΚΜΝΟΡΤΥΧαονρτυκιεɑɡıłøŁØ",
    "ABEKMHOPCTXYIJSaeopcyxijshdqwbkmhtreiABEZHIKMNOPTYXaovptukieagiloLO",
)
_INVISIBLE = re.compile(
    "[\u00ad\u034f\u061c\u115f\u1160\u17b4\u17b5\u180b-\u180e\u200b-\u200f\u202a-\u202e\u2060-\u206f\ufe00-\ufe0f\ufeff]"
)
_TOKEN = re.compile(
    r"""(?P<number>(?:\d{1,3}(?:[ '.,]\d{3})+(?![\d])(?:[.,]\d{1,2}(?!\d))?|\d+(?:[.,]\d+)?))
        (?P<kilo>\s?(?:k\s?km|tkm|tsd\.?\s?km|k|tsd)(?![a-z]))?
      | (?P<word>[^\W\d_]+(?:'[^\W\d_]+)*)""",
    re.VERBOSE,
)
_UNIT_WORDS: dict[str, str] = {
    "km": "km kms kilometer kilometers kilometre kilometres kilometern kilometros chilometri klicks klick",
    "mi": "mi mile miles mls meilen millas miglia mijl",
    "kwh": "kwh kilowatthour kilowatthours kilowattstunden",
    "years": "year years yr yrs jahr jahre jahren an ans annee annees ano anos anni jaar ar",
    "months": "month months mo mos monat monate monaten mois mes meses mesi maand maanden",
}
_UNITS: dict[str, str] = {word: unit for unit, words in _UNIT_WORDS.items() for word in words.split()}
_PERCENT = frozenset(["percent", "pct", "prozent", "procent", "prosent", "pourcent", "porciento"])
_TIGHT = frozenset(("km", "mi", "kwh"))
_PER_CENT = re.compile(r"\bper cent\b|\bpour cent\b|\bpor ciento\b|\bper cento\b")
_ADDRESS = re.compile(r"(?:https?://|www\.)\S+|</?(?:br|p|b|i|em|strong|div|span|a)\b[^>\n]{0,200}>", re.IGNORECASE)
_QUOTE_LINE = re.compile(r"^\s*(?:&gt;|>)+\s?")
_BB_QUOTE = re.compile(r"\[quote[^\]]*\](.*?)\[/quote\]|<blockquote>(.*?)</blockquote>", re.DOTALL | re.IGNORECASE)
_WROTE = re.compile(
    r"^[^\n:>]{0,80}\b(?:wrote|writes|said|posted by|schrieb|a écrit|escribió|ha scritto|schreef|skrev)\b"
    r"[^\n:>]{0,40}:\s*$",
    re.IGNORECASE,
)
_SAID_IN_MARKS = re.compile(r"[\"“„«‟]([^\"“”„«»‟]{20,})[\"”“»]")
_LEAD = re.compile(r"\s*([^\n:]{3,160}):\s+(?=\S)")
_LEAST_REPEATED = 5
_LONGEST_NUMBER = 18
_MENTION = re.compile(r"^\s*(?:rt\s+)?(?:@[\w.\-]+[,:]?\s+)+", re.IGNORECASE)
_ANSWER = re.compile(r"^([^:\n]{2,200}): (\S.*)$")
_MOMENT = re.compile(
    r"(?:\d{1,2}[./-]\d{1,2}[./-]\d{2,4}|\d{4}-\d\d?-\d\d?)(?:[ ,T]+\d{1,2}:\d\d(?::\d\d)?(?:\.\d+)?\s?(?:am|pm|z)?)?$",
    re.IGNORECASE,
)
_ROUND_O = re.compile(r"(?<=\d)o+(?=\d|\b)|(?<=\d[.,])o+(?=\d|\b)")
_YEAR = re.compile(r"(?:199\d|20[0-3]\d)$")


@dataclass(frozen=True, slots=True)
class PlainText:
    """A text in plain form: `plain` is its words and figures with single blanks between.

    `figures` is 64 bits of a hash over the figures with their units, in order.  `by_anyone` says that the text is
    long or particular enough to be told as a copy between two accounts; a short one is a copy only of its own author.
    """

    plain: str
    figures: int
    by_anyone: bool


def look_plain(text: str) -> str:
    """The text in lower case with look-alike letters, accents and invisible characters gone (UTS 39, NFKC, NFD)."""
    if text.isascii():
        return text.lower()
    seen = _INVISIBLE.sub("", text).translate(_LOOK_ALIKES)
    parts = unicodedata.normalize("NFKD", seen)
    bare = "".join(sign for sign in parts if not unicodedata.combining(sign)).translate(_LOOK_ALIKES)
    return fold(bare.casefold())


def own_words(text: str) -> str:
    """The words that a response stands for: its own, or the whole that it quotes or announces to repeat."""
    said = _without_quotes(text)
    if match := _SAID_IN_MARKS.search(said):
        around = said[: match.start()] + " " + said[match.end() :]
        if len(match.group(1).split()) >= _LEAST_REPEATED and _announces(around):
            return match.group(1)
    if (match := _LEAD.match(said)) and _announces(match.group(1)):
        rest = said[match.end() :]
        if len(rest.split()) >= _LEAST_REPEATED:
            return rest
    return said


def _announces(words: str) -> bool:
    return any(word in ANNOUNCING for word in re.findall(r"[^\W\d_]+", look_plain(words)))


def _without_quotes(text: str) -> str:
    if ">" not in text and "[" not in text and "&gt;" not in text and "<" not in text and "@" not in text[:3]:
        return text
    quoted: list[str] = []
    own: list[str] = []

    def keep_block(match: re.Match[str]) -> str:
        quoted.append(match.group(1) or match.group(2) or "")
        return "\n"

    lines = _BB_QUOTE.sub(keep_block, text).split("\n")
    for place, line in enumerate(lines):
        if mark := _QUOTE_LINE.match(line):
            quoted.append(line[mark.end() :])
        elif not (_WROTE.match(line) and any(_QUOTE_LINE.match(later) for later in lines[place + 1 : place + 3])):
            own.append(line)
    remark = _MENTION.sub("", "\n".join(own))
    if not quoted:
        return remark
    words = re.findall(r"[^\W_]+", look_plain(remark))
    if not words or (len(words) <= 6 and all(word in APPLAUSE for word in words)):
        return "\n".join(quoted)
    return remark


def plain_tokens(text: str) -> list[str]:
    """The words and figures of a text, in order, each in its one spelling."""
    if "&" in text:
        text = unescape(text)
    if "://" in text or "www." in text or "<" in text:
        text = _ADDRESS.sub(" ", text)
    flat = _PER_CENT.sub("percent", _ROUND_O.sub(lambda match: "0" * len(match.group()), look_plain(text)))
    out: list[str] = []
    pending: list[str] = []  # number words not yet made a figure
    for match in _TOKEN.finditer(flat):
        word = match.group("word")
        if word is not None:
            word = word.replace("'", "")
            if word in NUMBER_WORDS:
                pending.append(word)
                continue
        if pending:
            _add_said(pending, out)
            pending = []
        if word is not None:
            if word not in _PERCENT:
                out.append(_UNITS.get(word, word))
        else:
            out += _figure(flat, match)
    if pending:
        _add_said(pending, out)
    return _miles_said_m(out)


def read_plain(text: str) -> PlainText:
    """The plain form of a response's text, its figures, and whether another account's same text is a copy."""
    said = own_words(text)
    answers = _answers(said)
    if answers is None:
        tokens = plain_tokens(said)
        figures = figures_of(tokens)
        particular = len(tokens) >= PARTICULAR_WORDS and _digits_said(figures) >= PARTICULAR_DIGITS
        anyone = particular or len(tokens) >= LONG_ENOUGH
    else:
        kept = [(question, answer) for question, answer in answers if not _MOMENT.match(answer)]
        tokens = plain_tokens("\n".join(f"{question} . {answer}" for question, answer in kept))
        figures = figures_of(tokens)
        replies = [plain_tokens(answer) for _, answer in kept]
        digits = _digits_said([figure for reply in replies for figure in figures_of(reply)])
        anyone = any(len(reply) >= LONG_ENOUGH for reply in replies) or digits >= 8
    digest = blake2b(" ".join(figures).encode(), digest_size=8).digest()
    return PlainText(" ".join(tokens), int.from_bytes(digest, "little"), anyone)


def figures_of(tokens: list[str]) -> list[str]:
    """The figures among plain tokens, each with the unit right behind it."""
    last = len(tokens) - 1
    return [
        token + " " + tokens[place + 1] if place < last and tokens[place + 1] in _TIGHT else token
        for place, token in enumerate(tokens)
        if token[0] == FIGURE
    ]


def particular_digits(figures: list[str]) -> int:
    """The most significant digits that one figure has, years left out: 81,400 km has three, 80 % has one."""
    return max((_digits(figure) for figure in figures), default=0)


def _digits_said(figures: list[str]) -> int:
    return sum(_digits(figure) for figure in figures)


def _digits(figure: str) -> int:
    number = figure[1:].split(" ")[0]
    if _YEAR.match(number) and " " not in figure:
        return 0
    return len((number.replace(".", "") if "." in number else number.rstrip("0")).lstrip("0"))


def _answers(text: str) -> list[tuple[str, str]] | None:
    """The lines of a survey row as (question, answer), or None where the text is no such row."""
    if text.count("\n") < 2:
        return None
    lines = [line for line in text.split("\n") if line.strip()]
    pairs = [match.groups() for line in lines if (match := _ANSWER.match(line))]
    if len(pairs) < 3 or 2 * len(pairs) < len(lines):
        return None
    rest = [("", line) for line in lines if not _ANSWER.match(line)]
    return [(question or "", answer or "") for question, answer in pairs] + rest


def _figure(flat: str, match: re.Match[str]) -> list[str]:
    raw, kilo = match.group("number"), match.group("kilo")
    behind = flat[match.end() : match.end() + 9].lstrip()
    small = behind.startswith(("%", "percent", "prozent", "kwh", "procent"))
    if len(raw) > _LONGEST_NUMBER:
        return [FIGURE + re.sub(r"\D", "", raw)]
    value = parse_digits(raw, thousands=not kilo and not small)
    if not kilo:
        return [FIGURE + _number(value)]
    return [FIGURE + _number(value * 1000)] + (["km"] if "km" in kilo else [])


def _number(value: float) -> str:
    rounded = round(value, 6)
    return str(int(rounded)) if rounded == int(rounded) else str(rounded)


def _add_said(words: list[str], out: list[str]) -> None:
    """Adds number words as figures; "73 thousand" is one figure with the one before it."""
    while words and words[0] in BIG_NUMBERS and out and out[-1][0] == FIGURE and float(out[-1][1:]) < 1000:
        out[-1] = FIGURE + _number(float(out[-1][1:]) * BIG_NUMBERS[words[0]])
        words = words[1:]
    if words:
        out += _said_number(words)


def _said_number(words: list[str]) -> list[str]:
    """Figures of a run of number words: "seventy three thousand" is one, "two three" are two."""
    out: list[str] = []
    total = group = 0
    last = ""
    for word in words:
        if word in BIG_NUMBERS:
            group = max(group, 1) * BIG_NUMBERS[word]
            if BIG_NUMBERS[word] == 1000:
                total, group = total + group, 0
            last = "big"
        elif word in TENS:
            if last in ("tens", "ones"):
                out.append(FIGURE + str(total + group))
                total = group = 0
            group += TENS[word]
            last = "tens"
        else:
            value = SMALL_NUMBERS[word]
            if last == "ones" or (last == "tens" and value > 9):
                out.append(FIGURE + str(total + group))
                total = group = 0
            group += value
            last = "ones"
    return [*out, FIGURE + str(total + group)]


def _miles_said_m(tokens: list[str]) -> list[str]:
    """ "42k m" is miles, as the labelling guide has it."""
    for place in range(len(tokens) - 1):
        if tokens[place + 1] == "m" and tokens[place][0] == FIGURE and len(tokens[place]) >= 5:
            tokens[place + 1] = "mi"
    return tokens
