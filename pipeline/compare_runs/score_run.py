"""The labelled score of a run: kept beside it, compared with another's, or worked out with its own rules."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.keep_ledger.ledger import writing_to
from pipeline.keep_ledger.run_record import file_record, read_run_record
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import UsageProblem
from pipeline.score_readings.saved_run import load_run, save_run
from pipeline.score_readings.score import Change, Changes, Scorer, Tally, changes
from pipeline.take_back.changes import changes_between
from pipeline.take_back.fingerprints import readings_of
from pipeline.take_back.kept_run import open_kept

SCORE = "score.json"
SCORED_ON = "scored-on.json"
TELLING = "core_f1"
"""The measure that says whether a run is better."""


@dataclass(frozen=True, slots=True)
class ScoreChange:
    """How the labelled score differs; `changes` is None where nothing can be compared, `about` says why or on what."""

    changes: Changes | None
    about: str

    @property
    def line(self) -> Change | None:
        """The measure that decides."""
        return next((one for one in self.changes.lines if one.name == TELLING), None) if self.changes else None

    @property
    def verdict(self) -> str:
        """ "better", "worse" or neither, with the figures that it rests on."""
        line = self.line
        if line is None or line.before is None or line.now is None:
            return f"whether it is better cannot be told ({self.about})"
        low, high = line.change.low, line.change.high
        told = f"core F1 {line.before:.3f} -> {line.now:.3f}"
        if low is None or high is None:
            return f"as good on the labels ({told})"
        told += f", change {line.change.value:+.3f}, 95 % {low:+.3f} to {high:+.3f}"
        if low > 0:
            return f"better ({told})"
        if high < 0:
            return f"worse ({told})"
        return f"no clear change on the labels ({told})"

    def plain(self) -> dict[str, Any]:
        """As plain JSON values."""
        lines = self.changes.lines if self.changes else ()
        return {
            "about": self.about,
            "verdict": self.verdict,
            "lines": [
                {"name": one.name, "before": one.before, "after": one.now, "change": one.change.plain()}
                for one in lines
                if one.before is not None or one.now is not None
            ],
        }


def score_run(folder: Path, gold: Sequence[Path]) -> Tally:
    """The counts of labelled responses read with the rules of the run in `folder`.

    Raises `UsageProblem` where program or rules are not what they were: another score would be shown as this run's.
    """
    from pipeline.find_values.reader import ResponseReader
    from pipeline.score_readings.labelled_run import count, labelled_fields, read_gold, score_gold

    kept = open_kept(folder)
    reader = ResponseReader(rules=kept.packs, lang=kept.lang)
    before = kept.readings
    listed = before.vehicles if before is not None else None
    now = readings_of(
        reader, before.reader_of if before is not None else (), (listed["name"], listed["sha256"]) if listed else None
    )
    if changed := changes_between(before, now).told():
        raise UsageProblem(
            f"this run cannot be scored: what it was read with has changed since ({changed[0]})",
            where=str(folder),
            todo="crowdfade rerun LEDGER, and score the new run",
        )
    labelled = read_gold(gold, reader.declared)
    declared = labelled_fields(labelled, reader.declared)
    return count(score_gold(labelled, reader, declared), declared)


def keep_score(ledger: Path, folder: Path, gold: Sequence[Path]) -> dict[str, float | None]:
    """Scores a run of the ledger on labelled responses and keeps the counts beside its tables; gives the measures."""
    counted = score_run(folder, gold)
    files = [file_record(file) for given in gold for file in _files(given)]
    with writing_to(ledger), ledger_errors(folder, "keeping the score"):
        draft = folder / f".{SCORE}-new"
        save_run(counted, draft)
        (folder / SCORED_ON).write_text(json.dumps(files, indent=2) + "\n", "utf-8")
        draft.replace(folder / SCORE)
    return measures(counted)


def measures(counted: Tally) -> dict[str, float | None]:
    """The headline measures of a scored run."""
    scorer = Scorer(counted)
    return {name: scorer.measure(name).plain()["value"] for name in (TELLING, "all_f1", "silent", "wholly_right")}


def kept_score(folder: Path) -> Tally | None:
    """The score that is kept with a run, or None."""
    path = folder / SCORE
    return load_run(path) if path.is_file() else None


def score_change(before: Path, after: Path, gold: Sequence[Path] = ()) -> ScoreChange:
    """How the scores of two runs differ: on `gold` where it is given, else by the scores kept with both."""
    if gold:
        now, then = score_run(after, gold), score_run(before, gold)
        return ScoreChange(changes(now, then), "both runs' rules on " + ", ".join(map(str, gold)))
    scores = kept_score(before), kept_score(after)
    missing = [read_run_record(run)["run"] for run, one in zip((before, after), scores, strict=True) if one is None]
    if missing or scores[0] is None or scores[1] is None:
        return ScoreChange(None, f"no score is kept with {' and '.join(missing)}; --gold FILE scores both")
    return ScoreChange(changes(scores[1], scores[0]), "the scores kept with the runs")


def _files(given: Path) -> list[Path]:
    return sorted(path for path in given.rglob("*.jsonl")) if given.is_dir() else [given]
