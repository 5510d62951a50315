"""Names as people write them against the demo's list, the chemistry that a list leaves no doubt of, and bad lists."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.group_reports.vehicle_list import VehicleList, load_vehicle_list
from pipeline.problems import UsageProblem
from pipeline.response import FoundValue, Reading, Report

DEMO = Path(__file__).parents[2] / "fixtures" / "demo" / "vehicles.csv"


@pytest.fixture(scope="module")
def demo() -> VehicleList:
    return load_vehicle_list(DEMO)


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("Tern", ("Norrvik", "Tern", None)),
        ("NORRVIK TERN", ("Norrvik", "Tern", None)),
        ("norrvik tern long range", ("Norrvik", "Tern", "Long Range")),
        ("tern lr", ("Norrvik", "Tern", "Long Range")),
        ("Tern Standard Range", ("Norrvik", "Tern", "")),
        ("Fell Plus", ("Calder", "Fell", "Plus")),
        ("Ridge-GT", ("Calder", "Ridge", "GT")),
        ("Skuas", ("Norrvik", "Skua", None)),
        ("the Skua's", ("Norrvik", "Skua", None)),
        # a number is a model only with its maker
        ("Ondine 40", ("Ondine", "40", None)),
        ("ondine40", ("Ondine", "40", None)),
        ("Ondine 60 Plus", ("Ondine", "60", "Plus")),
        # one slip of the pen
        ("Norvik Tern", ("Norrvik", "Tern", None)),
        ("Norrvik Tren", ("Norrvik", "Tern", None)),
        ("Calder Rigde", ("Calder", "Ridge", None)),
        ("Dunlinn", ("Norrvik", "Dunlin", None)),
        ("Dulnin", ("Norrvik", "Dunlin", None)),
    ],
)
def test_a_name_as_written_is_resolved(demo: VehicleList, name: str, wanted: tuple[str, str, str | None]) -> None:
    resolved = demo.resolve(name)
    assert resolved is not None
    assert (resolved.make, resolved.model, resolved.variant) == wanted


UNLISTED = ("", "Heron", "40", "the 60", "Ondine", "Norrvik", "Calder Tern", "Dublin", "Bridge", "Fern", "Ondine 50")


@pytest.mark.parametrize("name", [*UNLISTED, "Tern or Skua"])
def test_a_name_on_no_line_or_on_several_stays_unresolved(demo: VehicleList, name: str) -> None:
    assert demo.resolve(name) is None


@pytest.mark.parametrize(
    ("name", "year", "chemistry"),
    [
        # lines 4 and 9 to 10 of the demo's list
        ("Tern Long Range", None, "NMC"),
        ("Skua Long Range", 2022, "NMC"),
        ("Skua Long Range", 2023, "NCA"),
        ("Skua Long Range", None, None),
        ("Tern standard", 2021, "NMC"),
        ("Tern standard", 2022, "LFP"),
        # 2022: LFP as plain Tern, NMC as Long Range and GT
        ("Tern", 2022, None),
        # 2021: every Tern is NMC
        ("Tern", 2021, "NMC"),
        ("Dunlin", 2018, "LMO"),
        ("Moss", None, "LFP"),
        # no such year, no such variant
        ("Dunlin", 2012, None),
        ("Tern Performance", 2021, None),
    ],
)
def test_chemistry_is_filled_where_one_answer_is_left(
    demo: VehicleList, name: str, year: int | None, chemistry: str | None
) -> None:
    reading = demo.fill(_reading(name, year))
    found = reading.reports[0].values.get("chemistry")
    assert (found.value if found else None) == chemistry
    if found is not None:
        assert (found.origin, found.raw, found.start, found.end) == ("list", name, 3, 3 + len(name))
        assert found.rule_pack.startswith("vehicles.csv ")
        assert f"{chemistry} in the vehicle list, line" in found.derivation


def test_make_and_model_come_with_evidence_and_a_stated_chemistry_stays(demo: VehicleList) -> None:
    reading = _reading("tern lr", 2022)
    reading.reports[0].values["chemistry"] = _found("chemistry", "LFP", 20)
    demo.fill(reading)
    values = reading.reports[0].values
    assert (values["make"].value, values["model"].value) == ("Norrvik", "Tern")
    assert values["make"].origin == values["model"].origin == "list"
    assert (values["chemistry"].value, values["chemistry"].origin) == ("LFP", "rule")


def test_a_slip_of_the_pen_is_told_and_less_sure(demo: VehicleList) -> None:
    exact, slip = (demo.fill(_reading(name, 2021)).reports[0].values["model"] for name in ("Dunlin", "Dunlinn"))
    assert slip.confidence < exact.confidence == 1.0
    assert "slip" in slip.derivation and "slip" not in exact.derivation


def test_a_name_on_no_list_stays_as_it_was_written(demo: VehicleList) -> None:
    reading = demo.fill(_reading("Heron", 2022))
    assert set(reading.reports[0].values) == {"vehicle_text", "model_year"}


def test_a_model_that_two_makers_have_needs_its_maker(tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text("make,model,chemistry\nNorrvik,Swift Two,LFP\nCalder,Swift Two,NMC\nOndine,Ondine 40,NCA\n")
    listed = load_vehicle_list(path)
    assert listed.resolve("Swift Two") is None
    one = listed.resolve("calder swift two")
    assert one is not None and one.make == "Calder"
    # the model's name may hold its maker
    forty = listed.resolve("Ondine 40")
    assert forty is not None and (forty.make, forty.model) == ("Ondine", "Ondine 40")


def test_other_marks_and_a_byte_order_mark_are_read(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text("\ufeffMake;Model;Usable kWh;Year from\nNorrvik;Tern;57,5;2022\n\n", encoding="utf-8")
    (line,) = load_vehicle_list(path).lines
    assert (line.make, line.model, line.usable_kwh, line.year_from) == ("Norrvik", "Tern", 57.5, 2022)
    assert line.chemistry is None


HEAD = "make,model,variant,year_from,year_to,chemistry,usable_kwh,range_km\n"


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("", ["empty"]),
        ("maker,model\nA,B\n", ["header", "no column make"]),
        ("make,model,make\nA,B,C\n", ["header", "make"]),
        (HEAD + "A,B,,2019,2021,NMC,50,345\nA,B,,22,,LFP,57.5,438\n", ["line 3", "year_from", "'22'"]),
        (HEAD + "Norrvik,Tern,,2022,2019,NMC,50,345\n", ["line 2", "year_to", "'2019'"]),
        (HEAD + "Norrvik,Tern,,2022,,lithium,50,345\n", ["line 2", "chemistry", "LFP"]),
        (HEAD + "Norrvik,Tern,,2022,,LFP,big,345\n", ["line 2", "usable_kwh", "'big'"]),
        (HEAD + "Norrvik,Tern,,2022,,LFP,50,-3\n", ["line 2", "range_km"]),
        (HEAD + "Norrvik,,,2022,,LFP,50,300\n", ["line 2", "model"]),
    ],
)
def test_a_bad_list_is_refused_with_row_and_column(tmp_path: Path, text: str, places: list[str]) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageProblem) as problem:
        load_vehicle_list(path)
    told = str(problem.value)
    assert "bad.csv" in told and all(place in told for place in places), told


def test_a_list_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_bytes(b"make,model\nA\xff,B\n")
    with pytest.raises(UsageProblem, match="UTF-8"):
        load_vehicle_list(path)
    with pytest.raises(UsageProblem, match="cannot be read"):
        load_vehicle_list(tmp_path)


def _found(field: str, value: str | int, start: int) -> FoundValue:
    return FoundValue(field, value, None, str(value), start, start + len(str(value)), "rule", "pack", str(value))


def _reading(name: str, year: int | None) -> Reading:
    values = {"vehicle_text": _found("vehicle_text", name, 3)}
    if year is not None:
        values["model_year"] = _found("model_year", year, 50)
    return Reading([Report(values)])
