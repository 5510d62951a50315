"""Writes small rule packs for the tests."""

from __future__ import annotations

from pathlib import Path

DWINDLED = """
  - id: loss.dwindled
    priority: 60
    set: {loss_origin: stated}
    patterns: ["dwindled by? {loss:percent}"]
    unless: ["(savings|hair)"]
    examples:
      - "My Tern has 74,000 km and its battery dwindled by 6 %.": {odometer_km: 74000, loss_pct: 6, loss_origin: stated}
    look_alikes: ["My savings dwindled by 6 %"]
"""

FIELD = """
  - name: {name}
    type: number
    unit: {unit}
    description: an invented field
    privacy: sensitive
"""


def pack(folder: Path, files: dict[str, str], *, name: str = "mine", more: str = "") -> Path:
    """A pack in `folder`; `files` are rule files (topic/language -> rules) and other files (with .yaml)."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "pack.yaml").write_text(f"name: {name}\nversion: 1.0.0\n{more}", encoding="utf-8")
    for place, text in files.items():
        path = folder / (place if place.endswith((".yaml", ".yml")) else f"{place}.yaml")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text if place.endswith((".yaml", ".yml")) else f"rules:\n{text}", encoding="utf-8")
    return folder


def fields(*names: str, unit: str = "kWh/100 km", extra: str = "") -> str:
    """The `fields` part of a pack.yaml; `extra` are further lines of each field."""
    lines = "".join(f"    {line}\n" for line in extra.splitlines())
    return "fields:" + "".join(FIELD.format(name=name, unit=unit) + lines for name in names)
