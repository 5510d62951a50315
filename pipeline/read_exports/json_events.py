"""Reads JSON of any size and depth as a stream of events, and says where it breaks instead of losing what came before.

Events are those of ijson's `basic_parse`: `(name, value)` with the names start_map, map_key, end_map, start_array,
end_array, null, boolean, number, string.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from pipeline.read_exports.decoded_text import TextStream, clean_text, open_text
from pipeline.read_exports.raw_table import ExportFile

Event = tuple[str, Any]
SMALL = 16 << 20
"""Files of up to so many bytes are parsed at once, which is faster and takes `NaN`; larger ones are streamed."""


class BrokenJson(Exception):
    """The JSON text ends or errs here; everything before has been given."""


class Builder:
    """Puts events together to one value; `open` lists the containers still open, outermost first."""

    def __init__(self) -> None:
        self.value: Any = None
        self.open: list[Any] = []
        self._keys: list[str] = []
        self._key = ""

    def feed(self, name: str, value: Any) -> bool:
        """Takes one event; True once the value is complete."""
        if name == "map_key":
            self._key = value
            return False
        if name in ("end_map", "end_array"):
            self.open.pop()
            self._key = self._keys.pop()
            return not self.open
        new: Any = {} if name == "start_map" else [] if name == "start_array" else value
        if not self.open:
            self.value = new
        elif isinstance(self.open[-1], dict):
            self.open[-1][self._key] = new
        else:
            self.open[-1].append(new)
        if name in ("start_map", "start_array"):
            self.open.append(new)
            self._keys.append(self._key)
            return False
        return not self.open


def parse_line(text: str) -> Any:
    """One complete JSON text as Python objects, of any depth.  Raises `BrokenJson` where it is none."""
    try:
        return json.loads(text, strict=False, parse_constant=lambda name: None)
    except RecursionError:
        pass
    except ValueError as error:
        raise BrokenJson(str(error)) from None
    builder = Builder()
    for name, value in _streamed_events(_Bytes(text)):
        if builder.feed(name, value):
            return builder.value
    raise BrokenJson("it ends in the middle")


def tree_events(tree: Any) -> Iterator[Event]:
    """The events that a document with the value `tree` gives."""
    stack: list[Any] = [_plain_event(tree)]
    while stack:
        step = stack.pop()
        if isinstance(step, tuple):
            yield step
        elif isinstance(step, dict):
            yield "start_map", None
            stack.append(("end_map", None))
            for key, value in reversed(step.items()):
                stack.append(_plain_event(value))
                stack.append(("map_key", key))
        else:
            yield "start_array", None
            stack.append(("end_array", None))
            stack.extend(_plain_event(value) for value in reversed(step))


def _plain_event(value: Any) -> Any:
    if isinstance(value, dict | list):
        return value
    if value is None:
        return "null", None
    if isinstance(value, bool):
        return "boolean", value
    return ("string" if isinstance(value, str) else "number"), value


def json_events(file: ExportFile) -> Iterator[Event]:
    """All events of the file; raises `BrokenJson` where the text breaks, after every event before that place."""
    stream = open_text(file)
    text = _small_text(stream)
    if text is not None and not stream.broken:
        try:
            tree = json.loads(text, strict=False, parse_constant=lambda name: None)
        except (ValueError, RecursionError):
            yield from _streamed_events(_Bytes(text))
        else:
            yield from tree_events(tree)
        return
    stream = open_text(file)
    yield from _streamed_events(stream)


def _small_text(stream: TextStream) -> str | None:
    parts: list[str] = []
    size = 0
    while chunk := stream.chunk():
        parts.append(chunk)
        size += len(chunk)
        if size > SMALL:
            stream.close()
            return None
    return "".join(parts).removeprefix("\ufeff")


class _Bytes:
    """A text held in memory as a stream of UTF-8 bytes, piece by piece."""

    broken = ""

    def __init__(self, text: str) -> None:
        self._data = memoryview(clean_text(text).encode("utf-8"))

    def read(self, size: int = -1) -> bytes:
        if size < 0:
            size = len(self._data)
        out, self._data = bytes(self._data[:size]), self._data[size:]
        return out


def _streamed_events(stream: TextStream | _Bytes) -> Iterator[Event]:
    import ijson

    # A small buffer: events that stand in the same piece as an error are lost with it.
    events = ijson.basic_parse(stream, use_float=True, multiple_values=True, buf_size=4096)
    last = ""
    try:
        for name, value in events:
            last = name
            yield name, clean_text(value) if isinstance(value, str) else value
    except (ijson.JSONError, UnicodeError, ValueError, OverflowError) as error:
        detail = stream.broken or " ".join(str(error).split("\n")[0].split()) or type(error).__name__
        raise BrokenJson(detail) from None
    if stream.broken:
        raise BrokenJson(stream.broken)
    if not last:
        raise BrokenJson("the file holds nothing")
