"""What people may write as a value, and what a field makes of it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.correct_readings.values import BadValue, accepted, correctable, read_value
from pipeline.dataset_columns import FIELDS, KM_PER_MILE, Column

COLUMNS = correctable((Column("winter_kwh", "double", "use in winter", "sensitive", "kWh/100km"),))


@pytest.mark.parametrize(
    ("name", "given_", "value", "how"),
    [
        ("odometer_km", "74,000", 74_000, ""),
        ("odometer_km", "74.000 km", 74_000, ""),
        ("odometer_km", "74'000", 74_000, ""),
        ("odometer_km", "62,000 mi", 62_000 * KM_PER_MILE, "62,000 mi x 1.609344"),
        ("odometer_km", "62k miles", 62_000 * KM_PER_MILE, "62,000 miles x 1.609344"),
        ("odometer_km", "1180 mil", 11_800, "1,180 mil x 10"),
        ("odometer_km", 81_400.0, 81_400, ""),
        ("loss_pct", "2,3 %", 2.3, ""),
        ("loss_pct", "\N{MINUS SIGN}1.5", -1.5, ""),
        ("loss_pct", "2.345", 2.345, ""),
        ("age_months", "3.5 years", 42, "3.5 years x 12"),
        ("model_year", "2022", 2022, ""),
        ("model_year", 2022.0, 2022, ""),
        ("full_charges_per_week", "1 per month", 0.25, "1 per month x 0.25"),
        ("full_charges_per_week", "1 a day", 7, "1 per day x 7"),
        ("pack_kwh", "57.5 kWh", 57.5, ""),
        ("chemistry", "na-ion", "Na-ion", ""),
        ("whose", "OWN", "own", ""),
        ("vehicle_text", " Tern Long Range ", "Tern Long Range", ""),
        ("winter_kwh", "21 kWh/100km", 21, ""),
    ],
)
def test_a_value_is_taken_in_the_field_s_unit(name: str, given_: str | float, value: object, how: str) -> None:
    read = read_value(COLUMNS[name], given_)
    assert read.value == pytest.approx(value) if isinstance(value, float) else read.value == value
    assert type(read.value) is {"double": float, "int16": int, "string": str}[COLUMNS[name].type]
    assert read.how == how


@pytest.mark.parametrize(
    ("name", "given_", "told"),
    [
        ("odometer_km", "a lot", "a number from 0 to 9,999,999 in km (with its unit behind it: km, kms, mi,"),
        ("odometer_km", "400 kWh", "in km"),
        ("odometer_km", "-5", "from 0"),
        ("loss_pct", "101", "from -100 to 100 in %"),
        ("loss_pct", "", "a number"),
        ("model_year", "22", "a whole number from 1990 to 2100"),
        ("model_year", "2021.5", "a whole number"),
        ("chemistry", "lead", "one of LFP, NMC"),
        ("charge_habit", "sometimes", "one of full, partial, mixed"),
        ("vehicle_text", "", "words"),
        ("winter_kwh", "nan", "a number in kWh/100km"),
    ],
)
def test_a_bad_value_is_refused_with_what_is_accepted(name: str, given_: str, told: str) -> None:
    with pytest.raises(BadValue) as refused:
        read_value(COLUMNS[name], given_)
    assert told in refused.value.accepted == accepted(COLUMNS[name])


@given(st.sampled_from(FIELDS), st.one_of(st.text(max_size=30), st.floats()))
def test_anything_is_either_a_value_of_the_column_or_refused(column: Column, given_: str | float) -> None:
    try:
        read = read_value(column, given_)
    except BadValue:
        return
    if column.values:
        assert read.value in column.values
    elif column.type == "double":
        assert isinstance(read.value, float) and read.value == read.value
    elif column.type == "int16":
        assert isinstance(read.value, int) and abs(read.value) < 2**15


@given(st.floats(min_value=0, max_value=9e6, allow_nan=False))
def test_a_value_as_the_dataset_shows_it_is_read_as_itself(km: float) -> None:
    from pipeline.keep_ledger.rows import value_text

    assert read_value(COLUMNS["odometer_km"], value_text(round(km, 1))).value == pytest.approx(round(km, 1), abs=1e-9)
