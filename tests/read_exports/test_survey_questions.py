from pathlib import Path

import pytest
from whole_reading import FIXTURES, answers_of, read_one, read_text

from pipeline.read_exports.survey_questions import is_no_answer, is_no_number, question_for, unit_named

ASKED = {
    "odometer_km": (
        "How far has it gone?",
        "Odometer (miles)",
        "What is the odometer reading?",
        "Kilometerstand",
        "Kilométrage",
        "¿Cuántos kilómetros tiene?",
        "Kilometerstand van de auto",
        "Kilometerstand i dag",
        "Chilometraggio",
        "Quilometragem",
        "Mätarställning (mil)",
    ),
    "loss_pct": (
        "Capacity lost in %",
        "Loss in %",
        "How much range have you lost (%)?",
        "Wie viel Kapazität hat der Akku verloren (in %)?",
        "Perte de capacité en %",
        "Pérdida de capacidad en %",
        "Capaciteitsverlies in %",
        "Tapt kapasitet i %",
        "Perdita di capacità in %",
        "Perda de capacidade em %",
        "Kapacitetsförlust i %",
    ),
    "health_pct": (
        "State of health (SoH) %",
        "Battery health",
        "Gesundheitszustand",
        "État de santé de la batterie",
        "Estado de salud",
        "Gezondheid van de accu",
        "Batterihelse",
        "Stato di salute",
        "Estado de saúde da bateria",
        "Batterihälsa",
    ),
    "chemistry": (
        "Battery type",
        "Cell chemistry",
        "Akkutyp",
        "Type de batterie",
        "Tipo de batería",
        "Type batterij",
        "Batteritype",
        "Tipo di batteria",
        "Tipo de bateria",
        "Batterityp",
    ),
    "vehicle_text": (
        "Make and model",
        "Which vehicle?",
        "Marke und Modell",
        "Marque et modèle",
        "Marca y modelo",
        "Merk en model",
        "Merke og modell",
        "Marca e modello",
        "Märke och modell",
    ),
    "model_year": (
        "Model year",
        "Bought new in",
        "Baujahr",
        "Année du modèle",
        "Año del modelo",
        "Bouwjaar",
        "Årsmodell",
        "Anno del modello",
        "Ano do modelo",
    ),
    "age_months": (
        "How old is the car?",
        "Wie alt ist Ihr Auto (in Monaten)?",
        "Âge de la voiture (mois)",
        "Edad del coche (años)",
        "Leeftijd van de auto (maanden)",
        "Hvor gammel er bilen (år)?",
        "Età dell'auto (anni)",
        "Idade do carro (anos)",
        "Hur gammal är bilen (månader)?",
    ),
    "range_new": (
        "Range when new",
        "Full range when new (miles)",
        "Reichweite im Neuzustand (km)",
        "Autonomie à neuf (km)",
        "Autonomía cuando era nuevo (km)",
        "Bereik toen nieuw (km)",
        "Rekkevidde som ny (km)",
        "Autonomia da nuova (km)",
        "Autonomia quando novo (km)",
        "Räckvidd som ny",
    ),
    "range_now": (
        "Range now",
        "Full range now (miles)",
        "Reichweite heute (km)",
        "Autonomie aujourd'hui (km)",
        "Autonomía ahora (km)",
        "Bereik nu (km)",
        "Rekkevidde nå (km)",
        "Autonomia oggi (km)",
        "Autonomia agora (km)",
        "Räckvidd nu",
    ),
    "energy_new": ("Usable energy when new (kWh)", "Nutzbare Energie neu (kWh)", "Énergie utile à neuf (kWh)"),
    "energy_now": ("Usable kWh now", "Nutzbare Energie heute (kWh)", "Capacité actuelle (kWh)"),
    "charge_limit_pct": (
        "Daily charging limit (%)",
        "Upper charge limit",
        "Tägliche Ladegrenze",
        "Limite de charge quotidienne (%)",
        "Límite de carga diario",
        "Laadlimiet (%)",
        "Daglig ladegrense (%)",
        "Limite di carica giornaliero",
        "Limite de carga diário",
        "Daglig laddgräns",
    ),
    "charge_floor_pct": (
        "Lower limit",
        "At what level do you plug in?",
        "Untere Ladegrenze",
        "Limite inférieure de charge",
        "Ondergrens bij laden",
        "Nedre grense",
    ),
    "full_charges_per_week": (
        "How often do you charge to 100 %?",
        "Wie oft laden Sie auf 100 %?",
        "À quelle fréquence chargez-vous à 100 % ?",
        "¿Con qué frecuencia carga al 100 %?",
        "Hoe vaak laadt u tot 100 %?",
        "Hvor ofte lader du til 100 %?",
        "Quante volte carica al 100 %?",
        "Com que frequência carrega a 100 %?",
        "Hur ofta laddar du till 100 %?",
    ),
    "dc_fast_share_pct": (
        "Share of fast charging in %",
        "What percentage of your charging is rapid (DC)?",
        "Anteil Schnellladen in %",
        "Part de la charge rapide (%)",
        "Porcentaje de carga rápida",
        "Aandeel snelladen (%)",
        "Andel hurtiglading i %",
        "Quota di ricarica rapida",
        "Percentagem de carga rápida",
        "Andel snabbladdning",
    ),
    "ac_share_pct": ("What share of charging happens at home (AC)?", "AC-Anteil (%)"),
    "pack_kwh": (
        "Battery size (kWh)",
        "Batteriegröße (kWh)",
        "Taille de la batterie (kWh)",
        "Tamaño de la batería (kWh)",
        "Accucapaciteit (kWh)",
        "Batterikapasitet (kWh)",
    ),
}


