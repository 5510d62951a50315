"""The release folder as a stranger gets it: other people's validators read it, and nothing private is in it."""

from __future__ import annotations

import filecmp
import hashlib
import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import frictionless
import mlcroissant
import pandas as pd
import pyarrow.parquet as pq
import pytest
import yaml
from release_demo import DEMO, EXPORTS, Done

from pipeline.dataset_columns import REPORTS
from pipeline.publish_release.licences import LICENCES

FILES = {
    "index.html", "codebook.html", "codebook.md", "method.html", "method.md", "CHANGELOG.md", "LICENSE.txt",
    "CITATION.cff", "datacite.json", "datapackage.json", "croissant.json", "release.json", "SHA256SUMS", "data",
}  # fmt: skip
TABLES = ("reports", "classes", "figures", "counts")


def test_it_holds_what_it_should(demo_release: tuple[Path, Any]) -> None:
    folder, _ = demo_release
    assert {path.name for path in folder.iterdir()} == FILES
    assert {path.name for path in (folder / "data").iterdir()} == {
        f"{n}.{k}" for n in TABLES for k in ("csv", "parquet")
    }
    for line in (folder / "SHA256SUMS").read_text().splitlines():
        digest, name = line.split("  ")
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest


def test_frictionless_accepts_it(demo_release: tuple[Path, Any]) -> None:
    report = frictionless.validate(str(demo_release[0] / "datapackage.json"))
    assert report.valid, report.flatten(["title", "rowNumber", "fieldName", "message"])
    assert len(report.tasks) == 8 and all(task.stats["rows"] for task in report.tasks)


def test_frictionless_refuses_it_with_a_bad_row(demo_release: tuple[Path, Any], tmp_path: Path) -> None:
    """The package's promises bite: a class that is not there, a confidence above 1, a row's number twice."""
    for path in demo_release[0].rglob("*"):
        if path.is_file():
            place = tmp_path / path.relative_to(demo_release[0])
            place.parent.mkdir(exist_ok=True)
            place.write_bytes(path.read_bytes())
    reports = pd.read_csv(tmp_path / "data" / "reports.csv", dtype=str, keep_default_na=False)
    reports.loc[0, "class"], reports.loc[1, "confidence"], reports.loc[3, "row"] = "9999", "1.5", "3"
    reports.to_csv(tmp_path / "data" / "reports.csv", index=False)
    described = json.loads((tmp_path / "datapackage.json").read_text())
    for one in described["resources"]:
        one.pop("hash", None), one.pop("bytes", None)
    (tmp_path / "datapackage.json").write_text(json.dumps(described))
    found = {row[0] for row in frictionless.validate(str(tmp_path / "datapackage.json")).flatten(["type"])}
    assert {"foreign-key", "constraint-error", "primary-key"} <= found


def test_mlcroissant_accepts_it_and_reads_every_row(demo_release: tuple[Path, Any]) -> None:
    folder, record = demo_release
    dataset = mlcroissant.Dataset(jsonld=str(folder / "croissant.json"))
    assert not dataset.metadata.ctx.issues.errors and not dataset.metadata.ctx.issues.warnings
    for name in TABLES:
        assert len(list(dataset.records(record_set=name))) == record["tables"][name]


def test_datacite_has_every_mandatory_property(demo_release: tuple[Path, Any]) -> None:
    """DataCite 4: identifier (the archive gives it), creators, titles, publisher, publicationYear, resourceType."""
    told = json.loads((demo_release[0] / "datacite.json").read_text())
    assert told["creators"] == [{"name": "The Second Battery"}]
    assert told["titles"][0]["title"] and told["publisher"]["name"] and told["publicationYear"] == "2026"
    assert told["types"]["resourceTypeGeneral"] == "Dataset"
    assert told["rightsList"][0]["rightsIdentifier"] == "CC-BY-4.0"
    citation = yaml.safe_load((demo_release[0] / "CITATION.cff").read_text())
    assert citation["cff-version"] == "1.2.0" and citation["type"] == "dataset"
    assert citation["authors"] == [{"name": "The Second Battery"}] and citation["license"] == "CC-BY-4.0"


