"""Readers for the tests of runners: quick, picklable, and with ways to go wrong that a text asks for.

"DIE ONCE <file>" ends the process, unless the file is there already; "DIE" always ends it; "CRASH" raises.
"""

from __future__ import annotations

import os
import re
import signal
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.problems import RuleProblem
from pipeline.response import FoundValue, Reading, Refusal, Report, Response


@dataclass
class Pack:
    name: str = "odd"
    version: str = "1"
    sha256: str = "0" * 64


@dataclass
class OddReader:
    packs: list[Pack] = field(default_factory=lambda: [Pack()])
    seconds_each: float = 0.0

    def read(self, responses: Sequence[Response]) -> list[Reading]:
        time.sleep(self.seconds_each * len(responses))
        return [self._one(response.text) for response in responses]

    def _one(self, text: str) -> Reading:
        if once := re.search(r"DIE ONCE (\S+)", text):
            if not Path(once[1]).exists():
                Path(once[1]).write_text("died")
                os.kill(os.getpid(), signal.SIGKILL)
        elif "DIE" in text:
            os.kill(os.getpid(), signal.SIGKILL)
        if "CRASH" in text:
            raise ZeroDivisionError("a mistake of the program")
        if "BAD RULE" in text:
            raise RuleProblem("a rule is broken", where="odd.yaml", todo="mend it")
        reading = Reading()
        if found := re.search(r"(\d+) km", text):
            value = FoundValue(
                "odometer_km", float(found[1]), "km", found[0], *found.span(), "odd", "odd", "as written"
            )
            reading.reports.append(Report({"odometer_km": value}))
        elif found := re.search(r"warranty", text):
            reading.refusals.append(Refusal("loss_pct", found[0], *found.span(), "odd", "a warranty term"))
        return reading


class OtherRules(OddReader):
    """Reads by other rules wherever it is unpickled."""

    def __reduce__(self) -> Any:
        return OddReader, ([Pack(sha256="1" * 64)],)
