"""Every name that the trained recogniser sees in a text with its exact chance, without following readings one by one.

spaCy's recogniser walks through a text token by token: a name begins, goes on, ends, is one token long, or there is
none.  What it sees at a step is the token, the name's first token and the token before (`n = 3` in spaCy's
`StateC.set_context_tokens`), so that a step's score depends on two places only.  All steps' scores come from one
matrix product, and the share of all readings that hold a name is the sum over a lattice, forwards and backwards
(Rabiner 1989, from memory; for names of several tokens Sarawagi and Cohen 2004, from memory).  spaCy's own beam keeps
the best few readings of the same sum.  Each text is worked out by itself: its figures never depend on its neighbours.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from spacy.language import Language
    from spacy.tokens import Doc

LONGEST = 8
"""Tokens of the longest name that is thought of."""
DROP = math.log(1e-4)
"""A reading of so much less weight than the best at a token is given up (spaCy's beam density)."""
NEVER = -1e30
MOST_KEPT = 1 << 15
"""So many words' vectors are kept in memory; then the memory is emptied."""


class NameLattice:
    """The weights of a trained recogniser (`nlp` with the component "ner", one label), ready for whole texts."""

    def __init__(self, nlp: Language) -> None:
        import numpy as np

        self._nlp = nlp
        recogniser: Any = nlp.get_pipe("ner")
        names = recogniser.move_names
        if len({name.split("-")[1] for name in names if "-" in name}) != 1:
            raise ValueError(f"a recogniser of one kind of names is needed, not {names}")
        every = [recogniser.moves.get_class_name(number) for number in range(recogniser.moves.n_moves)]
        step = {name.split("-")[0]: number for number, name in enumerate(every) if name != "U-"}
        self._steps = [step[name] for name in "BILUO"]
        embedding, encoder = recogniser.model.get_ref("tok2vec").layers[0].layers
        _, _, tables, mixing, _ = embedding.layers
        self._tables: Any = tables.layers[0]
        self._mixing: Any = mixing.layers[0]
        self._columns = list(embedding.layers[0].attrs["columns"])
        self._pad = int(encoder.attrs["pad"])
        self._layers = []
        for residual in encoder.layers[0].layers:
            maxout, norm = residual.layers[0].layers[1].layers[0].layers
            weights = maxout.get_param("W")
            self._layers.append(
                (
                    # pieces before outputs, so that the largest piece is taken of whole blocks
                    np.ascontiguousarray(weights.transpose(1, 0, 2).reshape(-1, weights.shape[-1]).T),
                    maxout.get_param("b").T.reshape(-1),
                    norm.get_param("G"),
                    norm.get_param("b"),
                )
            )
        linear = recogniser.model.get_ref("tok2vec").layers[-1]
        lower, upper = recogniser.model.get_ref("lower"), recogniser.model.get_ref("upper")
        weights = lower.get_param("W")  # places, outputs, pieces, inputs
        places, outputs, pieces, inputs = weights.shape
        # the linear layer and the first layer of the steps are one matrix product; pieces before outputs here too
        flat = weights.transpose(0, 2, 1, 3).reshape(-1, inputs)
        self._seen = np.ascontiguousarray((flat @ linear.get_param("W")).T)
        self._seen_bias = flat @ linear.get_param("b")
        self._shape = (places, pieces * outputs)
        self._outputs = outputs
        nothing = lower.get_param("pad")[0].transpose(0, 2, 1).reshape(places, -1)
        self._bias = lower.get_param("b").T.reshape(-1)
        self._outside = nothing[1] + nothing[2] + self._bias
        self._upper = np.ascontiguousarray(upper.get_param("W")[self._steps].T)
        self._upper_bias = upper.get_param("b")[self._steps]
        self._vectors: dict[str, Any] = {}

    def names(self, text: str) -> list[tuple[int, int, float]]:
        """(start, end, chance) of the names in a text that have a chance at all, in the text's order."""
        doc = self._nlp.make_doc(text)
        count = len(doc)
        if not count:
            return []
        seen = (self._encoded(doc) @ self._seen + self._seen_bias).reshape(count, *self._shape)
        blank = [token.is_space for token in doc]
        outside = self._scores(seen[:, 0] + self._outside)
        none = outside[:, 4].tolist()
        outside -= outside[:, 4:]
        begin, _, _, unit, _ = outside.T.tolist()
        for place in range(count):
            if blank[place]:
                unit[place] = begin[place] = NEVER
        begin[-1] = NEVER  # a name of several tokens cannot begin at the last
        inside = self._inside(seen, begin, unit, none)
        found = _shares(begin, unit, inside, count)
        return [(doc[first].idx, doc[last].idx + len(doc[last]), share) for first, last, share in found]

    def _inside(
        self, seen: Any, begin: Sequence[float], unit: Sequence[float], none: Sequence[float]
    ) -> dict[tuple[int, int], tuple[float, float]]:
        """(first token, token) -> scores of going on and of ending there, for names that may begin at all."""
        import numpy as np

        count = len(begin)
        pairs = [
            (first, place)
            for first in range(count - 1)
            if begin[first] - max(0.0, unit[first]) >= DROP
            for place in range(first + 1, min(count, first + LONGEST))
        ]
        if not pairs:
            return {}
        first, here = np.array(pairs).T
        scores = self._scores(seen[here, 0] + seen[first, 1] + seen[here - 1, 2] + self._bias)[:, 1:3].tolist()
        return {
            (start, place): (on - none[place] if place + 1 < count else NEVER, last - none[place])
            for (start, place), (on, last) in zip(pairs, scores, strict=True)
        }

    def _scores(self, sums: Any) -> Any:
        return _largest(sums, self._outputs) @ self._upper + self._upper_bias

    def _encoded(self, doc: Doc) -> Any:
        """A row a token: its own vector with what stands around it."""
        import numpy as np

        words = self._words(doc)
        rows = np.zeros((len(doc) + 2 * self._pad, words[0].shape[0]), np.float32)
        rows[self._pad : -self._pad] = words
        width = rows.shape[1]
        window = np.zeros((len(rows), 3 * width), np.float32)
        for weights, bias, gain, shift in self._layers:
            window[1:, :width] = rows[:-1]
            window[:, width : 2 * width] = rows
            window[:-1, 2 * width :] = rows[1:]
            most = _largest(window @ weights + bias, width)
            most -= most.sum(axis=1, keepdims=True) / width
            spread = np.einsum("ij,ij->i", most, most) / width + 1e-8
            rows = rows + (most * (1 / np.sqrt(spread))[:, None] * gain + shift)
        return rows[self._pad : -self._pad]

    def _words(self, doc: Doc) -> list[Any]:
        """The vector of each token, each worked out by itself and once."""
        kept = self._vectors
        if len(kept) > MOST_KEPT:
            kept.clear()
        words = [token.text for token in doc]
        if any(word not in kept for word in words):
            keys = doc.to_array(self._columns)
            for place, word in enumerate(words):
                if word not in kept:
                    kept[word] = self._mixing.predict(self._tables.predict(keys[place : place + 1]))[0]
        return [kept[word] for word in words]


def _largest(pieces: Any, width: int) -> Any:
    """The largest piece of each output, where rows hold the first pieces of all outputs, then the second ones."""
    import numpy as np

    most = pieces[:, :width]
    for start in range(width, pieces.shape[1], width):
        most = np.maximum(most, pieces[:, start : start + width])
    return most


def _shares(
    begin: Sequence[float],
    unit: Sequence[float],
    inside: Mapping[tuple[int, int], tuple[float, float]],
    count: int,
) -> list[tuple[int, int, float]]:
    """(first, last token, share of the readings) of names; scores are over "no name here" at the same token.

    Readings that fall behind the best at a token are given up there, as the recogniser was trained to go on.
    """
    outside = [0.0] + [NEVER] * count  # log weight of all readings that stand outside a name before each token
    open_names: dict[int, float] = {}  # first token -> log weight
    steps: list[tuple[int, int, float]] = []  # names kept: first, last token, log weight of the name alone
    whole: dict[int, float] = {}
    for place in range(count):
        here = outside[place]
        goes_on: dict[int, float] = {}
        ended: list[tuple[int, float]] = []
        for first, weight in open_names.items():
            on, last = inside.get((first, place), (NEVER, NEVER))
            goes_on[first] = weight + on
            ended.append((first, weight + last))
        if begin[place] > NEVER:
            goes_on[place] = here + begin[place]
        single = here + unit[place]
        best = max([here, single, *goes_on.values(), *(weight for _, weight in ended)])
        least = best + DROP
        after = [here] if here >= least else []
        if single >= least:
            after.append(single)
            steps.append((place, place, unit[place]))
        for first, weight in ended:
            if weight >= least:
                after.append(weight)
                steps.append((first, place, weight - whole[first]))
        outside[place + 1] = _log_sum(after)
        open_names = {first: weight for first, weight in goes_on.items() if weight >= least}
        if place in open_names:
            whole[place] = here
    return _marginals(outside, steps, count)


def _marginals(
    outside: Sequence[float], steps: Sequence[tuple[int, int, float]], count: int
) -> list[tuple[int, int, float]]:
    """The share of all readings that hold each name, from the weights before and behind it."""
    begins: dict[int, list[tuple[int, float]]] = {}
    for first, last, weight in steps:
        begins.setdefault(first, []).append((last, weight))
    behind = [NEVER] * count + [0.0]
    for place in range(count - 1, -1, -1):
        ways = [behind[last + 1] + weight for last, weight in begins.get(place, ())]
        if outside[place + 1] > NEVER:
            ways.append(behind[place + 1])
        behind[place] = _log_sum(ways)
    every = behind[0]
    return sorted(
        (first, last, math.exp(min(0.0, outside[first] + weight + behind[last + 1] - every)))
        for first, last, weight in steps
    )


def _log_sum(weights: Sequence[float]) -> float:
    if len(weights) < 2:
        return weights[0] if weights else NEVER
    most = max(weights)
    return most + math.log(sum(math.exp(weight - most) for weight in weights))
