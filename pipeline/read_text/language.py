"""Tells the language of each response of an export that does not say it.

Most texts are told by their function words (`function_words/<code>.txt`: words that one language has for itself).
What they leave open (short, terse or mixed texts) py3langid weighs, offline, with a prior: what its thread, or its
export, is written in so far.  Told one after the other, in the export's order, whatever the size of batches.
"""

from __future__ import annotations

import re
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from importlib import resources
from itertools import islice
from typing import TYPE_CHECKING, TypeVar

from pipeline.response import Response

if TYPE_CHECKING:
    from py3langid.langid import LanguageIdentifier

ENOUGH_WORDS = 2
"""Function words of one language that tell a text, where others have at most a quarter as many."""
CERTAIN_WORDS = 6
"""Function words of one language, and of no other, after which the rest of a text is not looked at."""
PRIOR_AT_MOST = 10.0
"""How much likelier at most the prior makes its language than another: short texts follow it, clear ones do not."""
FOREIGN = 0.95
"""Chance from which a text with next to no known function words is of a language that is not among the told ones."""
FOREIGN_HITS = 2
FOREIGN_LETTERS = 30
"""Letters from which a text can be told to be of no known language; shorter ones follow the prior."""
LEAST_SURE = 0.3
LEAST_TIMES = 2.4
"""Without a prior, a text is left untold whose likeliest language has less than this, or less than so many times the
share that each of the languages would have if all were as likely: of nine languages one more is no less told."""
HEAD = 64
"""Responses at the beginning of an export that are looked at together, so that the first ones have a prior too."""
THREADS_HELD = 20_000
"""Threads whose languages are held at once; of more, those not written in for longest are forgotten."""
THREAD_LEAST = 5
"""Told responses from which a thread is a prior of its own."""

_WORD = re.compile(r"[^\W\d_]+(?:'[^\W\d_]+)*")
_NO_WORDS = re.compile(r"^\s*>.*$|https?://\S+|www\.\S+|\S+@\S+|@\S+", re.MULTILINE)
_MODEL_CODES = {"nb": "no"}
"""Language -> the code that py3langid has for it, where the two differ."""
_SAME = {"no": "nb", "nn": "nb"}
_HEADER = re.compile(r"^[^\n:]{1,200}?(?=: )|^[^\n:]{0,200}\?(?=:? )", re.MULTILINE)

Item = TypeVar("Item")


def known_languages() -> list[str]:
    """Codes of the languages that can be told: those that have a list of function words."""
    folder = resources.files("pipeline.read_text") / "function_words"
    return sorted(entry.name[:-4] for entry in folder.iterdir() if entry.name.endswith(".txt"))


def base_language(code: str | None) -> str | None:
    """The language of a BCP 47 tag without script and region, both written Norwegians as one ("no-NO": "nb")."""
    if not code:
        return None
    base = code.split("-")[0].split("_")[0].lower()
    return _SAME.get(base, base)


@cache
def _function_words(languages: tuple[str, ...]) -> dict[str, str]:
    """Function word -> its language; words that two of the languages share tell nothing and are left out."""
    folder = resources.files("pipeline.read_text") / "function_words"
    lists = {code: (folder / f"{code}.txt").read_text("utf8").split() for code in languages}
    times = Counter(word for words in lists.values() for word in set(words))
    return {word: code for code, words in lists.items() for word in words if times[word] == 1}


@cache
def _model() -> LanguageIdentifier:
    from py3langid.langid import MODEL_FILE, LanguageIdentifier

    return LanguageIdentifier.from_model_file(MODEL_FILE, norm_probs=True)


