"""The intruder knows that somebody answered, their car, its distance within 500 km, and the month, and looks for them.

Ten facts: that the target answered, make, model, model year, chemistry, distance, month, language, where they answered,
and whose car it is.  The intruder reads the published files only, by the codebook's words, with no help of the
anonymiser's own code.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from generated_ledger import build_generated
from release_demo import EXPORTS, KEY, Done

WITHIN_KM = 500.0
GROUPS = {"NMC": "nickel", "NCA": "nickel", "NMCA": "nickel", "LNMO": "nickel"}


class Intruder:
    """Keeps one line a class: what it tells, and how many people it holds."""

    def __init__(self, folder: Path) -> None:
        self.reports = pd.read_parquet(folder / "data" / "reports.parquet")
        by_class = self.reports.groupby("class", sort=True)
        self.people = by_class["person"].nunique()
        self.told = by_class.first()
        self.blank = by_class.agg(lambda column: column.isna().all())
        self.seen: dict[Any, np.ndarray] = {}

    def fits(self, name: str, values: set[str] | None) -> np.ndarray:
        """The classes in which a column may be one of some values (None: not said); each asked once."""
        asked = (name, frozenset(values or ()))
        if asked not in self.seen:
            self.seen[asked] = self._fits(name, values)
        return self.seen[asked]

    def _fits(self, name: str, values: set[str] | None) -> np.ndarray:
        column = self.told[name]
        if values is None:
            return ((column == "*") | self.blank[name]).to_numpy()
        return ((column == "*") | column.isin(values)).to_numpy()

    def within(self, name: str, low: float | None, high: float | None, *, closed: bool) -> np.ndarray:
        """The classes whose band meets the interval (None: not said); each asked once."""
        asked = (name, low, high)
        if asked not in self.seen:
            self.seen[asked] = self._within(name, low, high, closed=closed)
        return self.seen[asked]

    def _within(self, name: str, low: float | None, high: float | None, *, closed: bool) -> np.ndarray:
        withheld = (self.told[f"{name}_band"] == "*").to_numpy()
        if low is None or high is None:
            return withheld | self.blank[f"{name}_band"].to_numpy()
        begin = self.told[f"{name}_low"].to_numpy(float)
        end = self.told[f"{name}_high"].fillna(np.inf).to_numpy(float)
        return withheld | ((begin <= high) & ((end >= low) if closed else (end > low)))

    def candidates(self, facts: dict[str, Any], kinds: dict[str, str]) -> np.ndarray:
        """The classes that the target may be in."""
        km, year, at = facts["odometer_km"], facts["model_year"], facts["posted_at"]
        chemistry, lang = facts["chemistry"], facts["lang"]
        found = self.within(
            "odometer_km", *((km - WITHIN_KM, km + WITHIN_KM) if km == km else (None, None)), closed=False
        )
        found = found & self.within("model_year", *((year, year) if year == year else (None, None)), closed=True)
        for name in ("make", "model", "whose"):
            found = found & self.fits(name, {facts[name]} if isinstance(facts[name], str) else None)
        found = found & self.fits(
            "chemistry", {chemistry, GROUPS.get(chemistry, chemistry)} if isinstance(chemistry, str) else None
        )
        found = found & self.fits("lang", {lang, "en" if lang == "en" else "other"} if isinstance(lang, str) else None)
        found = found & self.fits(
            "posted", {f"{at:%Y-%m}", f"{at.year}-Q{at.quarter}", f"{at.year}"} if at == at else None
        )
        return found & self.fits("source", {kinds[facts["source"]], kinds[facts["source"]].split()[0]})


def kinds_of(ledger: Path) -> dict[str, str]:
    """The sources' names in the release, as the method lists them, in the order of the exports."""
    names: dict[str, str] = {}
    counted: dict[str, int] = {}
    for one in json.loads((ledger / "latest" / "run.json").read_text())["inputs"]:
        kind = "survey" if "odometer_km" in one["roles"] else "comments"
        counted[kind] = counted.get(kind, 0) + 1
        names[one["source"]] = f"{kind} {counted[kind]}"
    return names


def attack(folder: Path, ledger: Path) -> tuple[int, int, int]:
    """Looks for every row of the ledger: least people among the candidates, least in one class of them, rows found."""
    intruder = Intruder(folder)
    source = pd.read_parquet(ledger / "latest" / "reports.parquet")
    kinds, people = kinds_of(ledger), intruder.people.to_numpy()
    least = smallest = 10**9
    found = 0
    for facts in source[source["copy_of"].isna()].to_dict("records"):
        classes = intruder.candidates(facts, kinds)
        if classes.any():
            found += 1
            least = min(least, int(people[classes].sum()))
            smallest = min(smallest, int(people[classes].min()))
    return least, smallest, found


