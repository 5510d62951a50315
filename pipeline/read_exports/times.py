"""Reads times as exports write them, into aware UTC: ISO 8601, epochs, mail dates, local dates, month names."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, timezone

from pipeline.read_exports.raw_table import Cell

_NUMERIC = re.compile(
    r"\s*(?:[^\W\d]{2,}\.?,?\s+)?(\d{1,4})([./-])\s?(\d{1,2})\2\s?(\d{2,4})"
    r"(?:[T\s,]+(?:um|at|kl\.?|à|a las)?\s*(\d{1,2})[:.h](\d{2})(?:[:.](\d{2})(?:[.,]\d+)?)?)?"
    r"\s*([ap]\.?\s?m\.?)?\s*(\S.{0,11}?)?\s*",
    re.I,
)
_NAMED = re.compile(
    r"\s*(?:[^\W\d]{2,}\.?,?\s+)?"
    r"(?:(\d{1,2})(?:\.|st|nd|rd|th|er|º)?,?\s+(?:de\s+)?([^\W\d]{3,})\.?|([^\W\d]{3,})\.?\s+(\d{1,2})(?:st|nd|rd|th)?)"
    r",?\s+(?:de\s+)?(\d{4})"
    r"(?:[T\s,]+(?:um|at|kl\.?|à|a las|klo)?\s*(\d{1,2})[:.h](\d{2})(?::(\d{2}))?)?"
    r"\s*([ap]\.?\s?m\.?)?\s*(\S.{0,11}?)?\s*",
    re.I,
)
_OFFSET = re.compile(r"(?:utc|gmt)?\s*([+-])(\d{1,2}):?(\d{2})?", re.I)
_ZONES = {"z": 0, "utc": 0, "gmt": 0, "wet": 0, "bst": 1, "cet": 1, "mez": 1, "cest": 2, "mesz": 2, "eet": 2, "eest": 3}
_MONTHS = {
    **dict.fromkeys(("jan", "gen", "ene"), 1),
    **dict.fromkeys(("feb", "fev"), 2),
    **dict.fromkeys(("mar", "mrt", "maa"), 3),
    **dict.fromkeys(("apr", "avr", "abr"), 4),
    **dict.fromkeys(("may", "mai", "mag", "mei", "maj"), 5),
    **dict.fromkeys(("jun", "juin", "giu"), 6),
    **dict.fromkeys(("jul", "juil", "lug"), 7),
    **dict.fromkeys(("aug", "aou", "ago"), 8),
    **dict.fromkeys(("sep", "set"), 9),
    **dict.fromkeys(("oct", "okt", "ott", "out"), 10),
    "nov": 11,
    **dict.fromkeys(("dec", "dez", "dic", "des"), 12),
}
FIRST_YEAR, LAST_YEAR = 1990, 2100


def parse_time(cell: Cell, day_first: bool = True) -> datetime | None:
    """The time of a cell, aware and in UTC; a time without a zone is taken as UTC.  None where it is no time.

    `day_first` settles 03/04/2025; see `day_comes_first`.
    """
    if isinstance(cell, datetime):
        return _sane(cell)
    if cell is None or isinstance(cell, bool):
        return None
    if isinstance(cell, (int, float)):
        return _from_number(float(cell), serial=True)
    text = cell.strip()
    if len(text) < 6 or len(text) > 60:
        return None
    if text[4:5] == "-":
        try:
            return _sane(datetime.fromisoformat(text))
        except ValueError:
            pass
    if text.replace(".", "", 1).isdigit():
        return _from_number(float(text), serial=False)
    if not any(sign.isdigit() for sign in text):
        return None
    return _from_numeric(text, day_first) or _from_named(text) or _from_mail(text)


def day_comes_first(cells: Iterable[Cell]) -> bool:
    """Whether a column's dates have the day before the month.  Where no date tells, a.m. and p.m. speak against it."""
    clock_halves = False
    for cell in cells:
        if isinstance(cell, str) and (match := _NUMERIC.fullmatch(cell)) and len(match[1]) < 3:
            if int(match[1]) > 12:
                return True
            if int(match[3]) > 12:
                return False
            clock_halves = clock_halves or (match[8] is not None and match[2] == "/")
    return not clock_halves


def _sane(time: datetime) -> datetime | None:
    if not FIRST_YEAR <= time.year <= LAST_YEAR:
        return None
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def _from_number(value: float, *, serial: bool) -> datetime | None:
    for scale in (1.0, 1e3, 1e6, 1e9):
        if 6.3e8 * scale <= value <= 4.1e9 * scale:
            return datetime.fromtimestamp(0, UTC) + timedelta(microseconds=round(value / scale * 1e6))
    if serial and 32874 <= value <= 73415:  # a spreadsheet's day number: 1990 to 2100
        return datetime(1899, 12, 30, tzinfo=UTC) + timedelta(seconds=round(value * 86400))
    return None


def _from_numeric(text: str, day_first: bool) -> datetime | None:
    match = _NUMERIC.fullmatch(text)
    if match is None:
        return None
    first, middle, last = int(match[1]), int(match[3]), int(match[4])
    if len(match[1]) > 2:
        year, month, day = first, middle, last
    else:
        year = last if last > 99 else 2000 + last
        day, month = (first, middle) if day_first else (middle, first)
        if month > 12:
            day, month = month, day
    return _build(year, month, day, match[5], match[6], match[7], match[8], match[9])


def _from_named(text: str) -> datetime | None:
    match = _NAMED.fullmatch(text)
    if match is None:
        return None
    month = _month(match[2] or match[3])
    if month is None:
        return None
    day = int(match[1] or match[4])
    return _build(int(match[5]), month, day, match[6], match[7], match[8], match[9], match[10])


def _month(word: str) -> int | None:
    letters = unicodedata.normalize("NFKD", word.casefold())
    plain = "".join(sign for sign in letters if not unicodedata.combining(sign))
    return _MONTHS.get(plain[:4]) or _MONTHS.get(plain[:3])


def _build(
    year: int,
    month: int,
    day: int,
    hour: str | None,
    minute: str | None,
    second: str | None,
    half: str | None,
    zone: str | None,
) -> datetime | None:
    hours = int(hour or 0)
    if half and hour:
        hours = hours % 12 + (12 if half.lower().startswith("p") else 0)
    offset = _zone(zone)
    if offset is None:
        return None
    try:
        return _sane(datetime(year, month, day, hours, int(minute or 0), int(second or 0), tzinfo=timezone(offset)))
    except (ValueError, OverflowError):
        return None


def _zone(text: str | None) -> timedelta | None:
    """The offset that follows a time; None where what follows is no zone."""
    if not text:
        return timedelta(0)
    word = text.strip("() ").lower()
    if word in ("uhr", "h", "hrs"):
        return timedelta(0)
    if word in _ZONES:
        return timedelta(hours=_ZONES[word])
    match = _OFFSET.fullmatch(word)
    if match is None or int(match[2]) > 14:
        return None
    offset = timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
    return -offset if match[1] == "-" else offset


def _from_mail(text: str) -> datetime | None:
    from email.utils import parsedate_to_datetime

    try:
        return _sane(parsedate_to_datetime(text))
    except (ValueError, TypeError, IndexError, OverflowError):
        return None
