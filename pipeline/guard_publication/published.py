"""What was published last from a ledger, or held back: `published.json` in the ledger, written in one step."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path

from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem

KEPT_IN = "published.json"
FORMAT = 1


@dataclass(slots=True)
class Published:
    """The run that was published last, the labelled score of that day (core F1), and where report and release stand.

    `held` is the newest run that the gates did not let through, `reasons` say why; both empty where none was.
    """

    run: str = ""
    score: float | None = None
    at: str = ""
    report: str = ""
    release: str = ""
    held: str = ""
    reasons: list[str] = field(default_factory=list)


def read_published(ledger: Path) -> Published:
    """What `keep_published` kept, or an empty one.  Raises `LedgerProblem` where the record is damaged."""
    file = ledger / KEPT_IN
    try:
        content = json.loads(file.read_text("utf-8"))
        if content.pop("format") != FORMAT:
            raise ValueError("an unknown format")
        return Published(**content)
    except FileNotFoundError:
        return Published()
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise LedgerProblem(
            f"the record of what was published cannot be read ({error})",
            where=str(file),
            todo="move it away; the next publication is then compared with none",
        ) from error


def keep_published(ledger: Path, published: Published) -> None:
    """Writes the record in one step.  Raises `LedgerProblem`."""
    file = ledger / KEPT_IN
    draft = file.with_name(f".{KEPT_IN}-new")
    with ledger_errors(file, "writing the record of what was published"):
        try:
            with draft.open("w", encoding="utf-8") as stream:
                json.dump({"format": FORMAT, **asdict(published)}, stream, indent=1, ensure_ascii=False)
                stream.write("\n")
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(draft, file)
        finally:
            draft.unlink(missing_ok=True)
