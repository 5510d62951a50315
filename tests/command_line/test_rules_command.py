"""`crowdfade rules` on real packs, and a new field from its pack to the tables, `show`, `score` and run.json."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow.parquet as pq

from pipeline.dataset_columns import TABLES, arrow_schema
from pipeline.keep_ledger.run_columns import columns_of_run, fields_of_run

if TYPE_CHECKING:
    import subprocess

Run = Callable[..., "subprocess.CompletedProcess[str]"]
PACKS = Path(__file__).parents[2] / "fixtures" / "packs"
WINTER = PACKS / "winter"
NEW = ["winter_kwh_per_100km", "winter_range_drop_pct", "heat_pump"]


def test_rules_are_listed_with_what_became_of_them(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    (folder / "loss").mkdir(parents=True)
    (folder / "pack.yaml").write_text("name: mine\nversion: 2\n")
    (folder / "loss" / "en.yaml").write_text(
        "rules:\n  - {id: loss.minus, off: true}\n  - {id: loss.none, patterns: ['<no_loss>'], set: {loss: 0}}\n"
    )
    told = run("rules", "list", "--rules", folder, "--topic", "loss", "--lang", "en", "--json", real=True)
    assert (told.returncode, told.stderr) == (0, "")
    rows = json.loads(told.stdout)
    states = {(row["id"], row["pack"]): row["state"] for row in rows}
    assert states["loss.minus", "crowdfade 1.0.0"] == "switched off by mine 2"
    assert states["loss.none", "crowdfade 1.0.0"] == "replaced by mine 2"
    assert states["loss.none", "mine 2"] == "active"
    assert {row["topic"] for row in rows} == {"loss"} and {row["language"] for row in rows} == {"en"}
    (bound,) = [row for row in rows if row["id"] == "loss.bound-under"]
    assert (bound["priority"], bound["does"], bound["fields"]) == (75, "loss_max", ["loss_max_pct"])
    assert bound["examples"] >= 3 and bound["line"] == 2
    plain = run("rules", "list", "--rules", folder, "--topic", "loss", "--lang", "en", real=True).stdout
    assert all(row["id"] in plain for row in rows) and f"{len(rows)} rules" in plain
    assert run("rules", "list", "--topic", "tyres", real=True).returncode == 2


def test_a_check_passes_fails_and_names_places(run: Run, tmp_path: Path) -> None:
    fine = run("rules", "check", WINTER, "--no-speed", real=True)
    assert fine.returncode == 0 and fine.stdout.rstrip().splitlines()[-1].startswith("fine")
    made = run("rules", "new", "tyre_mm", "--to", tmp_path / "tyres", real=True)
    assert made.returncode == 0 and "CHANGE" in made.stdout
    assert run("rules", "check", tmp_path / "tyres", real=True).returncode == 0
    rule = tmp_path / "tyres" / "tyre" / "en.yaml"
    rule.write_text(rule.read_text().replace("tyre_mm: 21", "tyre_mm: 22"))
    failed = run("rules", "check", tmp_path / "tyres", "--no-speed", real=True)
    assert failed.returncode == 4
    assert (
        "line 3, rule tyre.my-own" in failed.stdout and "expected: odometer_km = 74000, tyre_mm = 22" in failed.stdout
    )
    told = json.loads(run("rules", "check", tmp_path / "tyres", "--no-speed", "--json", real=True).stdout)
    assert told["fine"] is False and told["findings"][0]["code"] == "example"
    nothing = run("rules", "check", tmp_path / "nowhere", real=True)
    assert nothing.returncode == 4 and "no such folder" in nothing.stderr and "Traceback" not in nothing.stderr
    assert run("rules", "new", "tyre_mm", "--to", tmp_path / "tyres", real=True).returncode == 2


def test_a_new_field_goes_from_a_pack_to_the_dataset(run: Run, tmp_path: Path) -> None:
    ledger = tmp_path / "ledger"
    built = run("build", PACKS / "winter-thread.csv", "--rules", WINTER, "--to", ledger, real=True)
    assert built.returncode == 0 and "winter_kwh_per_100km" in built.stdout
    folder = ledger / "latest"
    table = pq.read_table(folder / "reports.parquet")
    place = table.schema.get_field_index("pack_kwh")
    assert table.schema.names[place + 1 : place + 4] == NEW
    field = table.schema.field("winter_kwh_per_100km")
    assert field.metadata[b"unit"] == b"kWh/100 km" and field.metadata[b"privacy"] == b"sensitive"
    assert b"consumption in winter" in field.metadata[b"description"]
    assert table.schema.remove_metadata().equals(arrow_schema("reports", fields_of_run(folder)).remove_metadata())
    values = {row["source_response_id"]: row["winter_kwh_per_100km"] for row in table.to_pylist()}
    assert values["w01"] == 24.5 and values["w02"] == 23 and values["w09"] is None
    columns = columns_of_run(folder)
    assert [column.name for column in columns["reports"]] == table.schema.names
    assert columns["reports"][place + 3].values == ("yes", "no") and columns["evidence"] == TABLES["evidence"]
    evidence = pq.read_table(folder / "evidence.parquet").to_pylist()
    (row,) = [one for one in evidence if one["field"] == NEW[0] and one["raw"] == "2.6 miles per kWh"]
    assert (row["rule_id"], row["rule_pack"], row["unit"]) == ("winter.consumption", "winter 1.0.0", "kWh/100 km")
    assert row["derivation"] == "62.1371 / 2.6"
    record = json.loads((folder / "run.json").read_text())
    assert [one["name"] for one in record["fields"]] == NEW and record["rules"][1]["name"] == "winter"
    assert record["counts"]["fields"]["heat_pump"] == 2
    shown = run("show", ledger, "--field", "winter_kwh_per_100km", real=True)
    assert shown.returncode == 0 and "winter_kwh_per_100km = 24.5 kWh/100 km <- '24.5 kWh/100 km'" in shown.stdout
    assert "winter_kwh_per_100km" in run("show", ledger, "--field", "tyre_mm", real=True).stderr
    released = run("release", ledger, "--to", tmp_path / "release", real=True)
    assert released.returncode == 0, released.stderr
    published = pq.read_table(tmp_path / "release" / "data" / "reports.parquet")
    assert set(NEW) <= set(published.column_names)
    assert "consumption in winter" in (tmp_path / "release" / "codebook.md").read_text()
    refused = run("show", ledger, "--response", "w09", real=True).stdout
    assert "outside the field's range, 8 to 70 kWh/100 km (winter.consumption)" in refused


def test_a_pack_without_fields_leaves_the_tables_as_they_were(run: Run, tmp_path: Path) -> None:
    folder = tmp_path / "mine"
    folder.mkdir()
    (folder / "pack.yaml").write_text("name: mine\nversion: 1\n")
    digests = []
    for ledger, rules in (("a", ()), ("b", ("--rules", folder))):
        assert run("build", PACKS / "winter-thread.csv", *rules, "--to", tmp_path / ledger, real=True).returncode == 0
        tables = sorted((tmp_path / ledger / "latest").resolve().glob("*.parquet"))
        digests.append({path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in tables})
    assert digests[0] == digests[1] and len(digests[0]) >= len(TABLES)
    assert fields_of_run(tmp_path / "a" / "latest") == ()


def test_a_new_field_is_scored_by_its_own_tolerance(run: Run, tmp_path: Path) -> None:
    gold = PACKS / "winter-labelled.jsonl"
    saved = tmp_path / "score.json"
    told = run("score", gold, "--rules", WINTER, "--json", "--save", saved, real=True)
    assert told.returncode == 0
    fields = json.loads(told.stdout)["fields"]
    assert list(fields)[-3:] == NEW
    assert fields[NEW[0]]["correct"] == 6 and fields[NEW[0]]["missing"] == 1 and fields[NEW[0]]["spurious"] == 0
    against = run("score", gold, "--rules", WINTER, "--against", saved, real=True)
    assert against.returncode == 0 and "winter_kwh_per_100km" in against.stdout
    missed = run("score", gold, "--rules", WINTER, "--misses", NEW[0], real=True)
    assert missed.returncode == 0 and "w10" in missed.stdout
    without = run("score", gold, real=True)
    assert without.returncode == 3 and "there is no field 'winter_kwh_per_100km'" in without.stderr
    wrong = tmp_path / "wrong.jsonl"
    wrong.write_text(gold.read_text().replace('"heat_pump": "yes"', '"heat_pump": 1'))
    assert "heat_pump is no string" in run("score", wrong, "--rules", WINTER, real=True).stderr
