"""The keys of a release: each person and vehicle gets a new one, made with a key of this release alone."""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.keep_ledger.pseudonym import hmac_hex, load_key

KEY_DIGITS = 20
"""Hex digits of a published key: 80 bits."""


@dataclass(frozen=True, slots=True)
class ReleaseKey:
    """The secret of one release; `linkable` says whether it was given, and so can join this release to others."""

    secret: bytes = field(repr=False)
    linkable: bool

    @classmethod
    def fresh(cls) -> ReleaseKey:
        """A random key that is kept nowhere: two releases made with two of them cannot be joined by it."""
        return cls(secrets.token_bytes(32), linkable=False)

    @classmethod
    def from_file(cls, path: Path) -> ReleaseKey:
        """The key in a file that only its owner may read.  Raises `KeyProblem`."""
        return cls(load_key({"CROWDFADE_KEY_FILE": str(path)}, create=False).secret, linkable=True)

    def of(self, kind: str, *parts: str) -> str:
        """The published key of a person, a vehicle or a row (20 hex digits)."""
        return hmac_hex(self.secret, "\x1f".join((kind, *parts)).encode("utf-8", "surrogatepass"))[:KEY_DIGITS]
