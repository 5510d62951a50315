"""Tells how a text file is encoded."""

from __future__ import annotations

import codecs
from collections.abc import Callable
from typing import BinaryIO

CHUNK = 1 << 20
SAMPLE = 1 << 17

BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
FEW_BAD = 0.02
"""Where fewer of a file's non-ASCII places are broken than this, it is UTF-8 with damage, not another encoding."""


def find_encoding(open_file: Callable[[], BinaryIO]) -> str:
    """The Python name of the encoding; for a file of damaged UTF-8 it is utf-8 (decode with `surrogateescape`).

    The file is read through once: whether it is UTF-8 cannot be told from its beginning.
    """
    with open_file() as stream:
        head = stream.read(SAMPLE)
        for bom, name in BOMS:
            if head.startswith(bom):
                return name
        if name := _utf16_without_mark(head):
            return name
        stream.seek(0)
        good, bad, sample = _count_utf8(stream)
    if bad == 0 or bad <= FEW_BAD * (good + bad):
        return "utf-8"
    return guess(sample)


def guess(sample: bytes) -> str:
    """The likeliest encoding of bytes that are not UTF-8; cp1252 where the library cannot tell."""
    from charset_normalizer import from_bytes

    best = from_bytes(sample, steps=8, chunk_size=1024).best()
    if best is None or best.encoding == "ascii":
        return "cp1252"
    if best.encoding in _EASTERN or best.encoding.startswith(_EASTERN_STARTS):
        return best.encoding
    try:
        western = sample.decode("cp1252")
    except UnicodeDecodeError:
        return best.encoding
    # Short Western texts are valid in a dozen code pages that differ in a few signs; cp1252 is the one in use.
    return "cp1252" if _strange(western) <= _strange(str(best)) else best.encoding


_EASTERN = ("cp1250", "cp1251", "cp1253", "cp1254", "koi8_r", "koi8_u", "iso8859_2", "iso8859_5", "iso8859_7")
_EASTERN_STARTS = ("shift_jis", "gb", "big5", "euc", "cp932", "cp949", "johab", "iso2022", "hz", "utf")
_EXPECTED = frozenset("äöüßÄÖÜéèêëàâçîïôûùœæÉÀÇñÑáíóúÁÍÓÚ¿¡åÅøØæÆãõÃÕìòº°ª€£§»«“”‘’„‚–—…•·´²³½¼µ±×\u00a0")


def _strange(text: str) -> int:
    """How many non-ASCII signs are not those of the languages at hand."""
    return sum(1 for sign in text if sign > "\x7f" and sign not in _EXPECTED)


def _utf16_without_mark(head: bytes) -> str:
    sample = head[: len(head) // 2 * 2][:4096]
    if len(sample) < 16:
        return ""
    half = len(sample) // 2
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    if odd > 0.6 * half and even < 0.05 * half:
        return "utf-16-le"
    if even > 0.6 * half and odd < 0.05 * half:
        return "utf-16-be"
    return ""


def _count_utf8(stream: BinaryIO) -> tuple[int, int, bytes]:
    """Good and broken non-ASCII sequences, and a sample of the lines around the broken ones (or of the head)."""
    decoder = codecs.getincrementaldecoder("utf-8")("surrogateescape")
    good = bad = 0
    sample = b""
    while True:
        data = stream.read(CHUNK)
        if data.isascii() and not decoder.getstate()[0]:
            if not data:
                break
            continue
        text = decoder.decode(data, final=not data)
        broken = sum(1 for sign in text if "\udc80" <= sign <= "\udcff") if _has_broken(text) else 0
        bad += broken
        good += max(len(data) - len(text), 0)  # follow-on bytes of good sequences; broken ones become one sign a byte
        if broken and len(sample) < SAMPLE:
            lines = [line for line in data.splitlines() if not line.isascii()]
            sample += b"\n".join(lines)[: SAMPLE - len(sample)]
        if not data:
            break
    return good, bad, sample


def _has_broken(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return True
    return False
