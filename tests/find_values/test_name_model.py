"""The name model and its training: places with chances, names exchanged without losing their places."""

from __future__ import annotations

import json
import random
import re
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from pipeline.find_values.labelled import Labelled
from pipeline.find_values.name_lattice import NameLattice
from pipeline.find_values.name_model import chance_of_name, likely_names, name_spans
from pipeline.find_values.train_names import Text, exchanged, invented_word, learnable
from pipeline.group_reports.anchors import tracker_data
from pipeline.group_reports.names import NameFinder

TRAINING = Path(__file__).parents[2] / "fixtures" / "labelled" / "en" / "train" / "brass.jsonl"
SEEN = "Just picked up my old Brembly Zanto from the garage: 81,000 miles and still 93% health."


def test_a_name_that_no_list_holds_is_found_where_a_name_stands() -> None:
    found = [SEEN[span.start : span.end] for span in likely_names(SEEN, 0.5)]
    assert found == ["Brembly Zanto"]
    start = SEEN.index("Brembly")
    assert chance_of_name(SEEN, start, start + 7) > 0.5
    assert chance_of_name(SEEN, SEEN.index("garage"), SEEN.index("garage") + 6) < 0.1


@pytest.mark.parametrize("text", ["", " ", "?", "👍👍", "Thanks, that was a great show!"])
def test_texts_without_a_name(text: str) -> None:
    assert likely_names(text, 0.5) == []


def test_spans_stand_in_the_text_likeliest_first_and_are_the_same_again() -> None:
    spans = name_spans(SEEN)
    assert [span.chance for span in spans] == sorted((span.chance for span in spans), reverse=True)
    assert all(0 <= span.start < span.end <= len(SEEN) and 0 < span.chance <= 1 for span in spans)
    name_spans.cache_clear()
    name_spans("Other words in between, of a Calder Fell.")
    assert name_spans(SEEN) == spans


def finder() -> NameFinder:
    return NameFinder(tracker_data("en"), "en")


def test_every_mention_of_a_labelled_name_is_learnt_and_unlabelled_ones_are_left_open() -> None:
    text = "My Calder Fell Long Range did 80k km. The Fell is fine. Saw an Ondine 40 yesterday."
    one = learnable(Labelled("a", text, "en", "w", [{"vehicle_text": "Calder Fell Long Range"}]), finder())
    assert [text[start:end] for start, end in one.names] == ["Calder Fell Long Range", "Fell"]
    assert "Ondine 40" in [text[start:end] for start, end in one.unknown]


@pytest.mark.parametrize("seed", range(20))
def test_exchanged_names_keep_their_places_and_the_words_around_them(seed: int) -> None:
    text = "My Calder Fell Long Range did 80k km. The Fell is fine. Saw an Ondine 40 yesterday."
    names = [match.span() for match in re.finditer("Calder Fell Long Range|(?<=The )Fell", text)]
    unknown = [match.span() for match in re.finditer("Ondine 40", text)]
    new = exchanged(Text(text, names, unknown, finder().trim_words), random.Random(seed))
    (a, b), (c, d) = new.names
    long, short = new.text[a:b], new.text[c:d]
    assert new.text == text.replace("Calder Fell Long Range", long).replace("The Fell", f"The {short}")
    assert long.endswith(" Long Range") and long.split()[1] == short
    assert "Calder" not in long and "Fell" not in long
    assert [new.text[start:end] for start, end in new.unknown] == ["Ondine 40"]


def test_invented_words_are_words_and_the_same_for_a_seed() -> None:
    words = [invented_word(random.Random(seed)) for seed in range(200)]
    assert words == [invented_word(random.Random(seed)) for seed in range(200)]
    assert all(re.fullmatch(r"[^\W\d_]{2,}", word) and word[0].isupper() for word in words)
    assert len(set(words)) > 150


def test_chances_are_those_of_the_readings_that_the_recogniser_itself_follows() -> None:
    """spaCy's own beam keeps eight readings; the lattice sums over all that are not given up on the way."""
    import spacy

    folder = resources.files("pipeline.find_values") / "name_model"
    with resources.as_file(folder) as path:
        nlp = spacy.load(path)
    recogniser: Any = nlp.get_pipe("ner")
    texts = [json.loads(line)["text"] for line in TRAINING.read_text("utf-8").splitlines()][:60]
    lattice = NameLattice(nlp)
    far = spans = 0
    for text in texts:
        doc = nlp.make_doc(text)
        (beam,) = recogniser.beam_parse([doc], beam_width=8, beam_density=0.0001)
        followed: dict[tuple[int, int], float] = {}
        for share, entities in recogniser.moves.get_beam_parses(beam):
            for first, last, _ in entities:
                place = (doc[first].idx, doc[last - 1].idx + len(doc[last - 1]))
                followed[place] = followed.get(place, 0.0) + share
        summed = {(start, end): chance for start, end, chance in lattice.names(text)}
        for place in followed.keys() | summed.keys():
            spans += 1
            far += abs(followed.get(place, 0.0) - summed.get(place, 0.0)) > 0.05
    assert spans > 60
    assert far <= spans * 0.02, f"{far} of {spans} names have another chance"
