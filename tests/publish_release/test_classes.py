"""What the search for classes keeps whatever the rows are: k people, diverse values, nobody twice, little left out."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.dataset_columns import REPORTS, Column
from pipeline.problems import ReleaseProblem, RuleProblem
from pipeline.publish_release.allowed_columns import allowed_columns
from pipeline.publish_release.anonymise import Anonymised, anonymise
from pipeline.publish_release.hierarchies import Attribute, Step, band_of, climb, load_hierarchies, middle_of
from pipeline.publish_release.keys import ReleaseKey
from pipeline.publish_release.link_rows import link_rows, linked_patterns
from pipeline.publish_release.measures import Diversity
from pipeline.publish_release.split_classes import Rules

KEY = ReleaseKey(b"a key of the tests, long enough", linkable=True)
ATTRIBUTES, SENSITIVE = load_hierarchies()


def reports(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows as `reports.parquet` holds them; what is not given is null."""
    frame = pd.DataFrame({column.name: [row.get(column.name) for row in rows] for column in REPORTS})
    frame["report_id"] = [f"r{number:04d}-1" for number in range(len(rows))]
    frame["posted_at"] = pd.to_datetime(frame["posted_at"], utc=True)
    for column in REPORTS:
        if column.type in ("double", "int16"):
            frame[column.name] = pd.to_numeric(frame[column.name])
    frame["flags"] = [row.get("flags", []) for row in rows]
    frame["usable"] = True
    frame["confidence"] = frame["confidence"].fillna(0.5)
    return frame


def made(
    frame: pd.DataFrame, k: int = 3, kind: str = "distinct", level: float = 2.0, suppress: float = 0.1
) -> Anonymised:
    allowed = allowed_columns(REPORTS, list(frame.columns), ATTRIBUTES, SENSITIVE)
    return anonymise(frame, allowed, KEY, Rules(k, Diversity(kind, level), suppress), {"a.csv": "comments"})


row = st.fixed_dictionaries(
    {
        "author_key": st.sampled_from([f"p{number}" for number in range(12)]),
        "vehicle_key": st.sampled_from(["v1", "v2", None]),
        "source": st.sampled_from(["a.csv", "b.csv"]),
        "posted_at": st.sampled_from([datetime(2025, 3, 4, tzinfo=UTC), datetime(2025, 9, 1, tzinfo=UTC), None]),
        "lang": st.sampled_from(["en", "nb", None]),
        "make": st.sampled_from(["Norrvik", "Calder", None]),
        "chemistry": st.sampled_from(["LFP", "NMC", "NCA", None]),
        "model_year": st.sampled_from([2018, 2019, 2022, None]),
        "odometer_km": st.sampled_from([12_000.0, 24_000.0, 61_500.0, 240_000.0, None]),
        "loss_pct": st.sampled_from([0.0, 3.3, 9.0, 25.0, None]),
        "charge_habit": st.sampled_from(["full", "partial", None]),
        "whose": st.sampled_from(["own", "other"]),
    }
)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(row, min_size=8, max_size=60), st.integers(2, 5),
    st.sampled_from([("distinct", 2.0), ("entropy", 1.5), ("closeness", 0.5)]),
)  # fmt: skip
def test_every_class_hides_everybody(rows: list[dict[str, Any]], k: int, rule: tuple[str, float]) -> None:
    frame = reports(rows)
    try:
        one = made(frame, k, *rule)
    except ReleaseProblem:
        people = frame["author_key"].nunique()
        groups = frame["loss_pct"].nunique(dropna=False)
        # Few people also draw the ends of the losses in until they are alike.
        assert people < 2 * k or groups < 4
        return
    told = one.reports
    assert len(told) + len(one.left_out) == len(frame)
    assert one.cost.rows_left_out == len(one.left_out) <= 0.1 * len(frame)
    # Counted by hand, from published labels and keys alone.
    names = told[one.quasi].astype(object).where(told[one.quasi].notna(), "(null)")
    for _, part in told.groupby([names[name] for name in one.quasi]):
        assert part["person"].nunique() >= k
        assert part["class"].nunique() == 1
        for name in ("loss_pct", "charge_habit"):
            if rule[0] == "distinct" and part[name].notna().any():
                assert part[name].nunique(dropna=False) >= 2
    for pattern, keys in linked_patterns(
        told["class"].tolist(), [None if x != x else x for x in told["person"]]
    ).items():
        assert keys >= k or (len(pattern) == 1 and pattern[0][1] == 1)


@settings(max_examples=30, deadline=None)
@given(st.lists(row, min_size=20, max_size=50))
def test_what_is_told_is_so(rows: list[dict[str, Any]]) -> None:
    """Each published value is the row's own, or a band or group that holds it, or not told."""
    frame = reports(rows)
    try:
        one = made(frame)
    except ReleaseProblem:
        return
    ids = sorted(set(frame["report_id"]) - set(one.left_out), key=lambda name: KEY.of("row", name))
    source = frame.set_index("report_id").loc[ids].reset_index(drop=True)
    for told, said in zip(one.reports.to_dict("records"), source.to_dict("records"), strict=True):
        km, low, high = said["odometer_km"], told["odometer_km_low"], told["odometer_km_high"]
        if low == low and low is not None:
            assert low <= km and (high != high or high is None or km < high)
        elif km == km:
            assert told["odometer_km_band"] == "*"
        for name in ("make", "lang", "whose"):
            assert told[name] in (said[name], "*", "other") or (told[name] is None and said[name] is None)
        year = said["model_year"]
        if isinstance(told["model_year_band"], str) and told["model_year_band"] != "*":
            assert told["model_year_low"] <= year <= told["model_year_high"]


