"""`corrections.csv` in the ledger: one row a decision, for people with a spreadsheet program and for the build."""

from __future__ import annotations

import csv
import hashlib
import io
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.correct_readings.decisions import COLUMNS, Decision, plain_kind
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem

CORRECTIONS = "corrections.csv"
"""The file's name in the ledger's folder."""

TODO = "mend the file in a spreadsheet program, or move it away and decide anew"


@dataclass(frozen=True, slots=True)
class Kept:
    """A decision and the line of the file (1 is the header) on which it begins."""

    line: int
    decision: Decision


@dataclass(frozen=True, slots=True)
class CorrectionsFile:
    """What a ledger's corrections file holds; `sha256` is "" where there is none."""

    path: Path
    kept: tuple[Kept, ...] = ()
    sha256: str = ""

    @property
    def decisions(self) -> tuple[Decision, ...]:
        """The decisions, in the file's order."""
        return tuple(one.decision for one in self.kept)


def read_corrections(ledger: Path) -> CorrectionsFile:
    """The corrections of a ledger (none where there is no file).

    Reads what spreadsheet programs make of the file: with or without a byte order mark, with commas, semicolons or
    tabs, columns in any order.  Raises `LedgerProblem` where it cannot be read as such a table.  A row that decides
    nothing sound is kept, and told when it is applied: one bad row must not hold up the others.
    """
    path = ledger / CORRECTIONS
    if not path.exists():
        return CorrectionsFile(path)
    with ledger_errors(path, "reading the corrections", todo="give the right to read it"):
        content = path.read_bytes()
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise LedgerProblem(
            f"is not UTF-8 (byte {error.start})", where=str(path), todo="save it as CSV in UTF-8"
        ) from None
    return CorrectionsFile(path, tuple(_rows(text, path)), hashlib.sha256(content).hexdigest())


def _rows(text: str, path: Path) -> list[Kept]:
    head = text.split("\n", 1)[0]
    mark = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
    try:
        header = [name.strip().casefold() for name in next(reader, [])]
        unknown = [name for name in header if name and name not in COLUMNS]
        if unknown or "kind" not in header or len(set(header)) != len(header):
            what = f"has a column {unknown[0]!r}" if unknown else "has no column kind, or a column twice"
            raise LedgerProblem(what, where=f"{path}, row 1", todo="the columns are " + ", ".join(COLUMNS))
        kept: list[Kept] = []
        begin = reader.line_num
        for cells in reader:
            line, begin = begin + 1, reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if any(cell.strip() for cell in cells[len(header) :]):
                raise LedgerProblem("has more cells than the header", where=f"{path}, row {line}", todo=TODO)
            row = {name: _unguarded(cell.strip()) for name, cell in zip(header, cells, strict=False) if name}
            kept.append(Kept(line, Decision(**{**row, "kind": plain_kind(row["kind"])})))
    except (csv.Error, KeyError) as error:
        raise LedgerProblem(f"is not readable as CSV: {error}", where=str(path), todo=TODO) from None
    return kept


_FORMULA = re.compile(r"[=+\-@\t](?![\d.,]*$)")


def _guarded(cell: str) -> str:
    """A cell that no spreadsheet program takes for a formula: words of a comment must not be able to compute."""
    return f"'{cell}" if _FORMULA.match(cell) else cell


def _unguarded(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell, 1) else cell


def add_corrections(ledger: Path, decisions: Sequence[Decision]) -> None:
    """Adds decisions to a ledger's file, in one step; must be called under the ledger's lock.  Raises `LedgerProblem`.

    The file is written with a byte order mark, without which office programs misread what is not English.
    """
    if not decisions:
        return
    file = read_corrections(ledger)
    written = io.StringIO(newline="")
    writer = csv.writer(written, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for decision in (*file.decisions, *decisions):
        writer.writerow([_guarded(getattr(decision, name)) for name in COLUMNS])
    draft = file.path.with_name(f".{CORRECTIONS}-new")
    with ledger_errors(file.path, "writing the corrections"):
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as out:
            out.write(written.getvalue().encode("utf-8-sig"))
            out.flush()
            os.fsync(out.fileno())
        os.replace(draft, file.path)
