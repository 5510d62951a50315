"""Audiences whose true curves are known, as rows of `reports.parquet`: people with one to three vehicles, follow-ups.

The median loss of a vehicle is exactly `true_loss`: a person's own shift and a reading's error are symmetrical about 0.
Who has iron phosphate charges to full more often, so that habits cannot be compared without the chemistry.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from pipeline.dataset_columns import TABLES, arrow_schema
from pipeline.keep_ledger.ledger import DESCRIPTION, LEDGER_FORMAT
from pipeline.keep_ledger.run_record import RunRecord
from pipeline.keep_ledger.tables import write_table

POSTED = datetime(2026, 6, 1, tzinfo=UTC)
CURVES = {"LFP": (2.5, 1.5), "NMC": (4.0, 2.5), "NCA": (4.0, 2.5)}
"""Chemistry -> points for the root and for the straight part of 100,000 km."""
MODELS = {"LFP": [("Norrvik", "Tern"), ("Ondine", "40")], "NMC": [("Norrvik", "Skua"), ("Calder", "Fell")],
          "NCA": [("Calder", "Ridge")]}  # fmt: skip


def true_loss(chemistry: str, km: Any) -> Any:
    """The median loss (%) of vehicles with that chemistry at a distance (`full_costs` more if charged to full)."""
    root, straight = CURVES[chemistry]
    z = np.asarray(km, dtype=float) / 100_000
    return root * np.sqrt(z) + straight * z


def audience(people: int, seed: int, *, full_costs: float = 0.0, follow_ups: float = 0.05) -> pa.Table:
    """The reports of `people` people, 1.5 vehicles each on average, some told twice."""
    draw = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    for person in range(people):
        shift = draw.normal(0, 1.0)
        for vehicle in range(1 + draw.binomial(2, 0.25)):
            chemistry = str(draw.choice(["LFP", "NMC", "NCA"], p=[0.4, 0.4, 0.2]))
            make, model = MODELS[chemistry][draw.integers(len(MODELS[chemistry]))]
            full = draw.random() < (0.7 if chemistry == "LFP" else 0.3)
            habit = "full" if full else "partial"
            years = draw.uniform(1, 8)
            km = float(years * draw.gamma(6, 3_000))
            told = [(km, POSTED - timedelta(days=int(draw.integers(30))), years)]
            if draw.random() < follow_ups:
                told.insert(0, (km * 0.8, told[0][1] - timedelta(days=300), years - 0.8))
            for number, (odometer, at, age) in enumerate(told):
                loss = float(true_loss(chemistry, odometer)) + full_costs * full + shift + draw.laplace(0, 1.0)
                loss = round(loss) if draw.random() < 0.4 else round(loss, 1)
                origin = str(draw.choice(["stated", "health", "range"], p=[0.5, 0.25, 0.25]))
                response = f"r{person:06d}{vehicle}{number}"
                rows.append(
                    {
                        "report_id": f"{response}-1", "response_id": response, "source_response_id": response,
                        "source": "generated.csv", "posted_at": at, "lang": "en", "author_key": f"a{person:06d}",
                        "whose": "own", "vehicle_text": model, "model_year": int(2026 - round(age)),
                        "chemistry": chemistry,
                        "odometer_km": round(odometer, -2), "age_months": round(age * 12), "loss_pct": float(loss),
                        "loss_origin": origin, "charge_limit_pct": 100.0 if full else 80.0, "charge_habit": habit,
                        "make": make, "model": model, "chemistry_origin": "stated",
                        "vehicle_key": f"v{person:06d}{vehicle}",
                        "confidence": float(np.clip(draw.beta(8, 2), 0, 1)),
                        "flags": ["loss-from-range"] if origin == "range" else [], "usable": True,
                    }
                )  # fmt: skip
    return table_of(rows)


def table_of(rows: list[dict[str, Any]]) -> pa.Table:
    """Rows as a table with the schema of `reports.parquet`; what a row does not name is null."""
    schema = arrow_schema("reports")
    return pa.Table.from_pylist([{name: row.get(name) for name in schema.names} for row in rows], schema)


def ledger_of(reports: pa.Table, path: Path) -> Path:
    """A ledger with one run that holds these reports; the other tables say what the reports need."""
    run = path / "runs" / "0001-20260601T000000Z"
    run.mkdir(parents=True)
    described = {"what": "crowdfade ledger", "format": LEDGER_FORMAT, "key_fingerprint": "0" * 16}
    (path / DESCRIPTION).write_text(json.dumps(described), "utf-8")
    responses = [
        {
            "response_id": row["response_id"], "source_response_id": row["source_response_id"], "source": row["source"],
            "author_key": row["author_key"], "posted_at": row["posted_at"], "lang": row["lang"],
            "text": f"My {row['model']}: {row['odometer_km']:.0f} km, lost {row['loss_pct']:g} %.",
        }
        for row in reports.to_pylist()
    ]  # fmt: skip
    tables = {"reports": reports}
    for name in TABLES:
        schema = arrow_schema(name)
        rows = responses if name == "responses" else []
        filled = [{column: row.get(column) for column in schema.names} for row in rows]
        table = tables.get(name, pa.Table.from_pylist(filled, schema))
        write_table(name, table, run / f"{name}.parquet")
    record = RunRecord(
        run.name, "2026-06-01T00:00:00Z", counts={"responses": len(responses), "reports": len(responses)}
    )
    record.write(run)
    (path / "latest").symlink_to(Path("runs") / run.name, target_is_directory=True)
    return path
