"""Gives a file's bytes as text, whatever encoding they are in, and never breaks on a bad byte or a cut stream."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from typing import BinaryIO

from pipeline.read_exports.raw_table import ExportFile
from pipeline.read_exports.text_encoding import BOMS, find_encoding

_CHUNK = 1 << 20
_SAMPLE = 1 << 18
_PAIRED = ("gb", "big5", "cp93", "cp94", "cp95", "shift_jis", "euc", "johab", "hz")
_ALONE = re.compile(rb"(?<![\x80-\xff])[\x80-\xff](?![\x80-\xff])")
_SURROGATES = re.compile("[\ud800-\udfff]")


class TextStream:
    """A binary stream read as text in one encoding; bad bytes become U+FFFD.

    `broken` is "" until reading the stream itself fails (a cut archive member, say); then it says how, and the text
    ends there as at an end of file.  `bad_bytes` counts the bytes that did not fit the encoding.
    """

    def __init__(self, stream: BinaryIO, encoding: str) -> None:
        self.encoding = encoding
        self.broken = ""
        self._stream = stream
        self._decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
        self._rest = b""
        self._ended = False

    def chunk(self) -> str:
        """The next piece of text, about a million characters; "" at the end."""
        while not self._ended:
            data = self._raw()
            self._ended = not data
            try:
                text = self._decoder.decode(data, final=self._ended)
            except UnicodeError:  # UTF-16 and UTF-32 without a mark, after all
                self._ended = True
                self.broken = f"the file is not {self.encoding} as it seems to be"
                return ""
            if text:
                return clean_text(text)
        return ""

    def read(self, size: int = -1) -> bytes:
        """The text again as UTF-8 bytes, for parsers that want bytes; `size` as for any stream."""
        while not self._ended and (size < 0 or len(self._rest) < size):
            self._rest += self.chunk().encode("utf-8")
        if size < 0:
            size = len(self._rest)
        out, self._rest = self._rest[:size], self._rest[size:]
        return out

    def lines(self, longest: int | None = None) -> Iterator[str]:
        """Lines without their ends.  A line longer than `longest` characters comes in pieces, all but the last longer
        than that."""
        held: list[str] = []
        length = 0
        after_return = False
        while chunk := self.chunk():
            if after_return and chunk[0] == "\n":
                chunk = chunk[1:]
            after_return = chunk.endswith("\r")
            pieces = re.split(r"\r\n|\n|\r", chunk)
            for piece in pieces[:-1]:
                held.append(piece)
                line = "".join(held)
                held, length = [], 0
                yield line
                if longest is not None and len(line) > longest:
                    yield ""
            held.append(pieces[-1])
            length += len(pieces[-1])
            if longest is not None and length > longest:
                yield "".join(held)
                held, length = [], 0
        if last := "".join(held):
            yield last

    def close(self) -> None:
        """Gives the stream back; what is left of it is not read."""
        self._ended = True
        self._stream.close()

    def _raw(self) -> bytes:
        try:
            if data := self._stream.read(_CHUNK):
                return data
            self._stream.close()
            return b""
        except Exception as error:  # every decompressor has errors of its own; all mean that the rest is lost
            self.broken = f"the file breaks off ({error or type(error).__name__})"
            return b""


def clean_text(text: str) -> str:
    """`text` without lone surrogates, which no table can hold; pairs of them become the character they stand for."""
    if _SURROGATES.search(text) is None:
        return text
    return text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace")


def open_text(file: ExportFile, declared: str | None = None) -> TextStream:
    """Opens `file` as text in the encoding that fits it; see `encoding_of`."""
    encoding = encoding_of(file, declared)
    return TextStream(file.open(), encoding)


def encoding_of(file: ExportFile, declared: str | None = None) -> str:
    """The name of the encoding that fits the file: by its mark, as UTF-8, as `declared`, or by its letters.

    A file that is UTF-8 up to a last character cut in two is UTF-8.
    """
    try:
        with file.open() as stream:
            head = stream.read(_SAMPLE)
        marked = head[:4096].count(0) or any(head.startswith(bom) for bom, _ in BOMS)
        if not marked and _is_utf8(file):
            return "utf-8"
        found = find_encoding(file.open)
    except Exception:  # TextStream meets the same error again and reports it
        return "utf-8"
    if declared and not marked and found != "utf-8" and _decodes(head, declared):
        return declared
    return "cp1252" if found.startswith(_PAIRED) and _stand_alone(head) else found


def _is_utf8(file: ExportFile) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    with file.open() as stream:
        while data := stream.read(_CHUNK):
            try:
                decoder.decode(data)
            except UnicodeDecodeError:
                return False
    return True


def _stand_alone(sample: bytes) -> bool:
    """True where bytes above ASCII mostly stand alone, as accents in Western words do; East Asian text has rows."""
    alone = len(_ALONE.findall(sample))
    return alone * 10 >= 6 * sum(byte > 0x7F for byte in sample) > 0


def _decodes(sample: bytes, encoding: str) -> bool:
    try:
        sample.decode(encoding)
    except (LookupError, UnicodeError):
        return False
    return True