def test_nobody_is_found_on_the_demo(demo_release: tuple[Path, Any], demo_ledger: Path) -> None:
    least, smallest, found = attack(demo_release[0], demo_ledger)
    # Every row is found somewhere: an intruder who met nothing would prove nothing.
    assert found == demo_release[1]["cost"]["rows"] - demo_release[1]["cost"]["rows_left_out"]
    assert least >= 5 and smallest >= 5


def test_the_intruder_is_no_fool(demo_ledger: Path, tmp_path: Path) -> None:
    """On rows told as they are, the same intruder singles people out."""
    source = pd.read_parquet(demo_ledger / "latest" / "reports.parquet")
    source = source[source["copy_of"].isna()].reset_index(drop=True)
    plain = source[["make", "model", "whose", "chemistry", "lang"]].copy()
    plain["source"] = source["source"].map(kinds_of(demo_ledger))
    plain["posted"] = source["posted_at"].dt.strftime("%Y-%m")
    for name in ("odometer_km", "model_year"):
        low = np.floor(source[name] / (1 if name == "model_year" else 1000)) * (1 if name == "model_year" else 1000)
        plain[f"{name}_low"], plain[f"{name}_high"] = low, low + (0 if name == "model_year" else 1000)
        plain[f"{name}_band"] = low.map(lambda value: None if value != value else f"{value:g}")
    plain["person"], plain["class"] = source["author_key"], np.arange(len(source))
    (tmp_path / "data").mkdir()
    plain.to_parquet(tmp_path / "data" / "reports.parquet")
    least, smallest, found = attack(tmp_path, demo_ledger)
    assert (least, smallest, found) == (1, 1, len(source))


def test_one_person_less(
    demo_release: tuple[Path, Any], demo_ledger: Path, tmp_path: Path, crowdfade: Callable[..., Done]
) -> None:
    """Two releases with one person removed: linkage finds k in each, keys join nothing, and what remains is told."""
    import shutil

    smaller = tmp_path / "ledger"
    shutil.copytree(demo_ledger, smaller, symlinks=True)
    assert crowdfade("forget", smaller, "--author", "bramblegate").code == 0
    done = crowdfade("release", smaller, "--to", tmp_path / "second", "--before", demo_release[0], "--json")
    assert done.code == 0, done.err
    assert json.loads(done.out)["cost"]["people"] == demo_release[1]["cost"]["people"] - 1
    for folder in (demo_release[0], tmp_path / "second"):
        # The intruder's facts are of the ledger that still holds the person.
        least, smallest, _ = attack(folder, demo_ledger)
        assert least >= 5 and smallest >= 5
    one, two = (
        pd.read_parquet(folder / "data" / "reports.parquet") for folder in (demo_release[0], tmp_path / "second")
    )
    assert not set(one["person"].dropna()) & set(two["person"].dropna())
    # A comparison does show rows: small groups of them are counted, and the method says what that means.
    log = (tmp_path / "second" / "CHANGELOG.md").read_text()
    assert "Groups of fewer than 5 such rows in a class: " in log
    assert (
        "the rows\n  that differ may be theirs; k does not protect against that"
        in (tmp_path / "second" / "method.md").read_text()
    )
    assert crowdfade("verify", tmp_path / "second", "--ledger", demo_ledger, "--exports", EXPORTS[0]).code == 0


@pytest.fixture(scope="module")
def large(
    tmp_path_factory: pytest.TempPathFactory, crowdfade: Callable[..., Done]
) -> tuple[Path, Path, dict[str, Any]]:
    """A ledger of 20 thousand reports and its release."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("CROWDFADE_KEY", KEY)
        home = tmp_path_factory.mktemp("large")
        build_generated(home / "ledger", 20_000)
    done = crowdfade("release", home / "ledger", "--to", home / "release", "--json")
    assert done.code == 0, done.err
    return home / "ledger", home / "release", json.loads(done.out)


def test_nobody_is_found_among_20_thousand(large: tuple[Path, Path, dict[str, Any]]) -> None:
    ledger, folder, record = large
    least, smallest, found = attack(folder, ledger)
    assert found >= record["tables"]["reports"]
    assert least >= 5 and smallest >= 5


def test_20_thousand_lose_little(large: tuple[Path, Path, dict[str, Any]], crowdfade: Callable[..., Done]) -> None:
    ledger, folder, record = large
    assert record["cost"]["rows"] == 20_000
    assert record["cost"]["rows_left_out"] <= 0.1 * 20_000
    assert record["moved_at_most"] <= 0.3
    # Detail is kept as well: most rows still tell make and model, and half of the years to within two.
    levels = record["cost"]["levels"]
    assert levels["vehicle"]["make and model"] > 12_000
    assert levels["model_year"]["exact"] + levels["model_year"]["2 years"] > 9_000
    done = crowdfade("verify", folder, "--ledger", ledger)
    assert done.code == 0, done.out
