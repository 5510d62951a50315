"""A scored run as a file, so that a later run can be set against it.

The file holds counts only: no texts, no values.  It is JSON: `format`, `version` of the program, `measures` for
people, and for each response its non-zero counts a field ([correct, missing, spurious, wrong]) and its marks.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

import pipeline
from pipeline.dataset_columns import FIELD_NAMES
from pipeline.problems import UsageProblem
from pipeline.score_readings.score import MARKS, MEASURES, Scorer, Tally

FORMAT = "crowdfade-score-1"


def save_run(counted: Tally, file: Path) -> None:
    """Writes a run; `UsageProblem` where that cannot be."""
    scorer = Scorer(counted)
    responses = {
        key: {
            "fields": {
                name: counted.fields[row, place].tolist()
                for place, name in enumerate(counted.names)
                if counted.fields[row, place].any()
            },
            "marks": dict(zip(MARKS, counted.marks[row].tolist(), strict=True)),
        }
        for row, key in enumerate(counted.keys)
    }
    data = {
        "format": FORMAT,
        "version": pipeline.__version__,
        "more_fields": list(counted.names[len(FIELD_NAMES) :]),
        "measures": {name: scorer.measure(name).plain() for name in MEASURES},
        "responses": responses,
    }
    try:
        file.write_text(json.dumps(data, ensure_ascii=False, indent=1) + "\n", "utf8")
    except OSError as error:
        raise UsageProblem(
            f"the scores cannot be written: {error.strerror}", where=str(file), todo="give --save another place"
        ) from None


def load_run(file: Path) -> Tally:
    """A run that `save_run` wrote; `UsageProblem` where the file is none."""
    try:
        data = json.loads(file.read_text("utf8"))
        return _tally(data)
    except OSError as error:
        what = f"cannot be read: {error.strerror}"
    except (ValueError, KeyError, TypeError, AttributeError):
        what = "is no file of scores"
    raise UsageProblem(what, where=str(file), todo="--against takes a file that `crowdfade score --save` wrote")


def _tally(data: Any) -> Tally:
    if data["format"] != FORMAT:
        raise ValueError(data["format"])
    keys = tuple(data["responses"])
    names = (*FIELD_NAMES, *map(str, data.get("more_fields", [])))
    fields = np.zeros((len(keys), len(names), 4), dtype=np.int64)
    marks = np.zeros((len(keys), len(MARKS)), dtype=np.int64)
    for row, told in enumerate(data["responses"].values()):
        for name, counts in told["fields"].items():
            fields[row, names.index(name)] = counts
        marks[row] = [told["marks"][name] for name in MARKS]
    return Tally(keys, fields, marks, names)
