"""Makes postings of schema.org items, whether they came as JSON-LD or as microdata."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol

from pipeline.read_exports.decoded_text import clean_text
from pipeline.read_exports.html_text import holds_html, html_to_text
from pipeline.read_exports.json_events import BrokenJson, parse_line
from pipeline.read_exports.raw_table import Cell

COLUMNS = ["id", "parent", "thread", "author", "time", "lang", "likes", "link", "text"]
RESPONSES = frozenset(
    {"Comment", "DiscussionForumPosting", "SocialMediaPosting", "Answer", "Question", "Review", "UserComments"}
)
_ARTICLES = re.compile(r"(?:\w*Article|BlogPosting|VideoObject|PodcastEpisode|RadioEpisode|Episode|WebPage|Product)")
_ANSWERS = ("comment", "suggestedAnswer", "acceptedAnswer", "review")
_TEXTS = ("text", "commentText", "reviewBody", "articleBody", "description", "headline", "name")
_TRAILING = re.compile(r",(\s*[\]}])")


@dataclass(slots=True)
class Posting:
    """One response of a page."""

    kind: str
    text: str
    id: str | None = None
    parent: str | None = None
    thread: str | None = None
    author: str | None = None
    time: str | None = None
    lang: str | None = None
    likes: int | None = None
    link: str | None = None

    def cells(self) -> list[Cell]:
        """Along `COLUMNS`."""
        cells: list[Cell] = [getattr(self, name) for name in COLUMNS]
        return [clean_text(cell) if isinstance(cell, str) else cell for cell in cells]

    def mark(self) -> tuple[str, str]:
        """What two spellings of one posting have in common: author and words."""
        return self.author or "", " ".join(self.text.split()).lower()


class Item(Protocol):
    """A microdata item as `formats.html_page` gathers it."""

    kind: str
    id: str
    values: dict[str, list[Any]]

    @property
    def outer(self) -> Any:
        """The item around this one, or None."""


def linked_postings(scripts: list[str]) -> tuple[list[Posting], list[tuple[int, str]]]:
    """The postings of all JSON-LD blocks of a page, and the blocks that are not JSON, as (number, error)."""
    roots: list[Any] = []
    unread: list[tuple[int, str]] = []
    for number, script in enumerate(scripts, start=1):
        text = re.sub(
            r"^\s*(?:<!--|//\s*<!\[CDATA\[|<!\[CDATA\[)|(?:-->|//\s*\]\]>|\]\]>)\s*;?\s*$", "", script
        ).strip()
        if not text:
            continue
        try:
            roots.append(parse_line(text))
        except BrokenJson as error:
            try:
                roots.append(parse_line(_TRAILING.sub(r"\1", text)))
            except BrokenJson:
                unread.append((number, str(error)))
    return list(_postings(roots)), unread


def _postings(roots: list[Any]) -> Iterator[Posting]:
    nodes = _named_nodes(roots)
    parents = _referenced_parents(roots)
    done: set[str] = set()
    threads: dict[str, str] = {}
    pending: list[tuple[Any, str | None, str | None]] = [(root, None, None) for root in reversed(roots)]
    while pending:
        value, parent, thread = pending.pop()
        if isinstance(value, list):
            pending.extend((one, parent, thread) for one in reversed(value))
        if not isinstance(value, dict):
            continue
        kinds = _kinds(value)
        own = _reference(value)
        if own and len(value) == 1:
            continue  # only a reference; the node itself stands elsewhere
        if kinds & RESPONSES:
            if own and own in done:
                continue
            if own:
                done.add(own)
            above = _reference(value.get("parentItem")) or parent or parents.get(own or "")
            posting = _linked(value, nodes, sorted(kinds & RESPONSES)[0])
            posting.id, posting.parent = own, above if above != own else None
            posting.thread = thread or (threads.get(above, above) if above else own)
            if own:
                threads[own] = posting.thread or own
            yield posting
            thread, inner_parent = posting.thread, own
        else:
            if any(_ARTICLES.fullmatch(kind) for kind in kinds):
                thread = own or thread
            inner_parent = None
        for key, below in reversed(value.items()):
            if isinstance(below, dict | list) and key not in ("author", "publisher", "parentItem", "@context"):
                pending.append((below, inner_parent if key in _ANSWERS else None, thread))


def _walk(roots: list[Any]) -> Iterator[dict[str, Any]]:
    stack: list[Any] = list(reversed(roots))
    while stack:
        value = stack.pop()
        if isinstance(value, dict):
            yield value
            stack.extend(one for one in value.values() if isinstance(one, dict | list))
        elif isinstance(value, list):
            stack.extend(value)


def _named_nodes(roots: list[Any]) -> dict[str, dict[str, Any]]:
    """The nodes by `@id`, those that say more than the name."""
    return {node["@id"]: node for node in _walk(roots) if isinstance(node.get("@id"), str) and len(node) > 1}


def _referenced_parents(roots: list[Any]) -> dict[str, str]:
    """Child -> parent, where a posting names its comments by `@id` only."""
    parents: dict[str, str] = {}
    for node in _walk(roots):
        own = _reference(node)
        if own and _kinds(node) & RESPONSES:
            for key in _ANSWERS:
                for child in _list(node.get(key)):
                    if isinstance(child, dict) and len(child) == 1 and (name := _reference(child)):
                        parents.setdefault(name, own)
                    elif isinstance(child, str):
                        parents.setdefault(child, own)
    return parents


def _linked(node: dict[str, Any], nodes: dict[str, dict[str, Any]], kind: str) -> Posting:
    texts = _TEXTS if kind != "Answer" else _TEXTS[:5]
    raw = next((said for key in texts if (said := _string(node.get(key)))), "")
    return Posting(
        kind=kind,
        text=html_to_text(raw) if holds_html(raw) else raw.strip(),
        author=_author(node.get("author", node.get("creator")), nodes),
        time=_string(node.get("dateCreated")) or _string(node.get("datePublished")) or _string(node.get("commentTime")),
        lang=_string(node.get("inLanguage")),
        likes=_likes(node),
        link=_string(node.get("url")),
    )


def _author(value: Any, nodes: dict[str, dict[str, Any]]) -> str | None:
    for one in _list(value):
        if isinstance(one, dict):
            name = _string(one.get("name")) or _string(one.get("alternateName"))
            if name is None and (node := nodes.get(_reference(one) or "")) is not None:
                name = _string(node.get("name"))
            one = name or _reference(one)
        if isinstance(one, str) and one:
            return _string(nodes[one].get("name")) if one in nodes else one
    return None


def _likes(node: dict[str, Any]) -> int | None:
    if (count := _whole(node.get("upvoteCount"))) is not None:
        return count
    for one in _list(node.get("interactionStatistic")):
        if isinstance(one, dict) and "like" in str(one.get("interactionType", "")).lower()[:400]:
            return _whole(one.get("userInteractionCount"))
    return None


def _whole(value: Any) -> int | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return value
    text = value.strip() if isinstance(value, str) else ""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 12 else None


def _kinds(node: dict[str, Any]) -> set[str]:
    types = (kind for kind in _list(node.get("@type")) if isinstance(kind, str))
    return {re.split(r"[:/#]", kind)[-1] for kind in types}


def _reference(value: Any) -> str | None:
    """The name of a node: `@id`, else `identifier`, else `url`."""
    for one in _list(value):
        if isinstance(one, str) and one:
            return one
        if isinstance(one, dict):
            for key in ("@id", "identifier", "url"):
                if said := _string(one.get(key)):
                    return said
    return None


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [] if value is None else [value]


def _string(value: Any) -> str | None:
    for one in _list(value):
        if isinstance(one, dict):
            one = one.get("@value", one.get("value", one.get("name")))
        if isinstance(one, int | float) and not isinstance(one, bool):
            one = str(one)
        if isinstance(one, str) and one.strip():
            return one
    return None


def microdata_posting(item: Item) -> Posting | None:
    """A microdata item as a posting; None where it is no response."""
    if item.kind not in RESPONSES:
        return None
    values = item.values
    raw = next((said for key in _TEXTS for said in values.get(key, ()) if isinstance(said, str) and said.strip()), "")
    above, thread = item.outer, None
    parent = _first(values, "parentItem")
    while above is not None:
        if above.kind in RESPONSES:
            parent = parent or _microdata_id(above)
            thread = _microdata_id(above)
        elif _ARTICLES.fullmatch(above.kind or ""):
            thread = _microdata_id(above)
        above = above.outer
    thread = thread or parent or _microdata_id(item)
    likes = _whole(_first(values, "upvoteCount"))
    for counter in values.get("interactionStatistic", ()):
        if (
            likes is None
            and not isinstance(counter, str)
            and "like" in str(_first(counter.values, "interactionType")).lower()
        ):
            likes = _whole(_first(counter.values, "userInteractionCount"))
    return Posting(
        kind=item.kind,
        text=html_to_text(raw),
        id=_microdata_id(item),
        parent=parent,
        thread=thread,
        author=_plain(_first(values, "author") or _first(values, "creator")),
        time=_plain(_first(values, "dateCreated") or _first(values, "datePublished") or _first(values, "commentTime")),
        lang=_plain(_first(values, "inLanguage")),
        likes=likes,
        link=_first(values, "url"),
    )


def _plain(value: str | None) -> str | None:
    return html_to_text(value).replace("\n", " ") or None if value else None


def _microdata_id(item: Any) -> str | None:
    return item.id or _first(item.values, "identifier") or _first(item.values, "url")


def _first(values: dict[str, list[Any]], name: str) -> str | None:
    """A property's first value as text; an item's name, or its id."""
    for value in values.get(name, ()):
        if isinstance(value, str):
            if value.strip():
                return value.strip()
        elif said := _first(value.values, "name") or value.id or _first(value.values, "url"):
            return said
    return None
