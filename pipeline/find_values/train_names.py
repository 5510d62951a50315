"""Trains the name model: `python -m pipeline.find_values.train_names LABELLED... [--to FOLDER]`.

The labels' words of `vehicle_text` are the examples.  In most passes a text's names are exchanged for invented ones, so
that the model learns where a name stands, and not which names there are; a quarter of the texts is lower-cased.
Same data, same seed, same model.
"""

from __future__ import annotations

import argparse
import json
import random
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.find_values.labelled import Labelled, read_labelled
from pipeline.group_reports.anchors import tracker_data
from pipeline.group_reports.names import NameFinder

if TYPE_CHECKING:
    from spacy.language import Language
    from spacy.training import Example

SEED = 20250301
PASSES = 14
BATCH = 16
LABEL = "VEHICLE"
EXCHANGED, LOWERED = 0.65, 0.2
"""Shares of the texts, in each pass, whose names are exchanged and whose capitals are taken away."""

ONSETS = (
    "b", "br", "c", "ch", "d", "dr", "f", "fl", "g", "gr", "h", "j", "k", "kl", "l", "m", "n", "p", "pr", "qu", "r",
    "s", "sk", "st", "t", "tr", "v", "v", "w", "z",
)  # fmt: skip
VOWELS = ("a", "a", "e", "e", "i", "i", "o", "o", "u", "ai", "ei", "ou", "ø", "ä", "é")
CODAS = ("", "", "", "l", "n", "r", "s", "t", "x", "ck", "rn", "nd", "ll", "rk", "lt", "m")
TAILS = ("a", "o", "is", "on", "en", "us", "ia", "er", "ique", "ling", "vik", "dal", "eau", "")
ORDINARY = (
    "Birch", "Brook", "Cinder", "Dune", "Finch", "Harbour", "Heron", "Ivy", "Juniper", "Meadow", "Moss", "Otter",
    "Pearl", "Thistle", "Wren", "Amsel", "Dachs", "Kiebitz", "Sperber", "Héron", "Loutre", "Mésange", "Garza",
    "Halcón", "Jilguero", "Reiger", "Zwaluw", "Gaupe", "Havørn", "Rype", "Rondine", "Tasso", "Garça", "Gaivota",
    "Raposa",
)  # fmt: skip


def invented_word(dice: random.Random) -> str:
    """A name that nobody gave to a car: two or three syllables, or an ordinary word as makers like them."""
    if dice.random() < 0.2:
        return dice.choice(ORDINARY)
    syllables = dice.choice((1, 2, 2, 2))
    word = "".join(
        dice.choice(ONSETS) + dice.choice(VOWELS) + (dice.choice(CODAS) if part == syllables - 1 else "")
        for part in range(syllables)
    )
    return (word + dice.choice(TAILS)).capitalize()


def invented_code(code: str, dice: random.Random) -> str:
    """A model code of the same build: other digits and, where it has letters, other letters."""
    return "".join(
        dice.choice("123456789") if sign.isdigit() else _letter(sign, dice) if sign.isalpha() else sign for sign in code
    )


def _letter(sign: str, dice: random.Random) -> str:
    letter = dice.choice("abcdefgiklmnoprstuvxz")
    return letter.upper() if sign.isupper() else letter


@dataclass(slots=True)
class Text:
    """A text, the places of the vehicles' names in it, and places that may hold a name that no label tells of."""

    text: str
    names: list[tuple[int, int]]
    unknown: list[tuple[int, int]]
    trims: frozenset[str]


def learnable(labelled: Labelled, finder: NameFinder) -> Text:
    """The text with every mention of a labelled name marked; labels leave out what makes no report."""
    text = labelled.text
    names: set[tuple[int, int]] = set()
    parts: set[str] = set()
    for report in labelled.reports:
        name = str(report.get("vehicle_text") or "")
        if not name:
            continue
        names.update(match.span() for match in re.finditer(rf"(?<!\w){re.escape(name)}(?!\w)", text))
        parts.update(word for word in name.split() if len(word) >= 3 and word.lower() not in finder.trim_words)
    kept = _apart(sorted(names, key=lambda span: (span[0] - span[1], span)))
    for word in sorted(parts):
        for match in re.finditer(rf"(?<!\w){re.escape(word)}(?!\w)", text):
            kept = _apart([*kept, match.span()])
    found = finder.find(text, text.lower(), [], [])
    unknown = [(name.start, name.end) for name in found if not _touches((name.start, name.end), kept)]
    return Text(text, sorted(kept), unknown, finder.trim_words)


def _touches(span: tuple[int, int], spans: Sequence[tuple[int, int]]) -> bool:
    return any(span[0] < end and start < span[1] for start, end in spans)


