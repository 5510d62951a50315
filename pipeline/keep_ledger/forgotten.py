"""forgotten.json: whom a ledger has forgotten, so that no later build of the same exports brings them back.

It holds keyed hashes (HMAC-SHA-256 under the ledger's key, another message than pseudonyms have) and notes without any
data of a person: who has the file alone learns how many were forgotten and when, and nothing else.
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.keep_ledger.pseudonym import PseudonymKey, hmac_hex
from pipeline.keep_ledger.tables import ledger_errors
from pipeline.problems import LedgerProblem

FORGOTTEN = "forgotten.json"


@dataclass(slots=True)
class Forgotten:
    """The hashes of forgotten authors and responses, and a note each; `pending` while a removal is not finished."""

    path: Path
    secret: bytes = field(repr=False)
    authors: set[str] = field(default_factory=set)
    responses: set[str] = field(default_factory=set)
    notes: list[dict[str, Any]] = field(default_factory=list)
    pending: bool = False

    def __bool__(self) -> bool:
        return bool(self.authors or self.responses)

    def holds(self, author_key: str | None, response_id: str) -> bool:
        """Whether a response is a forgotten one, or a forgotten author's."""
        if not self:
            return False
        if author_key is not None and self.author_hash(author_key) in self.authors:
            return True
        return self.response_hash(response_id) in self.responses

    def author_hash(self, author_key: str) -> str:
        """What stands here for an author."""
        return hmac_hex(self.secret, b"\x00forgotten author\x00" + author_key.encode("utf-8", "surrogatepass"))

    def response_hash(self, response_id: str) -> str:
        """What stands here for a response."""
        return hmac_hex(self.secret, b"\x00forgotten response\x00" + response_id.encode("utf-8", "surrogatepass"))

    def write(self) -> None:
        """Puts the file in place in one step.  Raises `LedgerProblem`."""
        content = {
            "what": "people and responses that were removed from this ledger, as keyed hashes",
            "authors": sorted(self.authors),
            "responses": sorted(self.responses),
            "notes": self.notes,
            "pending": self.pending,
        }
        draft = self.path.with_name(f".{FORGOTTEN}-new")
        with ledger_errors(self.path, "writing down whom to forget"):
            with draft.open("w", encoding="utf-8") as file:
                file.write(json.dumps(content, indent=2) + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.replace(draft, self.path)


def load_forgotten(ledger: Path, key: PseudonymKey) -> Forgotten:
    """The forgotten of a ledger, none where there is no such file.  Raises `LedgerProblem` where it is damaged."""
    path = ledger / FORGOTTEN
    if not path.exists():
        return Forgotten(path, key.secret)
    try:
        with ledger_errors(path, "reading whom to forget", todo="give the right to read it"):
            held = json.loads(path.read_text("utf-8"))
        return Forgotten(
            path, key.secret, set(held["authors"]), set(held["responses"]), list(held["notes"]), bool(held["pending"])
        )
    except (ValueError, KeyError, TypeError) as error:
        raise LedgerProblem(
            "is damaged; without it people who withdrew would come back",
            where=str(path),
            todo="put a sound copy of it back",
        ) from error
