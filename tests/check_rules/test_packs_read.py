"""What a pack changes in the readings: rules added, replaced and switched off, trusted or weighed, and new fields."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from small_packs import fields, pack

from pipeline.find_values.reader import ResponseReader
from pipeline.response import Response, SurveyAnswer

ODOMETER = "My Tern has 60,000 km on it"


def read(folder: Path | None, text: str, lang: str = "en", **more: Any) -> list[dict[str, Any]]:
    reader = ResponseReader(rules=[folder] if folder else [])
    return [report.plain() for report in reader.read_one(Response("r", "s", "1", text, lang=lang, **more)).reports]


def value(folder: Path | None, text: str, name: str, lang: str = "en") -> Any:
    reports = read(folder, text, lang)
    return reports[0].get(name) if reports else None


# -- rules -----------------------------------------------------------------------------------------------------

ADDED = """
  - id: mine.trip-meter
    priority: 10
    patterns: ["wandered {odometer:thousands}"]
"""


def test_a_rule_that_the_model_has_never_met_is_believed_unless_its_pack_says_weighed(tmp_path: Path) -> None:
    text = "Whatever, it wandered 61,000 by now km"
    trusted = pack(tmp_path / "trusted", {"odometer/en": ADDED})
    weighed = pack(tmp_path / "weighed", {"odometer/en": ADDED}, more="trust: weighed\n")
    text = "In the end the number wandered 61,000. Not my kilometres to count, km."
    assert value(trusted, text, "odometer_km") == 61000
    assert value(weighed, text, "odometer_km") is None


def test_a_gate_closes_what_a_trusted_rule_takes(tmp_path: Path) -> None:
    folder = pack(tmp_path / "p", {"loss/en": "  - {id: mine.wilted, patterns: ['wilted by {loss:percent}']}\n"})
    assert value(folder, f"{ODOMETER}. The pack wilted by 6 %.", "loss_pct") == 6
    assert value(folder, f"{ODOMETER}. Would it have wilted by 6 % if I charged to full?", "loss_pct") is None


def test_a_rule_is_replaced_and_switched_off_by_its_id_in_its_language(tmp_path: Path) -> None:
    text = "My Tern lost 6 % in 60,000 km on the clock."
    off = pack(tmp_path / "off", {"odometer/en": "".join(
        f"  - {{id: {name}, off: true}}\n" for name in ("odometer.on-the-clock", "odometer.bare-distance")
    )})  # fmt: skip
    assert value(None, text, "odometer_km") == 60000
    reader = ResponseReader(rules=[off], model=None)
    (report,) = reader.read_one(Response("r", "s", "1", text, lang="en")).reports
    assert report.values.get("odometer_km") is None or report.values["odometer_km"].rule_id not in (
        "odometer.on-the-clock", "odometer.bare-distance",
    )  # fmt: skip
    replaced = pack(tmp_path / "replaced", {"odometer/en": """
  - id: odometer.on-the-clock
    priority: 70
    patterns: ["{odometer:distance} on the clock"]
