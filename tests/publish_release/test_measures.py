"""k, l and t against the tables of the papers that named them, and against pycanon."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pycanon import anonymity

from pipeline.publish_release.measures import (
    Diversity,
    codes_of,
    discernibility,
    distinct_l,
    diverse,
    entropy_l,
    k_anonymity,
    ordered_distance,
    people_per_class,
    risk,
)

# Sweeney 2002, figure 2 (k = 2, l = 1); from memory, recomputed.
SWEENEY = pd.DataFrame(
    [
        ("Black", "1965", "m", "0214*", "short breath"), ("Black", "1965", "m", "0214*", "chest pain"),
        ("Black", "1965", "f", "0213*", "hypertension"), ("Black", "1965", "f", "0213*", "hypertension"),
        ("Black", "1964", "f", "0213*", "obesity"), ("Black", "1964", "f", "0213*", "chest pain"),
        ("White", "1964", "m", "0213*", "chest pain"), ("White", "1964", "m", "0213*", "obesity"),
        ("White", "1964", "m", "0213*", "short breath"), ("White", "1967", "m", "0213*", "chest pain"),
        ("White", "1967", "m", "0213*", "chest pain"),
    ],
    columns=["race", "birth", "sex", "zip", "problem"],
)  # fmt: skip

# Machanavajjhala et al. 2007, figures 2 (4-anonymous) and 3 (3-diverse).
FOUR_ANONYMOUS = pd.DataFrame(
    [("130**", "<30", one) for one in ("heart", "heart", "viral", "viral")]
    + [("1485*", ">=40", one) for one in ("cancer", "heart", "viral", "viral")]
    + [("130**", "3*", "cancer")] * 4,
    columns=["zip", "age", "condition"],
)
THREE_DIVERSE = pd.DataFrame(
    [("1305*", "<=40", one) for one in ("heart", "viral", "cancer", "cancer")]
    + [("1485*", ">40", one) for one in ("cancer", "heart", "viral", "viral")]
    + [("1306*", "<=40", one) for one in ("heart", "viral", "cancer", "cancer")],
    columns=["zip", "age", "condition"],
)


def measured(table: pd.DataFrame) -> tuple[int, int, float]:
    """k (each row a person), the least distinct l and the least entropy l of a table whose last column is sensitive."""
    *quasi, sensitive = table.columns
    classes = codes_of(*[table[name] for name in quasi])
    values = pd.factorize(table[sensitive])[0] + 1
    parts = [values[classes == number] for number in np.unique(classes)]
    return (
        k_anonymity(classes, np.arange(len(table))), min(map(distinct_l, parts)), min(map(entropy_l, parts)),
    )  # fmt: skip


def test_sweeney_s_table_is_2_anonymous_and_gives_its_patients_away() -> None:
    k, distinct, _ = measured(SWEENEY)
    assert (k, distinct) == (2, 1)


def test_machanavajjhala_s_3_diverse_table() -> None:
    k, distinct, entropy = measured(THREE_DIVERSE)
    assert (k, distinct) == (4, 3)
    assert entropy == pytest.approx(2.828, abs=0.0005)


def test_its_4_anonymous_sibling_is_refused() -> None:
    k, distinct, entropy = measured(FOUR_ANONYMOUS)
    assert (k, distinct) == (4, 1)
    assert entropy == pytest.approx(1.0)
    cancer = np.ones(4, dtype=int)
    for rule in (Diversity("distinct", 2), Diversity("entropy", 2)):
        assert not diverse(cancer, cancer > 0, rule, np.array([0, 5, 3, 4]))


def test_li_s_salaries() -> None:
    """Li et al. 2007: salaries 3k ... 11k; {3,4,5} is .375 and {6,8,11} is .167 from all nine."""
    whole = np.ones(9)

    def part(*salaries: int) -> np.ndarray:
        return np.array([1.0 if salary in salaries else 0.0 for salary in range(3, 12)])

    assert ordered_distance(part(3, 4, 5), whole) == pytest.approx(0.375)
    assert ordered_distance(part(6, 8, 11), whole) == pytest.approx(0.167, abs=0.0005)
    # The published .167-close table.
    assert max(ordered_distance(part(*one), whole) for one in ((3, 5, 9), (6, 11, 8), (4, 7, 10))) == pytest.approx(
        0.167, abs=0.0005
    )


def test_closeness_is_asked_of_values_and_not_of_nulls() -> None:
    whole = np.array([7, *[1] * 9])
    near, far = np.array([0, 4, 6, 9]), np.array([0, 1, 2, 3])
    assert diverse(near, near > 0, Diversity("closeness", 0.17), whole)
    assert not diverse(far, far > 0, Diversity("closeness", 0.37), whole)
    assert diverse(far, far > 0, Diversity("closeness", 0.38), whole)


@pytest.mark.parametrize("table", [SWEENEY, FOUR_ANONYMOUS, THREE_DIVERSE])
def test_pycanon_agrees(table: pd.DataFrame) -> None:
    *quasi, sensitive = table.columns
    k, distinct, entropy = measured(table)
    assert anonymity.k_anonymity(table, quasi) == k
    assert anonymity.l_diversity(table, quasi, [sensitive]) == distinct
    # Its trap: entropy l is cut to a whole number (2.828 becomes 2), so only that much can be compared.
    assert anonymity.entropy_l_diversity(table, quasi, [sensitive]) == int(entropy + 1e-9) or entropy == round(entropy)


labels = st.sampled_from(["a", "b", None])


@given(st.lists(st.tuples(labels, labels, st.sampled_from("xyz")), min_size=1, max_size=25))
def test_pycanon_agrees_on_any_table_once_nulls_are_a_category(rows: list[tuple[str | None, str | None, str]]) -> None:
    table = pd.DataFrame(rows, columns=["one", "two", "said"]).astype(object)
    filled = table.fillna("(null)")  # its other trap: rows with a null are dropped
    k, distinct, _ = measured(table)
    assert k == anonymity.k_anonymity(filled, ["one", "two"])
    assert distinct == anonymity.l_diversity(filled, ["one", "two"], ["said"])


def test_a_null_is_a_category() -> None:
    table = pd.DataFrame({"car": ["Tern", "Tern", None], "said": ["x", "y", "z"]})
    assert measured(table)[0] == 1


def test_k_counts_people() -> None:
    classes = np.array([0, 0, 0, 1, 1])
    people = np.array([7, 7, 7, 8, 9])
    assert people_per_class(classes, people).tolist() == [1, 2]
    assert k_anonymity(classes, people) == 1
    told = risk(classes, people, before=np.array([1, 1, 1, 4, 4]))
    assert (told.prosecutor, told.journalist) == (1.0, 1.0)
    assert told.mean == pytest.approx((3 * 1 + 2 * 0.5) / 5)


def test_discernibility_by_hand() -> None:
    """Bayardo and Agrawal 2005: classes of 3 and 2 rows, one row of 6 left out: 9 + 4 + 6."""
    assert discernibility(np.array([0, 0, 0, 1, 1]), suppressed=1, total=6) == 19