def test_no_private_column_and_no_exact_value_is_in_it(demo_release: tuple[Path, Any], demo_ledger: Path) -> None:
    reports = pd.read_parquet(demo_release[0] / "data" / "reports.parquet")
    source = pd.read_parquet(demo_ledger / "latest" / "reports.parquet")
    assert not {column.name for column in REPORTS if column.privacy in ("private", "pseudonym")} & set(reports.columns)
    private = ("report_id", "response_id", "source_response_id", "author_key", "vehicle_key", "vehicle_text")
    cells = {str(value) for name in reports.columns for value in reports[name].dropna()}
    for name in private:
        # A bare make or model is also a vehicle's name as written.
        told = (
            {str(value) for value in source[name].dropna()}
            - set(source["model"].dropna())
            - set(source["make"].dropna())
        )
        assert not cells & {value for value in told if not value.isdigit()}, name
    odd = {value for value in source["odometer_km"].dropna() if value % 1000}
    assert not odd & set(pd.to_numeric(reports["odometer_km_mid"].dropna()))
    whole = b"".join(path.read_bytes() for path in demo_release[0].rglob("*") if path.is_file())
    for name in (*map(os.path.basename, EXPORTS), str(demo_ledger)):
        assert name.encode() not in whole


def test_k_is_held_and_little_is_lost_on_the_demo(demo_release: tuple[Path, Any]) -> None:
    _, record = demo_release
    assert record["k"] == 5
    assert record["cost"]["rows_left_out"] <= 0.1 * record["cost"]["rows"]
    assert record["moved_at_most"] <= 0.3
    assert record["cost"]["risk"]["prosecutor"] <= 0.2


def test_csv_and_parquet_say_the_same_with_units_and_meanings(demo_release: tuple[Path, Any]) -> None:
    folder, _ = demo_release
    for name in TABLES:
        table = pq.read_table(folder / "data" / f"{name}.parquet")
        csv = pd.read_csv(folder / "data" / f"{name}.csv", keep_default_na=False, na_values=[""])
        assert list(csv.columns) == table.column_names and len(csv) == table.num_rows
        for one in table.schema:
            assert one.metadata[b"description"], one.name
    fields = {one.name: one.metadata[b"unit"].decode() for one in pq.read_schema(folder / "data" / "reports.parquet")}
    assert (fields["odometer_km_mid"], fields["loss_pct"]) == ("km", "%")


def test_the_documents_say_what_is_asked_of_them(demo_release: tuple[Path, Any]) -> None:
    folder, _ = demo_release
    method, codebook = (folder / "method.md").read_text(), (folder / "codebook.md").read_text()
    assert "How far has your car gone, and what has the battery lost?" in method
    for words in ("selected themselves", "no estimates of sampling error can be calculated", "prosecutor", "journalist",
                  "discernibility", "who paid for it", "weighting", "two releases"):  # fmt: skip
        assert words in method, words
    assert "margin of error" not in method.lower()
    assert "{{" not in method + codebook and "None" not in method
    for table in TABLES:
        for column in pq.read_schema(folder / "data" / f"{table}.parquet").names:
            assert f"`{column}`" in codebook
    page = (folder / "index.html").read_text()
    assert not re.search(r"""(src|href)=["'](https?:)?//""", page)
    assert "<script>" not in page and "@import" not in page and "url(" not in page


