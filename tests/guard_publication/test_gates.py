"""Gates: each stops for what it is there for; what was published stays until something better is whole."""

from __future__ import annotations

import csv
import random
from pathlib import Path
from typing import Any

import pytest

from pipeline.build import build
from pipeline.guard_publication import publish as publication
from pipeline.guard_publication.gates import Limits, claims_gate, guard, headline_gate, rejects_gate, score_gate
from pipeline.guard_publication.labelled_score import labelled_score
from pipeline.guard_publication.published import Published, keep_published, read_published
from pipeline.problems import LedgerProblem, UsageProblem
from pipeline.sum_up.headline import Figure

LABELLED = Path(__file__).parents[2] / "fixtures" / "labelled" / "en" / "test"


@pytest.fixture(autouse=True)
def own_key(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("CROWDFADE_KEY", "the test's own key, long enough")
    monkeypatch.delenv("CROWDFADE_KEY_FILE", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


def record(rejects: dict[str, int], *, read: int, failed: int = 0, files: int = 1) -> dict[str, Any]:
    counts = {"records": {"read": read}, "rejects": rejects, "files": {"read": files - failed, "failed": failed}}
    return {"counts": counts}


@pytest.mark.parametrize(
    ("rejects", "read", "failed", "files", "passes"),
    [
        ({}, 100, 0, 1, True),
        ({"bad_json": 10}, 100, 0, 1, True),
        ({"bad_json": 11}, 100, 0, 1, False),
        ({"empty": 40, "repeated_record": 30, "boilerplate": 5}, 100, 0, 1, True),
        ({"empty": 40, "bad_json": 20}, 100, 0, 1, False),
        ({"unreadable_file": 1}, 100, 1, 4, True),
        ({"unreadable_file": 2}, 100, 2, 4, False),
        ({}, 0, 0, 0, True),
    ],
)
def test_the_gate_on_rejects(rejects: dict[str, int], read: int, failed: int, files: int, passes: bool) -> None:
    assert rejects_gate(record(rejects, read=read, failed=failed, files=files), Limits()).passes is passes


@pytest.mark.parametrize(
    ("score", "last", "passes"),
    [(0.9, None, True), (None, 0.9, True), (0.9, 0.9, True), (0.89, 0.9, True), (0.889, 0.9, False), (0.95, 0.9, True)],
)
def test_the_gate_on_the_labelled_score(score: float | None, last: float | None, passes: bool) -> None:
    assert score_gate(score, last, Limits()).passes is passes


def figure(median: float | None, low: float | None = None, high: float | None = None, band: str = "all") -> Figure:
    return Figure("LFP", band, 20, 19, median, low, high)


def test_the_gate_on_a_headline_s_jump() -> None:
    before = [figure(4.0, 3.0, 5.0), figure(None, band="0-25"), figure(6.0, 5.5, 7.0, "25-50")]
    assert headline_gate([figure(5.0, 4.0, 6.0), figure(9.0, 8.0, 10.0, "0-25")], before).passes
    jumped = headline_gate([figure(5.1, 4.0, 6.0), figure(6.0, 5.5, 7.0, "25-50")], before)
    assert not jumped.passes
    assert "chemistry LFP, distance all: median loss 5.1 %, was 4.0 % (3.0 to 5.0)" in jumped.seen
    assert "25-50" not in jumped.seen
    assert headline_gate([figure(None)], before).passes and headline_gate(before, []).passes


def test_the_gate_on_claims() -> None:
    assert claims_gate([], Limits()).passes
    assert not claims_gate(["LFP fades less (moved)"], Limits()).passes
    assert claims_gate(["LFP fades less (moved)"], Limits(claims_may_break=True)).passes


@pytest.mark.parametrize(
    "limits", [{"most_rejects_pct": 101}, {"most_failed_pct": -1}, {"most_score_drop": 2}, {"least_k": 1}]
)
def test_limits_that_cannot_be_are_refused(limits: dict[str, Any]) -> None:
    with pytest.raises(UsageProblem):
        Limits(**limits)


def thread(path: Path, people: int, *, loss: float = 4.0, seed: int = 1) -> Path:
    """A thread of so many people with a car each, losses up to 3 points around `loss`."""
    draw = random.Random(seed)
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["id", "author", "comment"])
        for number in range(people):
            lost = draw.uniform(loss - 3, loss + 3)
            km = 30_000 + 1_000 * draw.randrange(60)
            rows.writerow(
                [f"{path.stem}-{number}", f"p{seed}-{number}", f"My Tern has {km} km on it, lost {lost:.1f} %."]
            )
    return path


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    build([str(thread(tmp_path / "spring.csv", 150))], tmp_path / "ledger")
    return tmp_path / "ledger"


def published(ledger: Path, *, score: float | None = 0.9, accept: tuple[str, ...] = (), **limits: Any) -> Any:
    home, asked = ledger.parent, Limits(**limits)
    judged = publication.judge(ledger, asked, score=score, accept=accept)
    return publication.publish(
        ledger, judged, home / "releases", home / "reports", asked, score=score, pictures=False
    )  # fmt: skip


def test_a_run_is_published_once(ledger: Path) -> None:
    run = publication.due(ledger)
    assert run.startswith("0001-")
    made = published(ledger)
    assert made.held == [] and {one.gate for one in made.verdicts} == {*publication.GATES, "k"}
    home = ledger.parent
    assert (home / "releases" / "latest").resolve() == Path(made.release) == home / "releases" / run
    assert (Path(made.release) / "datapackage.json").is_file() and (Path(made.report) / "index.html").is_file()
    kept = read_published(ledger)
    assert (kept.run, kept.score, kept.held) == (run, 0.9, "")
    assert publication.due(ledger) == ""
    assert publication.standing(ledger) == f"nothing new; run {run} is published"


def test_too_few_people_for_k_hold_back_and_what_stood_stays(ledger: Path) -> None:
    first = published(ledger)
    build([str(thread(ledger.parent / "more.csv", 3, seed=2))], ledger, add=True)
    second = publication.due(ledger)
    held = published(ledger, least_k=140)
    assert [reason.split(":")[0] for reason in held.held] == ["k"] and "too few or too alike" in held.held[0]
    home = ledger.parent
    assert (home / "releases" / "latest").resolve() == Path(first.release)
    assert not (home / "releases" / second).exists()
    kept = read_published(ledger)
    assert (kept.run, kept.held) == (first.run, second)
    assert publication.due(ledger) == "" and publication.due(ledger, again=True) == second
    assert "is still held back: k: " in publication.standing(ledger)


def test_a_jump_holds_back_until_a_person_accepts_it(ledger: Path) -> None:
    first = published(ledger)
    build([str(thread(ledger.parent / "autumn.csv", 300, loss=12.0, seed=3))], ledger, add=True)
    held = published(ledger)
    assert len(held.held) == 1 and held.held[0].startswith("headline: ")
    assert (ledger.parent / "releases" / "latest").resolve() == Path(first.release)
    accepted = published(ledger, accept=("headline",))
    assert accepted.held == [] and read_published(ledger).held == ""
    assert (ledger.parent / "releases" / "latest").resolve() == Path(accepted.release) != Path(first.release)


def test_a_drop_of_the_score_holds_back(ledger: Path) -> None:
    published(ledger, score=0.9)
    build([str(thread(ledger.parent / "more.csv", 30, seed=2))], ledger, add=True)
    assert published(ledger, score=0.88).held[0].startswith("score: core F1 0.880, at the last publication 0.900")


def test_a_publication_that_was_interrupted_is_finished(ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It died with the release in place and nothing noted: the release is not made again."""

    def killed(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr("pipeline.write_report.write.write_report", killed)
        with pytest.raises(KeyboardInterrupt):
            published(ledger)
    (release,) = (ledger.parent / "releases").iterdir()
    sums = (release / "datapackage.json").read_bytes()
    assert publication.due(ledger)
    made = published(ledger)
    assert Path(made.release) == release and (release / "datapackage.json").read_bytes() == sums


def test_a_damaged_record_is_told(ledger: Path) -> None:
    keep_published(ledger, Published("0001-x", 0.9))
    (ledger / "published.json").write_text('{"format": 7}')
    with pytest.raises(LedgerProblem, match="record of what was published"):
        read_published(ledger)


def test_the_guard_looks_through_every_gate(ledger: Path) -> None:
    run = (ledger / "latest").resolve()
    verdicts = guard(run, run, Limits(), score=0.9, last_score=0.9, broken_claims=["one (moved)"])
    assert [(one.gate, one.passes) for one in verdicts] == [
        ("rejects", True), ("score", True), ("headline", True), ("claims", False),
    ]  # fmt: skip


def test_the_labelled_score_is_that_of_the_score_command() -> None:
    from pipeline.find_values.reader import ResponseReader
    from pipeline.score_readings.labelled_run import count, read_gold, score_gold
    from pipeline.score_readings.score import Scorer

    scorer = Scorer(count(score_gold(read_gold([LABELLED]), ResponseReader())))
    scored = labelled_score([LABELLED])
    assert scored.core_f1 == scorer.measure("core_f1").value and scored.responses == 420
    loss = next(one for one in scored.fields if one.field == "loss_pct")
    assert loss.f1 == scorer.field("loss_pct").f1.value and loss.low is not None and loss.low < 1
