"""The form's export is read without a mapping: in each language, every field of every answer is right."""

from __future__ import annotations

import csv
import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from pipeline.problems import UsageProblem
from pipeline.read_exports.survey_questions import question_for
from pipeline.score_readings.compare import agrees
from pipeline.write_report.survey_form import form_csv, form_languages, form_questions

ROOT = Path(__file__).parents[2]

# Invented answers, written one by one as people fill in forms.  Columns: name, vehicle, year, odometer, unit, months,
# chemistry, health, limit, floor, how often to 100, fast share, kWh, free words -> what is right.
ANSWERS: dict[str, list[tuple[list[str], dict[str, Any]]]] = {
    "en": [
        (
            ["tidewrack", "Norrvik Tern", "2022", "51,300", "miles", "38", "LFP (iron phosphate)", "97", "100", "30",
             "once a week", "5", "57.5", "It lives outside all year."],
            {"vehicle_text": "Norrvik Tern", "model_year": 2022, "odometer_km": 51_300 * 1.609344, "age_months": 38,
             "chemistry": "LFP", "loss_pct": 3, "loss_origin": "health", "charge_limit_pct": 100,
             "charge_floor_pct": 30,
             "full_charges_per_week": 1, "dc_fast_share_pct": 5, "pack_kwh": 57.5},
        ),
        (
            ["Orla of the Fell", "calder fell plus", "2023", "28900", "km", "", "don't know", "", "80", "20",
             "only before long trips", "10%", "", ""],
            {"vehicle_text": "calder fell plus", "model_year": 2023, "odometer_km": 28_900, "charge_limit_pct": 80,
             "charge_floor_pct": 20, "charge_habit": "partial", "dc_fast_share_pct": 10},
        ),
        (
            ["", "Ondine 60", "2019", "102000", "km", "74", "nickel (not sure which)", "88.5", "90", "", "never",
             "0", "58", "-"],
            {"vehicle_text": "Ondine 60", "model_year": 2019, "odometer_km": 102_000, "age_months": 74,
             "chemistry": "nickel", "loss_pct": 11.5, "loss_origin": "health", "charge_limit_pct": 90,
             "full_charges_per_week": 0, "charge_habit": "partial", "dc_fast_share_pct": 0, "pack_kwh": 58},
        ),
    ],
    "de": [
        (
            ["Kornblume77", "Norrvik Skua Long Range", "2021", "118.400", "km", "52", "NMC", "92,5", "80", "25",
             "zweimal im Monat", "35", "79", "Viel Autobahn, der Akku steht gut da."],
            {"vehicle_text": "Norrvik Skua Long Range", "model_year": 2021, "odometer_km": 118_400, "age_months": 52,
             "chemistry": "NMC", "loss_pct": 7.5, "loss_origin": "health", "charge_limit_pct": 80,
             "charge_floor_pct": 25,
             "full_charges_per_week": 0.5, "dc_fast_share_pct": 35, "pack_kwh": 79},
        ),
        (
            ["Ute am Deich", "Calder Moss", "2022", "36500", "km", "41", "LFP (Eisenphosphat)", "98 %", "100", "",
             "jeden Tag", "0", "", ""],
            {"vehicle_text": "Calder Moss", "model_year": 2022, "odometer_km": 36_500, "age_months": 41,
             "chemistry": "LFP",
             "loss_pct": 2, "loss_origin": "health", "charge_limit_pct": 100, "full_charges_per_week": 7,
             "charge_habit": "full", "dc_fast_share_pct": 0},
        ),
        (
            ["", "Ondine 40", "2018", "61000", "Meilen", "", "weiß nicht", "", "70", "40", "nie", "20", "37,5", ""],
            {"vehicle_text": "Ondine 40", "model_year": 2018, "odometer_km": 61_000 * 1.609344,
             "charge_limit_pct": 70,
             "charge_floor_pct": 40, "full_charges_per_week": 0, "charge_habit": "partial", "dc_fast_share_pct": 20,
             "pack_kwh": 37.5},
        ),
    ],
    "fr": [
        (
            ["capucine_b", "Tern Long Range", "2020", "96 000", "km", "66", "NMC", "91", "85", "20",
             "une fois par mois", "15",
             "75", "Surtout des trajets courts."],
            {"vehicle_text": "Tern Long Range", "model_year": 2020, "odometer_km": 96_000, "age_months": 66,
             "chemistry": "NMC", "loss_pct": 9, "loss_origin": "health", "charge_limit_pct": 85,
             "charge_floor_pct": 20,
             "full_charges_per_week": 0.25, "dc_fast_share_pct": 15, "pack_kwh": 75},
        ),
        (
            ["Vieux Phare", "Norrvik Dunlin", "2024", "12400", "km", "", "LFP (phosphate de fer)", "", "100", "",
             "tous les jours",
             "0", "", ""],
            {"vehicle_text": "Norrvik Dunlin", "model_year": 2024, "odometer_km": 12_400, "chemistry": "LFP",
             "charge_limit_pct": 100, "full_charges_per_week": 7, "charge_habit": "full", "dc_fast_share_pct": 0},
        ),
        (
            ["Mamie Wattine", "Calder Fell", "2019", "61500", "miles", "80", "je ne sais pas", "90,5", "80", "",
             "2 fois par mois",
             "", "57,5", ""],
            {"vehicle_text": "Calder Fell", "model_year": 2019, "odometer_km": 61_500 * 1.609344, "age_months": 80,
             "loss_pct": 9.5, "loss_origin": "health", "charge_limit_pct": 80, "full_charges_per_week": 0.5,
             "pack_kwh": 57.5},
        ),
    ],
    "es": [
        (
            ["brisa_del_norte", "Calder Ridge GT", "2021", "141.200", "km", "55", "NCA", "89", "80", "15",
             "casi nunca", "60",
             "84", ""],
            {"vehicle_text": "Calder Ridge GT", "model_year": 2021, "odometer_km": 141_200, "age_months": 55,
             "chemistry": "NCA", "loss_pct": 11, "loss_origin": "health", "charge_limit_pct": 80,
             "charge_floor_pct": 15,
             "charge_habit": "partial", "dc_fast_share_pct": 60, "pack_kwh": 84},
        ),
        (
            ["Tía Remedios", "Ondine 40", "2022", "33500", "km", "", "LFP (ferrofosfato)", "98,5", "100", "",
             "una vez por semana", "", "", "Duerme en la calle."],
            {"vehicle_text": "Ondine 40", "model_year": 2022, "odometer_km": 33_500, "chemistry": "LFP",
             "loss_pct": 1.5,
             "loss_origin": "health", "charge_limit_pct": 100, "full_charges_per_week": 1},
        ),
        (
            ["farolero", "Norrvik Tern GT", "2020", "124000", "km", "61", "níquel (no sé cuál)", "", "90", "30",
             "3 veces por semana", "80", "71", "Mucho viaje largo."],
            {"vehicle_text": "Norrvik Tern GT", "model_year": 2020, "odometer_km": 124_000, "age_months": 61,
             "chemistry": "nickel", "charge_limit_pct": 90, "charge_floor_pct": 30, "full_charges_per_week": 3,
             "dc_fast_share_pct": 80, "pack_kwh": 71},
        ),
    ],
    "nl": [
        (
            ["waterkers", "Calder Fell", "2019", "133.000", "km", "77", "NMC", "90", "80", "30",
             "een keer per maand", "25",
             "57,5", ""],
            {"vehicle_text": "Calder Fell", "model_year": 2019, "odometer_km": 133_000, "age_months": 77,
             "chemistry": "NMC",
             "loss_pct": 10, "loss_origin": "health", "charge_limit_pct": 80, "charge_floor_pct": 30,
             "full_charges_per_week": 0.25, "dc_fast_share_pct": 25, "pack_kwh": 57.5},
        ),
        (
            ["Grutto", "Norrvik Tern", "2023", "41200", "km", "30", "LFP (ijzerfosfaat)", "98", "100", "20",
             "elke dag", "0", "",
             "Staat altijd binnen."],
            {"vehicle_text": "Norrvik Tern", "model_year": 2023, "odometer_km": 41_200, "age_months": 30,
             "chemistry": "LFP",
             "loss_pct": 2, "loss_origin": "health", "charge_limit_pct": 100, "charge_floor_pct": 20,
             "full_charges_per_week": 7, "dc_fast_share_pct": 0},
        ),
        (
            ["opa Zonnepaneel", "Ondine 60", "2018", "88000", "mijl", "", "weet niet", "", "70", "", "nooit",
             "50%", "58", ""],
            {"vehicle_text": "Ondine 60", "model_year": 2018, "odometer_km": 88_000 * 1.609344,
             "charge_limit_pct": 70,
             "full_charges_per_week": 0, "charge_habit": "partial", "dc_fast_share_pct": 50, "pack_kwh": 58},
        ),
    ],
    "nb": [
        (
            ["Småviltjeger", "Norrvik Skua", "2024", "31 200", "km", "19", "LFP (jernfosfat)", "99", "90", "20",
             "to ganger i uka", "10", "62", "Kaldt om vinteren her."],
            {"vehicle_text": "Norrvik Skua", "model_year": 2024, "odometer_km": 31_200, "age_months": 19,
             "chemistry": "LFP",
             "loss_pct": 1, "loss_origin": "health", "charge_limit_pct": 90, "charge_floor_pct": 20,
             "full_charges_per_week": 2, "dc_fast_share_pct": 10, "pack_kwh": 62},
        ),
        (
            ["fjordlys", "Calder Ridge", "2022", "60 500", "km", "40", "NCA", "94", "80", "", "nesten aldri", "20",
             "72", ""],
            {"vehicle_text": "Calder Ridge", "model_year": 2022, "odometer_km": 60_500, "age_months": 40,
             "chemistry": "NCA",
             "loss_pct": 6, "loss_origin": "health", "charge_limit_pct": 80, "charge_habit": "partial",
             "dc_fast_share_pct": 20, "pack_kwh": 72},
        ),
        (
            ["Gamle Sel", "Norrvik Dunlin", "2020", "31500", "miles", "", "vet ikke", "", "100", "40", "hver dag",
             "0", "39", "Bor på hytta."],
            {"vehicle_text": "Norrvik Dunlin", "model_year": 2020, "odometer_km": 31_500 * 1.609344,
             "charge_limit_pct": 100,
             "charge_floor_pct": 40, "full_charges_per_week": 7, "charge_habit": "full", "dc_fast_share_pct": 0,
             "pack_kwh": 39},
        ),
    ],
    "it": [
        (
            ["Nonna Elettra", "Ondine 60 Plus", "2020", "87000", "km", "63", "NCA", "92", "80", "", "mai", "5",
             "62", ""],
            {"vehicle_text": "Ondine 60 Plus", "model_year": 2020, "odometer_km": 87_000, "age_months": 63,
             "chemistry": "NCA",
             "loss_pct": 8, "loss_origin": "health", "charge_limit_pct": 80, "full_charges_per_week": 0,
             "charge_habit": "partial", "dc_fast_share_pct": 5, "pack_kwh": 62},
        ),
        (
            ["lampione_blu", "Norrvik Skua Plus", "2022", "54.300", "km", "44", "NMC", "95,5", "80", "20",
             "una volta al mese", "25", "68,5", "Quasi solo città."],
            {"vehicle_text": "Norrvik Skua Plus", "model_year": 2022, "odometer_km": 54_300, "age_months": 44,
             "chemistry": "NMC", "loss_pct": 4.5, "loss_origin": "health", "charge_limit_pct": 80,
             "charge_floor_pct": 20,
             "full_charges_per_week": 0.25, "dc_fast_share_pct": 25, "pack_kwh": 68.5},
        ),
        (
            ["", "Calder Moss", "2023", "21000", "km", "", "LFP (litio-ferro-fosfato)", "", "100", "",
             "ogni giorno", "0", "", ""],
            {"vehicle_text": "Calder Moss", "model_year": 2023, "odometer_km": 21_000, "chemistry": "LFP",
             "charge_limit_pct": 100, "full_charges_per_week": 7, "charge_habit": "full", "dc_fast_share_pct": 0},
        ),
    ],
    "pt": [
        (
            ["gaivota.84", "Calder Moss", "2021", "72.500", "km", "50", "LFP (fosfato de ferro)", "96,5", "100", "10",
             "2 vezes por semana", "30", "44", "Carrego em casa."],
            {"vehicle_text": "Calder Moss", "model_year": 2021, "odometer_km": 72_500, "age_months": 50,
             "chemistry": "LFP",
             "loss_pct": 3.5, "loss_origin": "health", "charge_limit_pct": 100, "charge_floor_pct": 10,
             "full_charges_per_week": 2, "dc_fast_share_pct": 30, "pack_kwh": 44},
        ),
        (
            ["Avó Corrente", "Calder Fell", "2020", "112000", "km", "58", "NMC", "92", "80", "", "uma vez por mês",
             "40", "57,5", ""],
            {"vehicle_text": "Calder Fell", "model_year": 2020, "odometer_km": 112_000, "age_months": 58,
             "chemistry": "NMC",
             "loss_pct": 8, "loss_origin": "health", "charge_limit_pct": 80, "full_charges_per_week": 0.25,
             "dc_fast_share_pct": 40, "pack_kwh": 57.5},
        ),
        (
            ["maré-baixa", "Ondine 40", "2017", "59000", "milhas", "", "não sei", "", "90", "30", "nunca", "", "",
             ""],
            {"vehicle_text": "Ondine 40", "model_year": 2017, "odometer_km": 59_000 * 1.609344,
             "charge_limit_pct": 90,
             "charge_floor_pct": 30, "full_charges_per_week": 0, "charge_habit": "partial"},
        ),
    ],
}  # fmt: skip

