"""`crowdfade verify` passes a sound release and names what is wrong with every other."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from release_demo import EXPORTS, Done

ALL = [word for export in EXPORTS for word in ("--exports", export)]


@pytest.fixture
def folder(demo_release: tuple[Path, Any], tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_release[0], tmp_path / "copy"))


def failing(done: Done) -> set[str]:
    assert "Traceback" not in done.err
    return {line.removeprefix("FAIL  ").split(":")[0] for line in done.out.splitlines() if line.startswith("FAIL")}


def sealed(folder: Path) -> Path:
    """Checksums and descriptor brought in line again, as somebody who knows what they do would."""
    described = json.loads((folder / "datapackage.json").read_text())
    for one in described["resources"]:
        content = (folder / one["path"]).read_bytes()
        if "hash" in one:
            one["bytes"], one["hash"] = len(content), "sha256:" + hashlib.sha256(content).hexdigest()
    (folder / "datapackage.json").write_text(json.dumps(described))
    names = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != "SHA256SUMS")
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}\n" for path in names
    ]
    (folder / "SHA256SUMS").write_text("".join(lines))
    return folder


def change(folder: Path, table: str, edit: Callable[[pd.DataFrame], Any]) -> Path:
    """Edits both files of a table and seals the folder again."""
    path = folder / "data" / f"{table}.parquet"
    schema = pq.read_schema(path)
    frame = pq.read_table(path).to_pandas()
    edit(frame)
    pq.write_table(pa.Table.from_pandas(frame, schema=schema, preserve_index=False).replace_schema_metadata(None), path)
    told = frame.copy()
    for name in told.columns:
        if told[name].dtype == bool:
            told[name] = told[name].map({True: "true", False: "false"})
    told.to_csv(path.with_suffix(".csv"), index=False)
    return sealed(folder)


def test_the_demo_s_release_passes_with_its_ledger_and_exports(
    demo_release: tuple[Path, Any], demo_ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    done = crowdfade("verify", demo_release[0], "--ledger", demo_ledger, *ALL, "--json")
    told = json.loads(done.out)
    assert done.code == 0 and told["passed"]
    assert len(told["checks"]) == 10


def test_a_sealed_copy_passes(folder: Path, crowdfade: Callable[..., Done]) -> None:
    """The tests below break what they mean to break, and not the sealing."""
    done = crowdfade("verify", change(folder, "reports", lambda frame: None))
    assert done.code == 0, done.out


@pytest.mark.parametrize(
    "name", ["method.md", "data/figures.csv", "data/reports.parquet", "index.html", "datapackage.json"]
)
def test_one_changed_byte_is_found(name: str, folder: Path, crowdfade: Callable[..., Done]) -> None:
    content = bytearray((folder / name).read_bytes())
    content[len(content) // 2] ^= 1
    (folder / name).write_bytes(content)
    done = crowdfade("verify", folder)
    assert done.code == 8 and "checksums" in failing(done) and f"{name}: was changed" in done.out


def test_missing_added_and_linked_files_are_found(folder: Path, crowdfade: Callable[..., Done]) -> None:
    (folder / "codebook.md").unlink()
    (folder / "notes.txt").write_text("by the way")
    (folder / "elsewhere").symlink_to("/etc")
    done = crowdfade("verify", folder)
    assert done.code == 8 and failing(done) == {"checksums"}
    for words in ("codebook.md: is missing", "notes.txt: is not listed", "elsewhere: is a link"):
        assert words in done.out


def test_a_damaged_table_is_a_fault_and_no_crash(folder: Path, crowdfade: Callable[..., Done]) -> None:
    (folder / "data" / "reports.parquet").write_bytes(b"PAR1 and nothing else")
    done = crowdfade("verify", sealed(folder))
    assert done.code == 8 and "schema" in failing(done)


def test_a_singled_out_row_fails_k(folder: Path, crowdfade: Callable[..., Done]) -> None:
    def single_out(frame: pd.DataFrame) -> None:
        frame.loc[0, "make"] = "Ondine" if frame.loc[0, "make"] != "Ondine" else "Calder"
        frame.loc[0, "posted"] = "2025-03"
        frame.loc[0, "lang"] = "nb"

    done = crowdfade("verify", change(folder, "reports", single_out))
    assert done.code == 8 and "k" in failing(done) and "holds 1 people" in done.out


def test_equal_losses_in_a_class_fail_l(folder: Path, crowdfade: Callable[..., Done]) -> None:
    def equal(frame: pd.DataFrame) -> None:
        frame.loc[frame["class"] == 1, "loss_pct"] = 6.0

    assert {"l"} <= failing(crowdfade("verify", change(folder, "reports", equal)))


def test_a_rare_joint_is_found(folder: Path, crowdfade: Callable[..., Done]) -> None:
    def join(frame: pd.DataFrame) -> None:
        first = frame[frame["person"].notna()].drop_duplicates("class").index[:2]
        frame.loc[first[1], "person"] = frame.loc[first[0], "person"]

    assert "joined rows" in failing(crowdfade("verify", change(folder, "reports", join)))


def test_figures_that_the_rows_do_not_give_are_found(folder: Path, crowdfade: Callable[..., Done]) -> None:
    def polish(frame: pd.DataFrame) -> None:
        frame.loc[0, "median"] = frame.loc[0, "median"] - 1

    assert failing(crowdfade("verify", change(folder, "figures", polish))) == {"figures"}


def test_a_small_cell_is_found(folder: Path, crowdfade: Callable[..., Done]) -> None:
    def show(frame: pd.DataFrame) -> None:
        place = frame.index[frame["people"].notna()][0]
        frame.loc[place, "people"] = 3

    assert failing(crowdfade("verify", change(folder, "counts", show))) == {"small cells"}


@pytest.mark.parametrize(
    ("edit", "told"),
    [
        (lambda frame: frame.__setitem__("confidence", 1.7), "confidence: holds 1.7"),
        (lambda frame: frame.__setitem__("class", 999), "class: holds a value that classes has not"),
        (lambda frame: frame.__setitem__("row", 1), "row: holds 1 twice"),
        (lambda frame: frame.__setitem__("chemistry", "potato"), "chemistry: holds 'potato'"),
    ],
)
def test_values_against_the_schema_are_found(
    edit: Callable[[pd.DataFrame], None], told: str, folder: Path, crowdfade: Callable[..., Done]
) -> None:
    done = crowdfade("verify", change(folder, "reports", edit))
    assert done.code == 8 and "schema" in failing(done) and told in done.out


def test_a_handle_and_somebody_s_words_are_found(
    folder: Path, demo_ledger: Path, crowdfade: Callable[..., Done]
) -> None:
    with (folder / "method.md").open("a") as method:
        method.write("\nThanks to kettle_and_kestrel!\n")
    with (folder / "codebook.md").open("a") as codebook:
        codebook.write("\nCharged to full every Sunday, otherwise whatever.\n")
    done = crowdfade("verify", sealed(folder), "--ledger", demo_ledger, *ALL)
    assert failing(done) == {"no author's handle", "no six words of a text"}
    assert "method.md: holds the handle 'kettle_and_kestrel'" in done.out
    assert "codebook.md: holds the words 'to full every sunday otherwise whatever'" in done.out
    # Without the ledger and the exports nobody can tell, and that is said.
    assert "not looked for" in crowdfade("verify", folder).out


def test_five_words_are_nobody_s(folder: Path, demo_ledger: Path, crowdfade: Callable[..., Done]) -> None:
    with (folder / "codebook.md").open("a") as codebook:
        codebook.write("\nto full every Sunday, otherwise\n")
    assert crowdfade("verify", sealed(folder), "--ledger", demo_ledger).code == 0


def test_a_folder_that_is_no_release_is_told(tmp_path: Path, crowdfade: Callable[..., Done]) -> None:
    done = crowdfade("verify", tmp_path)
    assert done.code == 8 and "is no release" in done.err and "Traceback" not in done.err