def test_the_same_key_and_date_give_the_same_bytes(
    tmp_path: Path, demo_ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    key = tmp_path / "key"
    key.write_text("a key that stays the same for both releases")
    key.chmod(0o600)
    for name in ("one", "two"):
        done = crowdfade(
            "release", demo_ledger, "--to", tmp_path / name, "--date", "2026-01-31", "--linkable", key, "--quiet"
        )
        assert (done.code, done.out, done.err) == (0, "", "")
    files = [str(path.relative_to(tmp_path / "one")) for path in (tmp_path / "one").rglob("*") if path.is_file()]
    assert filecmp.cmpfiles(tmp_path / "one", tmp_path / "two", files, shallow=False) == (files, [], [])
    assert "a key that the publisher keeps" in (tmp_path / "one" / "method.md").read_text()


def test_two_releases_cannot_be_joined_by_their_keys(
    tmp_path: Path, demo_ledger: Path, demo_release: tuple[Path, Any], crowdfade: Callable[..., Done]
) -> None:
    done = crowdfade(
        "release",
        demo_ledger,
        "--to",
        tmp_path / "again",
        "--before",
        demo_release[0],
        "--date",
        "2026-12-24",
        "--quiet",
    )
    assert (done.code, done.err) == (0, "")
    one, two = (pd.read_parquet(path / "data" / "reports.parquet") for path in (demo_release[0], tmp_path / "again"))
    for name in ("person", "vehicle"):
        assert not set(one[name].dropna()) & set(two[name].dropna())
    told = [name for name in one.columns if name not in ("row", "person", "vehicle")]
    assert not one[told].equals(two[told]), "the rows stand in another order"
    assert sorted(map(str, one[told].to_dict("records"))) == sorted(map(str, two[told].to_dict("records")))
    log = (tmp_path / "again" / "CHANGELOG.md").read_text()
    assert "## 2026-12-24" in log and "## 2026-11-25" in log and "Compared with version 2026-11-25" in log
    assert "No figure moved." in log and "(keys aside): 0." in log


@pytest.mark.parametrize("what", ["file", "folder"])
def test_nothing_foreign_is_written_over(
    what: str, tmp_path: Path, demo_ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    place = tmp_path / "mine"
    if what == "file":
        place.write_text("mine")
    else:
        place.mkdir()
        (place / "mine.txt").write_text("mine")
    done = crowdfade("release", demo_ledger, "--to", place)
    assert done.code == 2 and "is there already" in done.err and "Traceback" not in done.err
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
    assert (place if what == "file" else place / "mine.txt").read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--licence", "MINE-1.0"], 2, "CC-BY-4.0"),
        (["--date", "yesterday"], 2, "2026-03-31"),
        (["--run", "77"], 2, "no run"),
        (["--k", "1"], 2, "--k"),
        (["--k", "400"], 8, "too few"),
        (["--before", DEMO], 2, "no release"),
        (["--accuracy", DEMO / "thread.csv"], 2, "no file of scores"),
    ],
)
def test_mistakes_are_told_and_leave_nothing(
    words: list[Any], code: int, told: str, tmp_path: Path, demo_ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    done = crowdfade("release", demo_ledger, "--to", tmp_path / "new", *words)
    assert done.code == code and told in done.err and "Traceback" not in done.err, done
    assert list(tmp_path.iterdir()) == []


def test_a_column_without_a_privacy_class_stops_the_release(
    tmp_path: Path, demo_ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    import shutil

    ledger = tmp_path / "ledger"
    shutil.copytree(demo_ledger, ledger, symlinks=True)
    path = ledger / "latest" / "reports.parquet"
    table = pq.read_table(path)
    pq.write_table(table.append_column("shoe_size", table["loss_pct"].cast("double")), path)
    done = crowdfade("release", ledger, "--to", tmp_path / "out")
    assert done.code == 8 and "'shoe_size' has no privacy class" in done.err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("spdx", list(LICENCES))
def test_each_licence_has_its_whole_text(spdx: str) -> None:
    text = LICENCES[spdx].text
    assert len(text) > 5000 and "\ufffd" not in text
    words = {"CC": "Creative Commons", "OD": "Open Data", "PD": "Public Domain"}[spdx[:2]]
    assert words in text


def test_the_other_presets_hold_too(tmp_path: Path, demo_ledger: Path, crowdfade: Callable[..., Done]) -> None:
    for k, diversity in ((3, "entropy"), (11, "distinct"), (5, "closeness")):
        folder = tmp_path / f"{k}-{diversity}"
        done = crowdfade("release", demo_ledger, "--to", folder, "--k", k, "--diversity", diversity, "--json")
        assert done.code == 0, done.err
        assert json.loads(done.out)["cost"]["risk"]["prosecutor"] <= 1 / k + 1e-9
        done = crowdfade("verify", folder)
        assert done.code == 0, done.out
