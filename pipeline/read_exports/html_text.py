"""Turns a fragment of HTML into plain text: paragraphs and line breaks stay, markup goes.

Quoted passages (`<blockquote>`) become lines that begin with "> ", as in mail, so that later stages know them from the
responder's own words.  The parser is libxml2's event parser: no tree is built, so neither depth nor length matters.
"""

from __future__ import annotations

import re


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_BLOCKS = _words(
    "address article aside blockquote body center dd details dialog dir div dl"
    " dt fieldset figcaption figure footer form"
    " h1 h2 h3 h4 h5 h6 header hr html legend li main menu nav ol optgroup option p pre search section summary table"
    " tbody tfoot thead tr ul"
)
_PARAGRAPHS = _words("p h1 h2 h3 h4 h5 h6 ul ol dl table blockquote pre figure hr article section")
_DROPPED = _words("script style template head title select svg math iframe object noscript")
_INLINE = _words(
    "a abbr acronym area audio b base bdi bdo big br button canvas caption cite code col colgroup data datalist del"
    " dfn em embed font i img input ins kbd label link map mark meta meter nobr output param picture progress q rp rt"
    " ruby s samp small source span strike strong sub sup td textarea th time track tt u var video wbr"
)
_NAMES = "|".join(sorted(_BLOCKS | _DROPPED | _INLINE, key=len, reverse=True))
_NOT_A_TAG = re.compile(
    rf"<(?!/?(?:{_NAMES}|[a-z]+[:-][\w:-]+)(?=[\s/>]|$)|!--|!doctype|!\[cdata\[|\?xml)", re.IGNORECASE
)
_HTML = re.compile(
    rf"</?(?:{_NAMES})(?:\s[^<>]*)?/?>|&(?:amp|lt|gt|quot|apos|nbsp|#\d{{1,7}}|#x[0-9a-f]{{1,6}}|[a-z]{{2,8}}\d?);",
    re.IGNORECASE,
)
_BREAKING = re.compile(rf"<(?:br|{'|'.join(sorted(_BLOCKS, key=len, reverse=True))})(?=[\s/>])", re.IGNORECASE)
_SPACE = re.compile(r"[ \t\r\n\f]+")
_CHARACTERS_UNFIT = re.compile("[\x00-\x08\x0b\x0e-\x1f\ud800-\udfff]")
_LINE_END = re.compile(r"\r\n?|[\u2028\u2029]")


def holds_html(text: str) -> bool:
    """True where `text` has at least one known HTML tag or character reference in it."""
    return _HTML.search(text) is not None


def html_to_text(fragment: str) -> str:
    """The plain text of an HTML fragment; never raises, whatever the text is.

    Paragraphs are set apart by one blank line, `<br>` and the like give a line break, `<blockquote>` gives "> " lines,
    scripts and styles are dropped, character references are resolved.  A "<" that opens no known tag ("<80 %", "<3")
    stays as it is.  A fragment without any line-breaking tag keeps its own line breaks.
    """
    text = _LINE_END.sub("\n", fragment)
    if "<" not in text and "&" not in text:
        return _tidy(_CHARACTERS_UNFIT.sub("", text))
    from lxml import etree

    target = _TextTarget(keeps_lines=_BREAKING.search(text) is None)
    parser = etree.HTMLParser(target=target, huge_tree=True, recover=True, encoding="utf-8")
    safe = _NOT_A_TAG.sub("&lt;", _CHARACTERS_UNFIT.sub("", text))
    try:
        parser.feed(b"<html><body>" + safe.encode("utf-8"))
        parser.close()
    except (etree.LxmlError, ValueError):
        return _tidy(re.sub(r"<[^<>]*>", " ", text))
    return target.text()


def _tidy(text: str) -> str:
    """Lines without trailing blanks, never more than one empty line in a row, none at either end."""
    return re.sub(r"\n{3,}", "\n\n", re.sub(r"[ \t\f]+(?=\n|\Z)", "", text)).strip("\n ")


class _TextTarget:
    """Gathers lines from the parser's events, each with the number of quotations it stands in."""

    def __init__(self, *, keeps_lines: bool) -> None:
        self.keeps_lines = keeps_lines
        self.lines: list[tuple[int, str]] = []
        self.now: list[str] = []
        self.quotes = 0
        self.dropped = 0
        self.literal = 0

    def start(self, tag: str, attributes: object) -> None:
        if tag in _DROPPED:
            self.dropped += 1
        elif tag == "br":
            self._end_line(always=True)
        elif tag in _BLOCKS:
            self._end_line(blank=tag in _PARAGRAPHS)
            self.quotes += tag == "blockquote"
            self.literal += tag == "pre"
        elif tag in ("td", "th"):
            self.now.append(" ")

    def end(self, tag: str) -> None:
        if tag in _DROPPED:
            self.dropped = max(0, self.dropped - 1)
        elif tag in _BLOCKS:
            self._end_line(blank=tag in _PARAGRAPHS)
            if tag == "blockquote":
                self.quotes = max(0, self.quotes - 1)
            elif tag == "pre":
                self.literal = max(0, self.literal - 1)

    def data(self, data: str) -> None:
        if self.dropped:
            return
        if self.keeps_lines or self.literal:
            first, *others = data.split("\n")
            self.now.append(first)
            for other in others:
                self._end_line(always=True)
                self.now.append(other)
        else:
            self.now.append(_SPACE.sub(" ", data))

    def comment(self, data: str) -> None:
        """Comments say nothing."""

    def close(self) -> None:
        self._end_line()

    def _end_line(self, *, blank: bool = False, always: bool = False) -> None:
        line = "".join(self.now)
        self.now.clear()
        line = line.rstrip(" \t") if self.literal or self.keeps_lines else _SPACE.sub(" ", line).strip(" ")
        if line or always:
            self.lines.append((self.quotes, line))
        if blank and self.lines and self.lines[-1][1]:
            self.lines.append((self.quotes, ""))

    def text(self) -> str:
        """All lines, quotations marked, blank lines thinned out."""
        out: list[tuple[int, str]] = []
        for depth, line in self.lines:
            if not line and (not out or not out[-1][1]):
                if out:
                    out[-1] = (min(out[-1][0], depth), "")
                continue
            if out and not out[-1][1]:
                out[-1] = (min(out[-1][0], depth), "")
            elif out and out[-1][0] != depth:
                out.append((min(out[-1][0], depth), ""))
            out.append((depth, line))
        while out and not out[-1][1]:
            out.pop()
        return "\n".join(("> " * min(depth, 50) + line).rstrip(" ") for depth, line in out).strip("\n ")