class LanguageTeller:
    """Tells which of `languages` (all that are known, where none are given) a text is in; `forced` is always told."""

    def __init__(self, languages: Sequence[str] | None = None, forced: str | None = None) -> None:
        self.languages = tuple(sorted(set(languages or known_languages()) & set(known_languages())))
        self.forced = forced
        self._words = _function_words(self.languages)

    def tell(self, text: str, prior: Mapping[str, int] | str | None = None) -> str | None:
        """The language of a text, or None where nothing tells it.

        `prior` is the language of what stands around it, or how many texts around it are in which language.
        """
        if self.forced is not None:
            return self.forced
        around = {prior: 1000} if isinstance(prior, str) else prior or {}
        likeliest = max(sorted(around), key=lambda code: around[code]) if around else None
        own = _NO_WORDS.sub(" ", text)
        if not any(map(str.isalpha, own)):
            own = text
        if not any(map(str.isalpha, own)):
            return likeliest
        by_words, hits = self._by_words(own)
        return by_words or self._by_model(own, around, likeliest, hits)

    def _by_words(self, text: str) -> tuple[str | None, int]:
        """The language that the function words tell, if they do, and how many there are."""
        counts: dict[str, int] = {}
        words = self._words
        for match in _WORD.finditer(text.lower().replace("’", "'")):
            code = words.get(match[0])
            if code is None:
                continue
            counts[code] = count = counts.get(code, 0) + 1
            if count >= CERTAIN_WORDS and len(counts) == 1:
                return code, count
        if not counts:
            return None, 0
        ranked = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
        code, most = ranked[0]
        clear = most >= ENOUGH_WORDS and (len(ranked) == 1 or most >= 4 * ranked[1][1])
        return code if clear else None, sum(counts.values())

    def _by_model(self, text: str, around: Mapping[str, int], likeliest: str | None, hits: int) -> str | None:
        chances = dict(_model().rank(text))
        own = {code: chances.get(_MODEL_CODES.get(code, code), 0.0) for code in self.languages}
        whole = sum(own.values())
        if hits <= FOREIGN_HITS and 1 - whole >= FOREIGN and sum(map(str.isalpha, text)) >= FOREIGN_LETTERS:
            return None
        # what is near to a known language (Danish, Catalan) takes a share of its chance: only the known ones count
        most = max(around.values(), default=0) + 1
        weighed = {
            code: chance * max((around.get(code, 0) + 1) / most, 1 / PRIOR_AT_MOST) for code, chance in own.items()
        }
        told = max(self.languages, key=lambda code: weighed[code])
        if likeliest is None and own[told] < min(LEAST_SURE, LEAST_TIMES / len(self.languages)) * whole:
            return None
        return told


class ExportTeller:
    """Gives every response of one export a language, where the export names none."""

    def __init__(self, teller: LanguageTeller) -> None:
        self._teller = teller
        self._export: Counter[str] = Counter()
        self._threads: dict[str, Counter[str]] = {}
        self._headers: frozenset[str] = frozenset()
        self._asked_in: str | None = None

    def told(self, items: Iterable[Item]) -> Iterator[Item]:
        """The items as they come, the responses among them with `lang` set."""
        stream = iter(items)
        head = deque(islice(stream, HEAD))
        responses = [item for item in head if isinstance(item, Response)]
        if self._teller.forced is None:
            self._look_at_head(responses)
        while head:
            yield self._tell(head.popleft())
        for item in stream:
            yield self._tell(item)

    def _tell(self, item: Item) -> Item:
        if not isinstance(item, Response):
            return item
        if self._teller.forced is not None:
            item.lang = self._teller.forced
        elif item.lang is None:
            item.lang = self._teller.tell(self._own_words(item), self._prior(item.thread_id))
        told = base_language(item.lang)
        if told is not None:
            self._export[told] += 1
            if item.thread_id is not None:
                self._count_in_thread(item.thread_id, told)
        return item

    def _count_in_thread(self, thread: str, told: str) -> None:
        counts = self._threads.pop(thread, None) or Counter()
        counts[told] += 1
        self._threads[thread] = counts
        if len(self._threads) > THREADS_HELD:
            del self._threads[next(iter(self._threads))]

    def _prior(self, thread: str | None) -> Mapping[str, int] | str | None:
        counts = self._threads.get(thread) if thread is not None else None
        if counts is not None and counts.total() >= THREAD_LEAST:
            return counts
        return self._export or self._asked_in

    def _look_at_head(self, responses: Sequence[Response]) -> None:
        """The first responses: which line beginnings are a survey's questions, and which language is most told."""
        seen: Counter[str] = Counter()
        for response in responses:
            seen.update({match[0] for match in _HEADER.finditer(response.text)})
            seen.update({answer.question: len(responses) for answer in response.answers})
        self._headers = frozenset(header for header, times in seen.items() if times >= max(3, len(responses) // 5))
        asked = " \n".join(sorted(self._headers)) if any(response.answers for response in responses) else ""
        self._asked_in = self._teller.tell(asked) if asked else None
        told: Counter[str] = Counter()
        for response in responses:
            code = base_language(response.lang) or self._teller.tell(self._own_words(response))
            if code is not None:
                told[code] += 1
        if told and max(told.values()) >= THREAD_LEAST:
            self._asked_in = max(sorted(told), key=lambda code: told[code])

    def _own_words(self, response: Response) -> str:
        """The text without the questions of a survey; without its answers too, where there is more than them."""
        if not response.answers and not self._headers:
            return response.text
        text = list(response.text)
        for answer in response.answers:
            begin = max(0, answer.start - len(answer.question) - 2)
            text[begin : answer.end] = " " * (answer.end - begin)
        free = self._without_headers("".join(text))
        if response.answers and not any(map(str.isalpha, free)):
            return " \n".join(response.text[answer.start : answer.end] for answer in response.answers)
        return free

    def _without_headers(self, text: str) -> str:
        return _HEADER.sub(lambda match: "" if match[0] in self._headers else match[0], text)