def test_follow_ups_of_one_person_hide_nobody() -> None:
    """Six rows of two people are a class of two."""
    rows = [
        {"author_key": f"p{number % 2}", "source": "a.csv", "whose": "own", "loss_pct": float(number)}
        for number in range(6)
    ]
    with pytest.raises(ReleaseProblem, match="2 people with 6 reports are too few"):
        made(reports(rows))


def test_equal_losses_are_refused() -> None:
    rows = [{"author_key": f"p{number}", "source": "a.csv", "whose": "own", "loss_pct": 5.0} for number in range(9)]
    with pytest.raises(ReleaseProblem, match="too few or too alike"):
        made(reports(rows))


def test_the_ends_are_drawn_in_until_k_people_share_them() -> None:
    losses = [0.0] * 4 + [3.0] * 4 + [30.0, 40.0, 50.0]
    rows = [
        {"author_key": f"p{n}", "source": "a.csv", "whose": "own", "loss_pct": loss} for n, loss in enumerate(losses)
    ]
    told = made(reports(rows), k=3).reports["loss_pct"]
    assert sorted(told) == [0.0] * 4 + [3.0] * 4 + [30.0] * 3


def test_a_flag_of_one_person_is_left_out() -> None:
    rows = [
        {
            "author_key": f"p{n}",
            "source": "a.csv",
            "whose": "own",
            "loss_pct": float(n),
            "flags": ["rare"] if n == 1 else ["often"],
        }
        for n in range(6)
    ]
    one = made(reports(rows))
    assert set(one.reports["flags"].dropna()) == {"often"}
    assert one.cost.rare_flags == ["rare"]


def test_a_joint_that_few_share_is_cut_and_k_can_still_be_counted() -> None:
    classes = np.array([0, 1, 0, 1, 0, 1, 0, 0, 0, 1, 1, 1])
    people = ["a", "a", "b", "b", "c", "c", "d", "e", "f", "g", "h", "i"]
    vehicles = [f"car of {name}" for name in people]
    shared = link_rows(classes, people, vehicles, range(12), KEY, 3)
    assert shared.people_cut == 0 and shared.person[0] == shared.person[1] and shared.vehicle[0] == shared.vehicle[1]
    cut = link_rows(classes, people, vehicles, range(12), KEY, 4)
    assert cut.people_cut == 3 and cut.person[0] != cut.person[1] and cut.vehicle[0] != cut.vehicle[1]
    for linked in (shared, cut):
        assert [len({linked.person[row] for row in range(12) if classes[row] == number}) for number in (0, 1)] == [6, 6]


def test_the_further_row_of_a_person_in_a_class_has_no_key_where_that_is_rare() -> None:
    linked = link_rows(np.zeros(5, dtype=int), ["a", "a", "b", "c", "d"], list("vvwxy"), [0, 1, 2, 3, 4], KEY, 3)
    assert linked.person[0] is None and linked.person[1] is not None
    assert (linked.people_cut, linked.rows_cut) == (1, 1)


def test_bands_read_back() -> None:
    assert band_of("50000-75000") == (50_000, 75_000) and middle_of("50000-75000") == 62_500
    assert band_of("-5-0") == (-5, 0)
    assert band_of("300000+") == (300_000, None) and middle_of("300000+") == 300_000
    assert band_of("2021") == (2021, 2021) and band_of("*") == band_of("") == (None, None)


def test_years_hold_both_their_ends() -> None:
    frame = pd.DataFrame({"model_year": [2016, 2019, 2023, None]})
    (years,) = [one for one in ATTRIBUTES if one.name == "model_year"]
    ladder = climb(years, frame, {})
    assert [ladder.labels[2][code] for code in ladder.codes[2]] == ["2016-2019", "2016-2019", "2020-2023", ""]


def test_a_ladder_whose_steps_cross_is_refused() -> None:
    crossing = Attribute("x", ("x",), 1.0, (Step("twos", "every", 2), Step("threes", "every", 3)))
    with pytest.raises(RuleProblem, match="lies across"):
        climb(crossing, pd.DataFrame({"x": [0.0, 2.0, 3.0, 4.0]}), {})


def test_a_column_without_a_class_stops_the_release() -> None:
    frame = reports([{"source": "a.csv"}]).assign(shoe_size=44.0)
    with pytest.raises(ReleaseProblem, match="'shoe_size' has no privacy class"):
        allowed_columns(REPORTS, list(frame.columns), ATTRIBUTES, SENSITIVE)
    odd = Column("shoe_size", "double", "their shoes", "hardly secret")  # type: ignore[arg-type]
    with pytest.raises(ReleaseProblem, match="no privacy class"):
        allowed_columns([*REPORTS, odd], list(frame.columns), ATTRIBUTES, SENSITIVE)


@pytest.mark.parametrize(
    ("privacy", "told"), [("open", "open"), ("quasi", "attributes"), ("sensitive", "sensitive"), ("private", None)]
)
def test_a_pack_s_column_leaves_as_its_class_says(privacy: Any, told: str | None) -> None:
    column = Column("winter_km", "double", "range in winter", privacy, "km")
    rows = [{"author_key": f"p{n}", "source": "a.csv", "whose": "own", "loss_pct": float(n)} for n in range(20)]
    frame = reports(rows).assign(winter_km=[100.0 + 10 * n for n in range(20)])
    allowed = allowed_columns([*REPORTS, column], list(frame.columns), ATTRIBUTES, SENSITIVE)
    published = anonymise(frame, allowed, KEY, Rules(3), {}).reports
    names = [name for name in published.columns if name.startswith("winter_km")]
    assert names == {
        "attributes": ["winter_km_band", "winter_km_low", "winter_km_high", "winter_km_mid"],
        None: [],
    }.get(told, ["winter_km"])