def _apart(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    kept: list[tuple[int, int]] = []
    for span in spans:
        if not _touches(span, kept):
            kept.append(span)
    return kept


def exchanged(one: Text, dice: random.Random) -> Text:
    """The text with invented names in the names' places, each word's the same wherever it comes again."""
    new: dict[str, str] = {}
    pieces: list[str] = []
    moves: list[tuple[int, int]] = []
    names: list[tuple[int, int]] = []
    at = length = 0
    for start, end in one.names:
        words = re.split(r"(\s+|-)", one.text[start:end])
        name = "".join(_other(word, one.trims, new, dice) for word in words)
        pieces += [one.text[at:start], name]
        length += start - at
        names.append((length, length + len(name)))
        length += len(name)
        moves.append((end, length - end))
        at = end
    pieces.append(one.text[at:])

    def moved(place: int) -> int:
        return place + next((by for end, by in reversed(moves) if end <= place), 0)

    return Text("".join(pieces), names, [(moved(start), moved(end)) for start, end in one.unknown], one.trims)


def _other(word: str, trims: frozenset[str], new: dict[str, str], dice: random.Random) -> str:
    low = word.lower()
    if not any(map(str.isalnum, word)) or low in trims:
        return word
    if low not in new:
        new[low] = invented_code(word, dice) if any(map(str.isdigit, word)) or len(word) == 1 else invented_word(dice)
    return new[low] if word[0].isupper() or word[0].isdigit() else new[low].lower()


def examples(texts: Sequence[Text], nlp: Language, dice: random.Random) -> Iterator[Example]:
    """One pass over the texts in a new order, each as it is or changed."""
    from spacy.training import Example, offsets_to_biluo_tags

    for one in dice.sample(texts, len(texts)):
        given = exchanged(one, dice) if one.names and dice.random() < EXCHANGED else one
        text = given.text.lower() if dice.random() < LOWERED else given.text
        if len(text) != len(given.text):
            text = given.text
        doc = nlp.make_doc(text)
        spans = [doc.char_span(start, end, label=LABEL, alignment_mode="expand") for start, end in given.names]
        tags = offsets_to_biluo_tags(doc, [(s.start_char, s.end_char, s.label_) for s in spans if s is not None])
        tags = [
            "-" if tag == "O" and _touches((token.idx, token.idx + len(token)), given.unknown) else tag
            for tag, token in zip(tags, doc, strict=True)
        ]
        yield Example.from_dict(doc, {"entities": tags})


CONFIG: dict[str, Any] = {
    "model": {
        "@architectures": "spacy.TransitionBasedParser.v2",
        "state_type": "ner",
        "extra_state_tokens": False,
        "hidden_width": 48,
        "maxout_pieces": 2,
        "use_upper": True,
        "tok2vec": {
            "@architectures": "spacy.Tok2Vec.v2",
            "embed": {
                "@architectures": "spacy.MultiHashEmbed.v2",
                "width": 64,
                "attrs": ["NORM", "PREFIX", "SUFFIX", "SHAPE"],
                "rows": [2500, 500, 1000, 500],
                "include_static_vectors": False,
            },
            "encode": {
                "@architectures": "spacy.MaxoutWindowEncoder.v2",
                "width": 64,
                "window_size": 1,
                "maxout_pieces": 3,
                "depth": 4,
            },
        },
    }
}


def train(texts: Sequence[Text], passes: int = PASSES) -> Language:
    """A blank tokenizer and a recogniser of vehicle names, trained on the texts."""
    import numpy as np
    import spacy

    random.seed(SEED)
    np.random.seed(SEED)  # where spaCy takes its first weights and its dropout from
    dice = random.Random(SEED)
    nlp = spacy.blank("xx")
    nlp.add_pipe("ner", config=CONFIG).add_label(LABEL)  # type: ignore[attr-defined]
    optimizer = nlp.initialize(lambda: list(examples(texts[:200], nlp, random.Random(SEED))))
    optimizer.learn_rate = 0.001
    for number in range(passes):
        losses: dict[str, float] = {}
        if number >= passes - 3:
            optimizer.learn_rate = 0.0003
        stream = examples(texts, nlp, dice)
        while batch := list(islice(stream, BATCH)):
            nlp.update(batch, sgd=optimizer, drop=0.25, losses=losses)
        print(f"pass {number + 1} of {passes}: loss {losses['ner']:.0f}", flush=True)
    return nlp


def save(nlp: Language, folder: Path) -> None:
    """Writes the model; of the words that it was trained on only their weights are kept."""
    nlp.meta["name"], nlp.meta["description"] = "vehicle_names", "Names of vehicles in what their owners write"
    nlp.to_disk(folder)
    (folder / "vocab" / "strings.json").write_text(json.dumps([LABEL]) + "\n", "utf8")


def main() -> None:
    """Trains on the labelled files and folders of the command line and writes the model's folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("labelled", nargs="+")
    parser.add_argument("--to", default=str(Path(__file__).with_name("name_model")))
    parser.add_argument("--passes", type=int, default=PASSES)
    given = parser.parse_args()
    finders: dict[str, NameFinder] = {}
    texts = []
    for one in read_labelled(given.labelled):
        if one.lang not in finders:
            finders[one.lang] = NameFinder(tracker_data(one.lang) or tracker_data("en"), one.lang)
        texts.append(learnable(one, finders[one.lang]))
    print(f"{len(texts)} texts, {sum(len(one.names) for one in texts)} names")
    save(train(texts, given.passes), Path(given.to))


if __name__ == "__main__":
    main()
