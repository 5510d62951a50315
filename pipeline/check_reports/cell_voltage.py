"""Finds the voltage of a cell that a text tells, for the finding that holds it against the chemistry."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pyarrow

NICKEL = ("NMC", "NCA", "NMCA", "nickel")
"""Chemistries with the limits of nickel cells; LNMO is charged higher, and is left alone."""

LEAST_V, MOST_V = 1.5, 5.0
"""What can be the voltage of one lithium-ion cell at all; anything else is of a pack, a module or a charger."""

_FAR = 40
"""Characters within which the word cell must stand."""

_VOLTS = re.compile(r"(?<![\d.,])(\d[.,]\d{1,3})\s?(?:v|volts?)(?![\w])", re.I)
_CELL = re.compile(
    r"\b(?:cells?|zellen?|zell\w*spannung\w*|cellules?|celdas?|celulas?|células?|cellen?|celler?|cella|celle)\b", re.I
)
_QUOTED = re.compile(r"^\s*>.*$", re.M)

POSSIBLE = r"\d[.,]\d{1,3}\s?[vV]"
"""A regular expression (RE2) that every text with a voltage of a cell meets: the cheap first look."""


def cell_voltages(text: str) -> list[float]:
    """The voltages in volts that a text tells of a cell, in its order; quoted lines are passed over."""
    plain = _QUOTED.sub(lambda quoted: " " * len(quoted[0]), text)
    found = []
    for said in _VOLTS.finditer(plain):
        volts = float(said[1].replace(",", "."))
        near = plain[max(0, said.start() - _FAR) : said.end() + _FAR]
        if LEAST_V <= volts <= MOST_V and _CELL.search(near):
            found.append(volts)
    return found


def outside(volts: float, chemistry: str, limits: Mapping[str, float]) -> bool:
    """Whether a cell of a chemistry has a voltage that its handbooks do not give."""
    if chemistry == "LFP":
        return volts > limits["lfp_high_v"] or volts < limits["lfp_low_v"]
    return chemistry in NICKEL and (volts > limits["nickel_high_v"] or volts < limits["nickel_low_v"])


def off_chemistry(reports: pyarrow.Table, responses: pyarrow.Table, limits: Mapping[str, float]) -> set[str]:
    """The ids of reports whose text tells a cell voltage outside the limits of their chemistry.

    Only where all reports of the response that have a chemistry have the same: whose cells are meant is else unclear.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    possible = pc.fill_null(pc.match_substring_regex(responses["text"], POSSIBLE), False)
    texts = responses.select(["response_id", "text"]).filter(possible).to_pylist()
    told = {row["response_id"]: volts for row in texts if (volts := cell_voltages(row["text"]))}
    if not told:
        return set()
    of_these = reports.filter(pc.is_in(reports["response_id"], pa.array(sorted(told), pa.string())))
    rows = of_these.select(["report_id", "response_id", "chemistry"]).to_pylist()
    chemistries: dict[str, set[str]] = {}
    for row in rows:
        if row["chemistry"] is not None:
            chemistries.setdefault(row["response_id"], set()).add(row["chemistry"])
    return {
        row["report_id"]
        for row in rows
        if row["chemistry"] is not None
        and len(chemistries[row["response_id"]]) == 1
        and any(outside(volts, row["chemistry"], limits) for volts in told[row["response_id"]])
    }
