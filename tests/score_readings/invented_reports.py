"""Invented reports for property tests."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from pipeline.dataset_columns import CHEMISTRIES, HABITS, LOSS_ORIGINS

REPORT: st.SearchStrategy[dict[str, Any]] = st.fixed_dictionaries(
    {"whose": st.sampled_from(["own", "other"])},
    optional={
        "vehicle_text": st.sampled_from(["Tern", "Skua", "Fell"]),
        "model_year": st.integers(2012, 2025),
        "chemistry": st.sampled_from(CHEMISTRIES),
        "odometer_km": st.sampled_from([0, 31000, 74000.5, 119091.456]),
        "age_months": st.integers(0, 120),
        "loss_pct": st.sampled_from([-1, 0, 2.5, 6.087, 11]),
        "loss_origin": st.sampled_from(LOSS_ORIGINS),
        "charge_limit_pct": st.sampled_from([80, 90, 100]),
        "charge_habit": st.sampled_from(HABITS),
        "full_charges_per_week": st.sampled_from([0, 0.25, 7]),
        "pack_kwh": st.sampled_from([57.5, 60]),
    },
)