SURELY_TOLD = (
    "vehicle_text", "model_year", "odometer_km", "age_months", "chemistry", "loss_pct", "loss_max_pct", "loss_origin",
    "charge_limit_pct", "charge_floor_pct", "full_charges_per_week", "dc_fast_share_pct", "pack_kwh",
)  # fmt: skip
"""The fields that the form asks for; each must be as said, also where nothing was said."""


def headings(lang: str) -> list[str]:
    """The questions as the shipped CSV names them: what a form made of it has as headings."""
    rows = list(csv.reader(form_csv(lang).removeprefix("\ufeff").splitlines()))
    return [row[1] for row in rows[1:]]


def test_there_are_answers_in_every_language_of_the_form() -> None:
    assert set(ANSWERS) == set(form_languages())
    with pytest.raises(UsageProblem):
        form_csv("xx")


@pytest.mark.parametrize("lang", form_languages())
def test_every_question_is_recognised_by_its_words(lang: str) -> None:
    for question in form_questions():
        found = question_for(question.ask[lang])
        if question.field in ("unit", "text"):
            assert found is None
        else:
            assert found is not None and found.sure and found.field == question.field, question.ask[lang]


@pytest.mark.parametrize("lang", form_languages())
def test_the_export_of_the_form_is_read_without_a_mapping(lang: str, tmp_path: Path) -> None:
    export = tmp_path / "answers.csv"
    with export.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["Timestamp", "Nickname", *headings(lang)])
        for number, (cells, _) in enumerate(ANSWERS[lang], start=1):
            writer.writerow([f"2026-11-{number:02d} 09:1{number}:00", *cells])
    environ = {
        "PYTHONPATH": str(ROOT),
        "CROWDFADE_KEY": "the test's own key, long enough",
        "PATH": "",
        "HOME": str(tmp_path),
    }
    words = ["build", str(export), "--to", str(tmp_path / "ledger"), "--quiet"]
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.command_line", *words],
        env=environ,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    rows = pq.read_table(tmp_path / "ledger" / "latest" / "reports.parquet").to_pylist()
    reports = {int(row["source_response_id"]) - 2: row for row in rows}
    assert len(rows) == len(ANSWERS[lang])
    wrong = {}
    for number, (_, wanted) in enumerate(ANSWERS[lang]):
        report = reports[number]
        for name in {*SURELY_TOLD, *wanted}:
            told, right = report[name], wanted.get(name)
            if (told is None) != (right is None) or (right is not None and not agrees(name, told, right)):
                wrong[number, name] = (told, right)
    assert not wrong
