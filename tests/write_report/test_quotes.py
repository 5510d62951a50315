"""Quotes: chosen by rule, spread over chemistries and vehicles, words marked, nobody named unless asked for."""

from __future__ import annotations

import csv
import html
import io
import re
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from running import KEY, ROOT, Run

from pipeline.keep_ledger.pseudonym import load_key
from pipeline.problems import UsageProblem
from pipeline.write_report import quotes
from pipeline.write_report.choose_quotes import FAR, NEAR, Quote, choose_quotes
from pipeline.write_report.handles import handles_of
from pipeline.write_report.highlight import Span, highlighted
from pipeline.write_report.load import run_table
from pipeline.write_report.quotes import safe_link
from pipeline.write_report.report_files import csv_text, guarded
from pipeline.write_report.sections import ReportContext, ReportOptions, Section
from pipeline.write_report.typical_curve import against_curve, usual_at
from pipeline.write_report.write import context_of

DEMO = ROOT / "fixtures" / "demo"


@pytest.fixture(scope="module")
def ledger(run: Run, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("demo") / "ledger"
    exports = [DEMO / "thread.csv", DEMO / "survey-spring.csv", DEMO / "survey-autumn.xlsx"]
    done = run("build", *exports, "--vehicles", DEMO / "vehicles.csv", "--to", place, "--quiet")
    assert done.returncode == 0, done.stderr
    return place


def context(ledger: Path, handles: tuple[Path, ...] = ()) -> ReportContext:
    from datetime import UTC, datetime

    options = ReportOptions(handles=handles, resamples=20)
    at = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
    return context_of(ledger, (ledger / "latest").resolve(), options, at, None, lambda name: None)


@pytest.fixture(scope="module")
def chosen(ledger: Path) -> list[Quote]:
    return quotes._chosen(context(ledger))


def section(ledger: Path, handles: tuple[Path, ...] = ()) -> Section:
    made = quotes.make(context(ledger, handles))
    assert made is not None
    return made


# -- the marked words --------------------------------------------------------------------------------------------------


def test_words_are_marked_where_spans_overlap_touch_and_nest() -> None:
    text = "LFP <b>62k</b> & 4 % gone"
    spans = [
        Span(0, 3, "chemistry: LFP"),
        Span(7, 10, "driven"),
        Span(17, 20, "lost: 4 %"),
        Span(19, 25, "told as: stated"),
    ]
    assert highlighted(text, spans) == (
        '<mark title="chemistry: LFP">LFP</mark> &lt;b&gt;<mark title="driven">62k</mark>&lt;/b&gt; &amp; '
        '<mark title="lost: 4 %">4 </mark><mark title="lost: 4 %; told as: stated">%</mark>'
        '<mark title="told as: stated"> gone</mark>'
    )
    assert highlighted("a\nb", [Span(0, 9, "x"), Span(1, 1, "nothing")]) == '<mark title="x">a<br>b</mark>'
    assert highlighted('"', [Span(0, 1, '"><script>')]) == '<mark title="&quot;&gt;&lt;script&gt;">&quot;</mark>'


spans = st.builds(Span, st.integers(-3, 40), st.integers(-3, 40), st.sampled_from(["a", "b", "<c>"]))


@given(st.text(st.characters(exclude_categories=["Cc", "Cf", "Cs"]), max_size=35), st.lists(spans, max_size=6))
def test_marking_keeps_the_text_and_marks_exactly_what_is_within_spans(text: str, given: list[Span]) -> None:
    marked = highlighted(text, given)
    assert html.unescape(re.sub(r"<[^>]*>", "", marked)) == text
    inside = "".join(html.unescape(part) for part in re.findall(r"<mark[^>]*>([^<]*)</mark>", marked))
    assert inside == "".join(
        sign for place, sign in enumerate(text) if any(span.start <= place < span.end for span in given)
    )


# -- the choice --------------------------------------------------------------------------------------------------------


def test_usual_answers_lie_near_the_curve_and_outliers_far_from_it(chosen: list[Quote]) -> None:
    kinds = Counter(quote.kind for quote in chosen)
    assert kinds["usual"] == 8 and 1 <= kinds["outlier"] <= 4
    for quote in chosen:
        row = quote.row
        assert row["copy_of"] is None or row["copy_of"] != row["copy_of"]
        assert row["usable"] and not len(row["flags"]) and 30 <= len(row["text"]) <= 420
        if quote.kind == "usual":
            assert abs(row["far"]) <= NEAR and quote.why.startswith("Usual")
        else:
            assert abs(row["far"]) >= FAR and (quote.verified or row["confidence"] >= 0.6)
            assert ("lost more" if row["far"] > 0 else "lost less") in quote.why


def test_no_chemistry_vehicle_or_person_speaks_for_all(chosen: list[Quote]) -> None:
    usual = [quote.row for quote in chosen if quote.kind == "usual"]
    chemistries = Counter(row["chemistry_group"] for row in usual)
    assert {"LFP", "nickel"} <= set(chemistries) and max(chemistries.values()) <= 5
    assert max(Counter(str(quote.row["model_name"]) for quote in chosen if quote.row["model_name"]).values()) <= 2
    assert max(Counter(quote.row["person"] for quote in chosen).values()) == 1


def test_the_choice_does_not_depend_on_the_order_of_the_rows(ledger: Path, chosen: list[Quote]) -> None:
    told = context(ledger)
    told.vehicles = told.vehicles.sample(frac=1, random_state=7)
    assert [quote.report_id for quote in quotes._chosen(told)] == [quote.report_id for quote in chosen]


def invented(count: int = 60) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ordinary answers on one curve, all of one model and chemistry; the test changes those it is about."""
    km = np.linspace(10_000, 200_000, count)
    rows = pd.DataFrame(
        {
            "report_id": [f"r{n:02d}-1" for n in range(count)],
            "response_id": [f"r{n:02d}" for n in range(count)],
            "source": "thread.csv",
            "person": [f"p{n}" for n in range(count)],
            "lang": "en",
            "odometer_km": km,
            "loss_pct": 0.02 * np.sqrt(km) + np.resize([0.3, -0.3, 0.0], count),
            "chemistry_group": "LFP",
            "chemistry": "LFP",
            "model": "Tern",
            "vehicle_text": "Tern",
            "confidence": 0.9,
            "copy_of": None,
            "flags": [[] for _ in range(count)],
        }
    )
    for name in ("model_year", "age_months", "charge_limit_pct", "charge_floor_pct", "full_charges_per_week",
                 "charge_habit", "dc_fast_share_pct", "pack_kwh"):  # fmt: skip
        rows[name] = None
    responses = rows[["response_id"]].assign(
        text="A Tern with LFP and some kilometres, going well.", likes=3, link=None
    )
    return rows, responses.assign(copy_of=None)


def choose(rows: pd.DataFrame, responses: pd.DataFrame, **more: frozenset[str]) -> list[Quote]:
    reports_of = rows["response_id"].value_counts()
    return choose_quotes(rows, responses, against_curve(rows), reports_of=reports_of, **more)


def test_an_outlier_must_be_sure_or_verified_and_without_a_flag() -> None:
    rows, responses = invented()
    rows["model"] = [f"model {n}" for n in range(len(rows))]
    for place in (10, 20, 30, 40):
        rows.loc[place, "loss_pct"] = 30.0
    rows.at[20, "flags"] = ["loss-over-40"]
    rows.loc[[30, 40], "confidence"] = 0.3
    told = choose(rows, responses, verified=frozenset({"r40-1"}))
    outliers = {quote.report_id: quote.verified for quote in told if quote.kind == "outlier"}
    assert outliers == {"r10-1": False, "r40-1": True}


def test_copies_long_texts_and_answers_on_two_cars_are_not_quoted() -> None:
    rows, responses = invented()
    responses.loc[range(50), "text"] = "too short"
    responses.loc[50, "copy_of"] = "r01"
    responses.loc[51, "text"] = "long " * 100
    rows.loc[52, "response_id"] = rows.loc[53, "response_id"]
    rows.at[54, "flags"] = ["odometer-fast"]
    responses.loc[55, "text"] = None
    assert {quote.report_id for quote in choose(rows, responses)} <= {"r56-1", "r57-1", "r58-1", "r59-1"}


def test_with_a_single_model_two_of_it_are_enough() -> None:
    rows, responses = invented()
    assert len([quote for quote in choose(rows, responses) if quote.kind == "usual"]) == 2
    rows["model"] = [f"model {n % 5}" for n in range(len(rows))]
    assert len([quote for quote in choose(rows, responses) if quote.kind == "usual"]) == 8


def test_what_is_usual_is_the_median_of_the_nearest() -> None:
    answers = pd.DataFrame({"odometer_km": np.arange(1, 12) * 1000.0, "loss_pct": [1.0] * 5 + [2.0] + [3.0] * 5})
    usual, spread = usual_at(answers, np.array([6_000.0]))
    assert usual.tolist() == [2.0]
    assert spread.tolist() == [pytest.approx(1.4826)]  # the median absolute deviation is 1


# -- the section -------------------------------------------------------------------------------------------------------


def test_nobody_is_named_by_default_and_the_reminder_is_there(ledger: Path) -> None:
    made = section(ledger)
    handles = {row["author"] for row in csv.DictReader((DEMO / "thread.csv").open(encoding="utf-8"))}
    quoted = re.sub(r"<blockquote.*?</blockquote>", "", made.body, flags=re.S)
    assert not [handle for handle in handles if len(handle) > 4 and handle in quoted]
    assert "Ask people before you read out" in made.body and "rules of the platform" in made.body
    assert "Handles are not shown" in made.body
    assert "handle" not in made.files["quotes.csv"].splitlines()[0]  # type: ignore[operator]


def test_handles_are_shown_on_demand_and_only_those_of_the_ledger(
    ledger: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CROWDFADE_KEY", KEY)
    made = section(ledger, (DEMO / "thread.csv", DEMO / "survey-spring.csv", DEMO / "survey-autumn.xlsx"))
    assert "Handles are shown" in made.body and "do not publish this page" in made.body
    rows = list(csv.DictReader(io.StringIO(str(made.files["quotes.csv"]).removeprefix("\ufeff"))))
    thread = {row["comment_id"]: row["author"] for row in csv.DictReader((DEMO / "thread.csv").open(encoding="utf-8"))}
    named = [row for row in rows if row["source"] == "thread.csv"]
    assert named and all(row["handle"] == thread[row["source_response_id"]] for row in named)
    # an export that puts somebody else's name to the words is not believed
    forged = tmp_path / "thread.csv"
    table = list(csv.reader((DEMO / "thread.csv").open(encoding="utf-8")))
    place = table[0].index("author")
    with forged.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(
            [table[0], *([*row[:place], "somebody else", *row[place + 1 :]] for row in table[1:])]
        )
    responses = run_table((ledger / "latest").resolve(), "responses").to_pandas().set_index("response_id")
    keys = responses["author_key"].dropna().to_dict()
    assert handles_of([forged], set(keys)) != {}
    assert handles_of([forged], set(keys), key=load_key(create=False), author_keys=keys) == {}
    with pytest.raises(UsageProblem):
        handles_of([tmp_path / "none.csv"], set(keys))


def test_without_texts_there_is_nothing_to_quote(run: Run, tmp_path: Path) -> None:
    done = run("build", DEMO / "survey-spring.csv", "--no-keep-text", "--to", tmp_path / "ledger", "--quiet")
    assert done.returncode == 0, done.stderr
    made = section(tmp_path / "ledger")
    assert "keeps no texts" in made.body and not made.files


@pytest.mark.parametrize(
    ("link", "safe"),
    [
        ("https://forum.example.org/t/41#c7", "https://forum.example.org/t/41#c7"),
        (" http://example.org/x ", "http://example.org/x"),
        ("javascript:alert(1)", None),
        ("data:text/html,x", None),
        ("//example.org", None),
        ("https:/broken", None),
        ("http://[half", None),
        (None, None),
        (float("nan"), None),
    ],
)
def test_only_links_to_the_web_are_links(link: object, safe: str | None) -> None:
    assert safe_link(link) == safe


def test_links_likes_and_check_marks_stand_beside_a_quote(run: Run, tmp_path: Path, ledger: Path) -> None:
    """The demo has no links: a thread of its own with them."""
    source = list(csv.DictReader((DEMO / "thread.csv").open(encoding="utf-8")))
    export = tmp_path / "linked.csv"
    with export.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [*source[0], "permalink"])
        writer.writeheader()
        writer.writerows({**row, "permalink": f"https://forum.example.org/c/{row['comment_id']}"} for row in source)
    assert run("build", export, "--to", tmp_path / "linked", "--quiet").returncode == 0
    made = section(tmp_path / "linked")
    assert re.search(r'<a href="https://forum\.example\.org/c/sb\d+" rel="noopener noreferrer nofollow">', made.body)
    assert re.search(r"<span>\d+ likes?</span>", made.body)
    verified = quotes._chosen(context(tmp_path / "linked"))[0].row
    assert "✓ verified by hand" not in made.body
    decided = ("--decision", "verified", "--why", "read again", "--who", "tester")
    done = run("correct", tmp_path / "linked", "--report", verified["report_id"], *decided)
    assert done.returncode == 0, done.stderr
    assert "✓ verified by hand" in section(tmp_path / "linked").body


def test_words_of_a_comment_compute_nothing_in_a_spreadsheet() -> None:
    assert guarded("=SUM(A1)") == "'=SUM(A1)" and guarded("@x") == "'@x" and guarded("-3.5") == "-3.5"
    assert guarded("+cmd|x") == "'+cmd|x" and guarded(-4) == -4 and guarded("plain") == "plain"
    text = csv_text(["a", "b"], [["=1+1", None], ['say "hi", you', 2]])
    assert list(csv.reader(io.StringIO(text.removeprefix("\ufeff")))) == [
        ["a", "b"],
        ["'=1+1", ""],
        ['say "hi", you', "2"],
    ]
