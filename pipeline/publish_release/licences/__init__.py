"""The licences that a release can carry; their legal texts, as the SPDX licence list has them, stand beside this."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.problems import UsageProblem

FOLDER = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class Licence:
    """A licence by its SPDX identifier, with its full name, its canonical address and a line for people."""

    spdx: str
    name: str
    address: str
    line: str

    @property
    def text(self) -> str:
        """The legal text."""
        return (FOLDER / f"{self.spdx}.txt").read_text("utf-8")


LICENCES = {
    one.spdx: one
    for one in (
        Licence("CC-BY-4.0", "Creative Commons Attribution 4.0 International",
                "https://creativecommons.org/licenses/by/4.0/", "Use it for anything, with credit."),
        Licence("CC0-1.0", "Creative Commons Zero v1.0 Universal",
                "https://creativecommons.org/publicdomain/zero/1.0/", "Use it for anything; no rights are kept."),
        Licence("CC-BY-SA-4.0", "Creative Commons Attribution Share Alike 4.0 International",
                "https://creativecommons.org/licenses/by-sa/4.0/", "With credit, and under the same licence."),
        Licence("ODbL-1.0", "Open Data Commons Open Database License v1.0",
                "https://opendatacommons.org/licenses/odbl/1-0/", "With credit; databases made of it likewise."),
        Licence("ODC-By-1.0", "Open Data Commons Attribution License v1.0",
                "https://opendatacommons.org/licenses/by/1-0/", "Use the database for anything, with credit."),
        Licence("PDDL-1.0", "Open Data Commons Public Domain Dedication & License 1.0",
                "https://opendatacommons.org/licenses/pddl/1-0/", "Use the database for anything."),
    )
}  # fmt: skip


def licence_of(spdx: str) -> Licence:
    """The licence with an SPDX identifier (in any case).  Raises `UsageProblem` where there is none here."""
    for name, licence in LICENCES.items():
        if name.lower() == spdx.strip().lower():
            return licence
    raise UsageProblem(f"there is no licence {spdx!r} here", todo="use one of: " + ", ".join(LICENCES))