@pytest.mark.parametrize(
    ("field", "header"), [(field, header) for field, headers in ASKED.items() for header in headers]
)
def test_headers_that_ask(field: str, header: str) -> None:
    question = question_for(header)
    assert question is not None
    assert (question.field, question.sure) == (field, True)


@pytest.mark.parametrize(
    "header",
    [
        "comment_id",
        "parent_id",
        "like_count",
        "published_at",
        "author",
        "comment",
        "text",
        "thread_id",
        "score",
        "Timestamp",
        "Nickname",
        "Anything else?",
        "How old are you?",
        "Your age",
        "Annual mileage",
        "Kilometer pro Jahr",
        "reports",
        "reports.odometer_km",
        "Monthly charging cost",
        "Do you charge at home?",
        "Range lost (km)",
        "Unit (km/miles)",
        "Energy lost (kWh)",
        "Postcode",
        "12 V battery type",
    ],
)
def test_headers_that_ask_nothing_outright(header: str) -> None:
    question = question_for(header)
    assert question is None or not question.sure


@pytest.mark.parametrize(
    ("header", "kind", "unit"),
    [
        ("Odometer (miles)", "distance", "mi"),
        ("Kilometerstand", "distance", "km"),
        ("Mätarställning (mil)", "distance", "mil"),
        ("Unit (km/miles)", "distance", None),
        ("How far has it gone?", "distance", None),
        ("Loss in %", "percent", "%"),
        ("Verlust in Prozent", "percent", "%"),
        ("Hur gammal är bilen (månader)?", "time", "months"),
        ("Hur gammal är bilen?", "time", None),
        ("Hvor gammel er bilen (år)?", "time", "years"),
        ("Battery kWh", "energy", "kWh"),
        ("Full charges per week", "frequency", "per week"),
    ],
)
def test_units_that_headers_name(header: str, kind: str, unit: str | None) -> None:
    assert unit_named(header, kind) == unit


@pytest.mark.parametrize(
    "words",
    [
        "n/a",
        "N/A",
        "Don't know",
        "don’t know",
        "-",
        "?",
        "idk",
        "weiß nicht",
        "Keine Angabe",
        "ne sais pas",
        "no sé",
        "n.v.t.",
        "vet ikke",
        "non so",
        "não sei",
        "#N/A",
    ],
)
def test_answers_that_are_none(words: str) -> None:
    assert is_no_answer(words)


@pytest.mark.parametrize("words", ["0", "none", "never", "no loss", "5 %", "I know: 5", "about 45,000"])
def test_answers_that_are_some(words: str) -> None:
    assert not is_no_answer(words)


def test_words_in_place_of_a_number_reach_the_survey_reader_only_where_a_number_is_asked(tmp_path: Path) -> None:
    assert is_no_number("idk") and is_no_number("Keine Ahnung!") and not is_no_number("n/a")
    text = (
        "Odometer (km),Loss in %,Battery type,Comments\n"
        "idk,n/a,idk,Good car\n60000,Dunno,LFP,Fine\n70000,2,LFP,Fine\n80000,3,LFP,Fine\n"
    )
    first, second, *_ = read_text(tmp_path, text).responses
    assert answers_of(first) == {"odometer_km": ("idk", "km")}
    assert answers_of(second)["loss_pct"] == ("Dunno", "%")


