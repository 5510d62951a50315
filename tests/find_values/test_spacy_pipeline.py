"""Extraction as a spaCy pipeline: registered components, documents that carry their reports and show their values."""

from __future__ import annotations

import spacy
from spacy import displacy

from pipeline.find_values.reader import LanguageReader, ResponseReader
from pipeline.find_values.spacy_pipeline import COMPONENTS, Tokenizer, extraction_pipeline
from pipeline.response import Response

TEXT = "2022 Tern, LFP, 74,000km on it.\n\nDown 2.1 %, charge to full every Sunday  🙂"


def test_components_are_registered_by_factory() -> None:
    nlp = spacy.blank("en")
    for name in COMPONENTS:
        nlp.add_pipe(name)
    assert nlp.pipe_names == list(COMPONENTS)
    (report,) = nlp(TEXT)._.reports
    assert report.plain()["odometer_km"] == 74_000


def test_a_component_of_ones_own_may_stand_between_them() -> None:
    seen = []

    @spacy.Language.component("watcher")
    def watcher(doc: spacy.tokens.Doc) -> spacy.tokens.Doc:
        seen.append([taken.role for taken in doc._.scene.matches.taken])
        return doc

    nlp = extraction_pipeline("en")
    nlp.add_pipe("watcher", after="crowdfade_rules")
    nlp(TEXT)
    assert "odometer" in seen[0]


def test_the_pipeline_reads_what_the_reader_reads() -> None:
    (reading,) = ResponseReader().read([Response("r", "s", "r", TEXT)])
    assert extraction_pipeline("en")(TEXT)._.reports == reading.reports
    assert len(reading.reports) == 1


def test_found_values_keep_everything_that_says_where_they_come_from() -> None:
    doc = extraction_pipeline("en")(TEXT)
    found = {value.field: value for value in doc._.found}
    assert {"odometer_km", "loss_pct", "chemistry", "model_year", "full_charges_per_week"} <= found.keys()
    for value in found.values():
        assert TEXT[value.start : value.end] == value.raw
        assert value.rule_id and value.rule_pack and value.derivation
        assert 0 <= value.confidence <= 1
    assert found["odometer_km"].unit == "km"


def test_values_are_spans_that_displacy_shows() -> None:
    doc = extraction_pipeline("en")(TEXT)
    assert "values" not in doc.spans  # made on demand
    found = doc._.found
    spans = {(span.label_, span.text, span.id_) for span in doc.spans["values"]}
    assert len(doc.spans["values"]) == len(found)
    assert {(value.field, value.raw, value.rule_id) for value in found} == spans
    shown = displacy.render(doc, style="span", page=False, options={"spans_key": "values"})
    assert "odometer_km" in shown


def test_the_tokenizer_keeps_every_character() -> None:
    tokenize = Tokenizer(spacy.blank("xx").vocab)
    for text in (TEXT, "", " ", "  two  blanks ", "a\tb\r\nc", "80%ish—no…", "ÅÄÖ 𝟠𝟘k x² naïve", "#️⃣ 5km"):
        assert tokenize(text).text == text


def test_a_model_of_none_leaves_the_rules_word() -> None:
    nlp = extraction_pipeline("en", model=None)
    (report,) = nlp(TEXT)._.reports
    assert report.confidence == 1.0


def test_a_document_that_no_component_has_seen_says_nothing() -> None:
    doc = spacy.blank("en")(TEXT)
    assert doc._.scene is None
    assert doc._.reports == [] and doc._.found == []


def test_training_sees_the_scene_of_a_text_that_the_pipeline_would_give_up() -> None:
    reader = LanguageReader("en", ())
    scene = reader.scene("We bought it in 2021.")
    assert [quantity.kind for quantity in scene.quantities] == ["year"]
    assert scene.features.of_quantity(0)


def test_the_words_of_a_batch_are_forgotten() -> None:
    reader = ResponseReader()
    reader.read([Response("r", "s", "r", TEXT)])
    strings = reader._reader("en").nlp.vocab.strings
    before = len(strings)
    reader.read(
        [Response(str(n), "s", str(n), f"wordnumber{n} Tern, {n + 70_000} km, lost {n % 9} %") for n in range(200)]
    )
    assert len(strings) <= before + 5
