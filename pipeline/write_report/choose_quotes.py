"""Which answers are most worth reading out: the usual ones, and the honest outliers, said to be so.

Every choice is by rule and the same each time.  A quote is a whole response that holds one report, is no copy, and is
short enough to be read out.  *Usual* ones lie near the curve of their group; *outliers* lie far from it, carry no flag,
and are verified by hand or read with confidence.  After each choice, answers of the same chemistry, vehicle, habit,
language or side of the curve count for less, so that no one car speaks for all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.dataset_columns import FIELD_NAMES

if TYPE_CHECKING:
    import pandas

USUAL, OUTLIERS = 8, 4
"""How many of each are shown."""
SHORTEST, LONGEST = 30, 420
"""Characters of a quote (judgement: half a minute to read out)."""
NEAR, FAR = 1.0, 2.5
"""Spreads from the usual loss within which an answer is usual, and beyond which it is an outlier."""
CONFIDENT = 0.6
"""Chance that the whole row is right above which an outlier needs no check by hand."""
TELLING = tuple(name for name in FIELD_NAMES if name not in ("whose", "loss_origin", "loss_max_pct"))
"""Fields that make an answer informative."""
MOST_OF_A_MODEL = 2
AGAIN = {"chemistry_group": 0.12, "model_name": 0.2, "charge_habit": 0.06, "lang": 0.04, "side": 0.15}
"""What an answer loses for each one chosen already that is alike in a column (scores are between 0 and about 1)."""


@dataclass(frozen=True, slots=True)
class Quote:
    """One quote: `kind` is "usual" or "outlier"; `row` its report with text, likes, link, usual, far."""

    kind: str
    report_id: str
    verified: bool
    row: dict[str, Any]

    @property
    def why(self) -> str:
        """Why it is here, in a sentence."""
        usual, far = self.row["usual"], self.row["far"]
        if self.kind == "usual":
            return f"Usual: at this distance the middle answer is {usual:.1f} % lost."
        than = "more" if far > 0 else "less"
        return f"Unusual: it lost {than} than nearly all others at this distance (the middle answer is {usual:.1f} %)."


def choose_quotes(
    vehicles: pandas.DataFrame,
    responses: pandas.DataFrame,
    curve: pandas.DataFrame,
    *,
    reports_of: pandas.Series,
    answered: frozenset[str] = frozenset(),
    verified: frozenset[str] = frozenset(),
    usual: int = USUAL,
    outliers: int = OUTLIERS,
) -> list[Quote]:
    """The quotes, usual ones first, the best of each first.

    `vehicles` are the rows that statistics take, `curve` what `typical_curve.against_curve` says of them, `responses`
    responses.parquet, `reports_of` the number of reports by response_id, `answered` the ids of survey rows (their text
    is a list of questions), `verified` the report_ids that a person has verified.
    """
    wanted = ["response_id", "text", "likes", "link", "copy_of"]
    told = vehicles.join(curve).merge(responses[wanted], on="response_id", suffixes=("", "_response"))
    length = told["text"].fillna("").str.len()
    whole = (
        told["text"].notna()
        & length.between(SHORTEST, LONGEST)
        & told["copy_of_response"].isna()
        & told["copy_of"].isna()
        & (told["response_id"].map(reports_of) == 1)
        & told["far"].notna()
    )
    told = told[whole].copy()
    told["verified"] = told["report_id"].isin(verified)
    told["side"] = ["above" if far > 0 else "below" for far in told["far"]]
    names = told["model"].where(told["model"].notna(), told["vehicle_text"])
    told["model_name"] = names.fillna("").str.casefold()
    told["worth"] = _worth(told, answered)
    flagged = told["flags"].map(len) > 0
    near = told[(told["far"].abs() <= NEAR) & ~flagged]
    sure = told["verified"] | (told["confidence"] >= CONFIDENT)
    away = told[(told["far"].abs() >= FAR) & ~flagged & sure]
    chosen: list[Quote] = []
    seen: dict[str, list[Any]] = {name: [] for name in (*AGAIN, "person")}
    for kind, rows, number in (("usual", near, usual), ("outlier", away, outliers)):
        chosen += _spread_out(kind, rows, number, seen)
    return chosen


def _worth(told: pandas.DataFrame, answered: frozenset[str]) -> pandas.Series:
    """How much each answer is worth reading out, about 0 to 1: what it tells, how surely, how briefly, how liked."""
    import numpy as np

    # Likes of one export are no likes of another: they count by their rank within it.
    liked = told["likes"].fillna(0).groupby(told["source"]).rank(pct=True)
    survey = told["response_id"].isin(answered).astype(float)
    fields = told[list(TELLING)].notna().sum(axis=1).clip(upper=8) / 8
    length = told["text"].str.len().clip(upper=LONGEST)
    brief = 1 - np.maximum(0, length - 160) / (LONGEST - 160)
    worth: pandas.Series = (
        0.45 * fields
        + 0.2 * told["confidence"]
        + 0.15 * told["verified"].astype(float)
        + 0.1 * brief
        + 0.1 * liked
        - 0.25 * survey
    )
    return worth


def _spread_out(kind: str, rows: pandas.DataFrame, number: int, seen: dict[str, list[Any]]) -> list[Quote]:
    """The best `number` rows one by one, each weighed against those chosen before (`seen`, which is added to)."""
    chosen: list[Quote] = []
    ordered = rows.sort_values(["worth", "report_id"], ascending=[False, True], kind="stable")
    left: list[dict[str, Any]] = [
        {str(name): value for name, value in row.items()} for row in ordered.to_dict("records")
    ]
    for name in ("side",):
        seen[name].clear()  # above and below the curve is weighed within each kind
    while left and len(chosen) < number:
        fitting = [row for row in left if row["person"] not in seen["person"] and not _worn(row, seen)]
        if not fitting:
            break
        best = max(fitting, key=lambda row: row["worth"] - _alike(row, seen))
        left.remove(best)
        for name in seen:
            seen[name].append(best[name])
        chosen.append(Quote(kind, best["report_id"], bool(best["verified"]), best))
    return chosen


def _worn(row: dict[str, Any], seen: dict[str, list[Any]]) -> bool:
    return bool(row["model_name"]) and seen["model_name"].count(row["model_name"]) >= MOST_OF_A_MODEL


def _alike(row: dict[str, Any], seen: dict[str, list[Any]]) -> float:
    return sum(weight * seen[name].count(row[name]) for name, weight in AGAIN.items() if isinstance(row[name], str))