def test_the_programme_s_spring_survey() -> None:
    whole = read_one(FIXTURES / "demo" / "survey-spring.csv")
    assert (len(whole.responses), len(whole.rejects)) == (49, 0)
    first = whole.responses[0]
    assert first.text == (
        "Make and model: Norrvik Tern\nModel year: 2022\nHow far has it gone?: 81900 km\n"
        "Battery type: LFP (iron phosphate)\nCapacity lost in %: 2,6\nDaily charging limit (%): 100\n"
        "Only full on Sundays really, the form had no box for that."
    )
    assert answers_of(first) == {
        "vehicle_text": ("Norrvik Tern", None),
        "model_year": ("2022", None),
        "odometer_km": ("81900", "km"),
        "chemistry": ("LFP (iron phosphate)", None),
        "loss_pct": ("2,6", "%"),
        "charge_limit_pct": ("100", "%"),
    }
    by_author = {response.author: response for response in whole.responses}
    assert answers_of(by_author["Granny Volt"])["odometer_km"] == ("31300", "mi")
    assert "Battery type: Don't know" in by_author["Granny Volt"].text
    assert "chemistry" not in answers_of(by_author["Granny Volt"])
    assert answers_of(by_author["Sturdy Boots"])["odometer_km"] == ("68000", None)
    assert answers_of(by_author["April"])["loss_pct"] == ("-40", "%")
    assert answers_of(by_author["no name"])["loss_pct"] == ("idk", "%")
    assert "loss_pct" not in answers_of(by_author["Silas"])
    assert all(answer.question for response in whole.responses for answer in response.answers)


def test_a_comment_thread_is_no_survey() -> None:
    whole = read_one(FIXTURES / "demo" / "thread.csv")
    assert (len(whole.responses), len(whole.rejects)) == (276, 0)
    assert not any(response.answers for response in whole.responses)
    assert whole.texts[1].startswith("2022 Tern, iron phosphate pack.")
    known = {response.source_response_id for response in whole.responses}
    assert {response.parent_id for response in whole.responses} - {None} <= known


def test_make_and_model_in_columns_of_their_own_are_one_name(tmp_path: Path) -> None:
    text = (
        "Make,Model,Variant,Year,Mileage,Unit,Comments\n"
        "Norrvik,Tern,Long Range,2021,44100,mi,So far so good\n"
        "Calder,Moss,,2022,30000,km,\n"
    )
    first, second = read_text(tmp_path, text).responses
    assert answers_of(first)["vehicle_text"] == ("Norrvik Tern Long Range", None)
    assert answers_of(second)["vehicle_text"] == ("Calder Moss", None)
    assert answers_of(first)["model_year"] == ("2021", None)
    assert answers_of(first)["odometer_km"] == ("44100", "mi")
    assert answers_of(second)["odometer_km"] == ("30000", "km")


def test_other_columns_about_charging_join_the_text_and_private_ones_do_not(tmp_path: Path) -> None:
    text = (
        "Kilometerstand;Wo laden Sie meistens?;Postleitzahl;Noch etwas?\n"
        "81400;immer zu Hause;8010;Der Wagen läuft und läuft und läuft\n"
        "20100;am Bahnhof;8020;\n"
    )
    whole = read_text(tmp_path, text)
    assert (
        whole.texts[0]
        == "Kilometerstand: 81400\nWo laden Sie meistens?: immer zu Hause\nDer Wagen läuft und läuft und läuft"
    )
    assert "8020" not in whole.texts[1]


def test_a_survey_without_free_text_is_read(tmp_path: Path) -> None:
    whole = read_text(tmp_path, "Odometer (km),Loss in %\n81400,2.6\n,\n20000,0\n")
    assert whole.texts == ["Odometer (km): 81400\nLoss in %: 2.6", "Odometer (km): 20000\nLoss in %: 0"]


def test_a_row_that_answers_nothing_is_empty(tmp_path: Path) -> None:
    whole = read_text(tmp_path, "Name,Odometer (km),Loss in %,Comments\nwren,81400,2.6,Good car\nmoss,,,\n")
    assert whole.reasons == ["empty"]
    assert whole.rejects[0].record == "row 3"