"""})  # fmt: skip
    (report,) = ResponseReader(rules=[replaced]).read_one(Response("r", "s", "1", text, lang="en")).reports
    assert report.values["odometer_km"].rule_pack == "mine 1.0.0"
    german = "Mein Tern hat 60.000 km auf der Uhr."
    assert value(replaced, german, "odometer_km", "de") == value(None, german, "odometer_km", "de") == 60000


def test_what_a_trusted_rule_refuses_and_closes_stays_closed(tmp_path: Path) -> None:
    text = "My Tern is down 6 % at 60,000 km, says the parrot."
    assert value(None, text, "loss_pct") == 6
    refusing = pack(
        tmp_path / "r", {"x/en": "  - {id: m.a, priority: 99, refuse: a parrot, patterns: ['down {percent}']}\n"}
    )
    assert value(refusing, text, "loss_pct") is None and value(refusing, text, "odometer_km") == 60000
    gate = pack(
        tmp_path / "g", {"x/en": "  - {id: m.b, scope: sentence, refuse: a parrot, patterns: ['the parrot']}\n"}
    )
    assert read(gate, text) == []
    partly = pack(
        tmp_path / "h",
        {"x/en": "  - {id: m.c, scope: sentence, roles: [loss], refuse: a parrot, patterns: ['the parrot']}\n"},
    )
    assert value(partly, text, "loss_pct") is None and value(partly, text, "odometer_km") == 60000


def test_a_pack_that_was_changed_is_read_anew(tmp_path: Path) -> None:
    files = {"loss/en": "  - {id: mine.wilted, patterns: ['wilted by {loss:percent}']}\n"}
    text = f"{ODOMETER}. The pack flagged by 6 %."

    def rule() -> str:
        (report,) = ResponseReader(rules=[tmp_path / "p"]).read_one(Response("r", "s", "1", text, lang="en")).reports
        return report.values["loss_pct"].rule_id

    pack(tmp_path / "p", files)
    assert rule() != "mine.wilted"
    pack(tmp_path / "p", {"loss/en": files["loss/en"].replace("wilted by", "flagged by")})
    assert rule() == "mine.wilted"


# -- fields ----------------------------------------------------------------------------------------------------

UNITS = """units:
  - {written: [kwh/100 km], times: 1}
  - {written: [wh/km], times: 0.1}
  - {written: [mi/kwh], per: 62.1371}"""
USED = "  - {id: m.used, patterns: ['used {used:number} (-|to) {used:other}', 'used {used:other}']}\n"


def used(folder: Path, extra: str = "", kind: str = "number") -> Path:
    more = fields("used", extra=f"{UNITS}\n{extra}".rstrip()).replace("type: number", f"type: {kind}")
    return pack(folder, {"used/en": USED}, more=more)


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ("18.5 kWh/100 km", 18.5),
        ("18.5kWh / 100km", 18.5),
        ("185 Wh/km", 18.5),
        ("3.1 mi/kWh", 20.0442),
        ("18 to 20 kWh/100 km", 19),
        ("18 to 20 Wh/km", 1.9),
        ("18.5 kWh", None),
        ("23 degrees", None),
    ],
)
def test_a_field_takes_its_own_units_alone(said: str, wanted: float | None, tmp_path: Path) -> None:
    assert value(used(tmp_path / "p"), f"{ODOMETER} and used {said}.", "used") == wanted


@pytest.mark.parametrize(
    ("several", "wanted"), [("latest", 17), ("first", 18), ("largest", 24), ("smallest", 17), ("mean", 59 / 3)]
)
def test_several_values_are_settled_by_the_fields_policy(several: str, wanted: float, tmp_path: Path) -> None:
    text = f"{ODOMETER}. Used 18 kWh/100 km, once used 24 kWh/100 km, then used 17 kWh/100 km."
    assert value(used(tmp_path / "p", f"several: {several}"), text, "used") == pytest.approx(wanted, abs=1e-4)


def test_what_the_range_excludes_is_not_taken_and_told(tmp_path: Path) -> None:
    reader = ResponseReader(rules=[used(tmp_path / "p", "range: [8, 60]")])
    reading = reader.read_one(Response("r", "s", "1", f"{ODOMETER} and used 180 kWh/100 km.", lang="en"))
    assert "used" not in reading.reports[0].values
    (told,) = [one for one in reading.refusals if one.rule_id == "m.used"]
    assert (told.raw, told.reason) == ("180 kWh/100 km", "outside the field's range, 8 to 60 kWh/100 km")


def test_a_whole_number_is_one(tmp_path: Path) -> None:
    got = value(used(tmp_path / "p", kind="whole number"), f"{ODOMETER} and used 18.6 kWh/100 km.", "used")
    assert got == 19 and isinstance(got, int)


def test_a_field_makes_a_report_by_itself_only_where_its_pack_says_so(tmp_path: Path) -> None:
    text = "Yes, last month mine used 18 kWh/100 km."
    assert read(used(tmp_path / "p"), text) == []
    assert value(used(tmp_path / "q", "alone: true"), text, "used") == 18


def test_a_field_that_stands_alone_is_read_in_words_and_in_quiet_kinds(tmp_path: Path) -> None:
    more = fields("tyre_months", unit="months", extra="alone: true")
    folder = pack(
        tmp_path / "p", {"tyres/en": "  - {id: m.t, patterns: ['tyres lasted {tyre_months:duration}']}\n"}, more=more
    )
    assert value(folder, "My tyres lasted two years.", "tyre_months") == 24
    assert value(folder, "My tyres lasted 18 months.", "tyre_months") == 18


def test_a_distance_without_a_unit_takes_that_of_the_response(tmp_path: Path) -> None:
    folder = pack(
        tmp_path / "p",
        {"tyres/en": "  - {id: m.t, priority: 90, patterns: ['tyres lasted {tyre_km:km}']}\n"},
        more=fields("tyre_km", unit="km"),
    )
    assert value(folder, "My Tern has 60,000 miles on it. The tyres lasted 20,000.", "tyre_km") == 32186.88
    assert value(folder, "My Tern has 60,000 km on it. The tyres lasted 20k.", "tyre_km") == 20000


def test_words_become_one_of_the_listed_values(tmp_path: Path) -> None:
    folder = pack(
        tmp_path / "p",
        {"pump/en": '  - {id: m.p, patterns: ["with a heat pump"], set: {pump: "yes"}}\n'},
        more='fields:\n  - {name: pump, type: one of, values: ["yes", "no"], description: a pump, privacy: open}\n',
    )
    assert value(folder, "My Tern with a heat pump has 60,000 km on it.", "pump") == "yes"


def test_the_free_text_of_a_survey_row_gives_a_declared_field(tmp_path: Path) -> None:
    text = "Odometer: 60000 km\nMine used 18 kWh/100 km."
    answers = (SurveyAnswer("odometer_km", "Odometer", 10, 18, "km"),)
    (report,) = read(used(tmp_path / "p", "alone: true"), text, answers=answers)
    assert report["odometer_km"] == 60000 and report["used"] == 18
