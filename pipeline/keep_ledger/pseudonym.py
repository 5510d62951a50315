"""Pseudonyms: an author's handle becomes a keyed hash, and only the hash reaches a table.

The key is a secret of the person who keeps the ledger.  It is looked up in this order:

    CROWDFADE_KEY           the key itself, as text
    CROWDFADE_KEY_FILE      a file that holds it
    the config folder       $XDG_CONFIG_HOME/crowdfade/key (~/.config/crowdfade/key), made once, readable by its owner

Whoever has the key can find a known handle's rows; without it the hashes cannot be turned back or guessed from a list
of handles.  A ledger keeps the key's fingerprint, so that two keys are never mixed in one ledger.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.problems import KeyProblem

AUTHOR_KEY_DIGITS = 24
"""Hex digits of an author key: 96 bits, so that even a billion authors do not collide by chance."""

FINGERPRINT_DIGITS = 16
SHORTEST_KEY = 16
"""Bytes below which a key is refused: it could be guessed."""

# A normalised handle never holds a NUL, so no handle can be hashed to the fingerprint.
_FINGERPRINT_MESSAGE = b"\x00crowdfade key fingerprint"


def hmac_hex(secret: bytes, message: bytes) -> str:
    """HMAC-SHA-256 (RFC 2104, vectors in RFC 4231) as 64 hex digits."""
    return hmac.new(secret, message, hashlib.sha256).hexdigest()


def normal_handle(handle: str) -> str:
    """The one spelling of a handle: NFKC, case folded, without a leading @, blanks or invisible characters.

    "@Tern_Fan ", "tern_fan" and "ＴＥＲＮ_ＦＡＮ" are one person; "" means that there is no handle.
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", handle).casefold())
    visible = "".join(sign for sign in folded if sign.isspace() or unicodedata.category(sign) not in ("Cf", "Cc"))
    return " ".join(visible.split()).lstrip("@ ")


@dataclass(frozen=True, slots=True)
class PseudonymKey:
    """The secret and where it came from (for messages); the secret is left out of `repr`."""

    secret: bytes = field(repr=False)
    origin: str

    @property
    def fingerprint(self) -> str:
        """16 hex digits that tell keys apart and say nothing about the key."""
        return hmac_hex(self.secret, _FINGERPRINT_MESSAGE)[:FINGERPRINT_DIGITS]

    def author_key(self, handle: str | None) -> str | None:
        """The handle's pseudonym (24 hex digits), or None where there is no handle."""
        name = normal_handle(handle) if handle else ""
        return hmac_hex(self.secret, name.encode("utf-8", "surrogatepass"))[:AUTHOR_KEY_DIGITS] if name else None


def load_key(environ: Mapping[str, str] = os.environ, *, create: bool = True) -> PseudonymKey:
    """The key of this person.  `create` allows a new one to be made in the config folder where none is found.

    Raises `KeyProblem` where the key is too short, cannot be read, can be read by others, or is missing.
    """
    if given := environ.get("CROWDFADE_KEY"):
        return _checked(given, "the variable CROWDFADE_KEY")
    if named := environ.get("CROWDFADE_KEY_FILE"):
        return _read_key(Path(named).expanduser())
    path = config_folder(environ) / "key"
    if not path.exists():
        if not create:
            raise KeyProblem(
                "this ledger was made with a key that cannot be found",
                where=str(path),
                todo="put the key back there, or set CROWDFADE_KEY_FILE to the file that holds it",
            )
        _make_key(path)
    return _read_key(path)


def config_folder(environ: Mapping[str, str] = os.environ) -> Path:
    """The folder of this person's settings: $XDG_CONFIG_HOME/crowdfade, else ~/.config/crowdfade."""
    base = environ.get("XDG_CONFIG_HOME")
    if base and Path(base).is_absolute():
        return Path(base) / "crowdfade"
    home = environ.get("HOME")
    return (Path(home) if home else Path.home()) / ".config" / "crowdfade"


def _checked(text: str, origin: str) -> PseudonymKey:
    secret = text.strip().encode("utf-8", "surrogateescape")
    if len(secret) < SHORTEST_KEY:
        raise KeyProblem(
            f"the key has {len(secret)} characters; it needs at least {SHORTEST_KEY}",
            where=origin,
            todo="""make one with: python -c "import secrets; print(secrets.token_hex(32))\"""",
        )
    return PseudonymKey(secret, origin)


def _read_key(path: Path) -> PseudonymKey:
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
                raise KeyProblem(
                    f"others can read or change the key file (mode {stat.S_IMODE(mode):04o})",
                    where=str(path),
                    todo=f"chmod 600 {path}",
                )
            content = file.read(65536)
    except OSError as error:
        raise KeyProblem(
            f"the key file cannot be read ({error.strerror})",
            where=str(path),
            todo="mend the file, or set CROWDFADE_KEY_FILE or CROWDFADE_KEY",
        ) from error
    return _checked(content.decode("utf-8", "surrogateescape"), str(path))


def _make_key(path: Path) -> None:
    """Writes a new key whole or not at all; of two programs that try at once, the first one's key stays."""
    draft = path.with_name(f".key-{secrets.token_hex(8)}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        try:
            with open(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
                file.write(secrets.token_hex(32) + "\n")
                file.flush()
                os.fsync(file.fileno())
            os.link(draft, path)
        except FileExistsError:
            pass
        finally:
            draft.unlink(missing_ok=True)
    except OSError as error:
        raise KeyProblem(
            f"no key is set, and none can be made here ({error.strerror})",
            where=str(path),
            todo="set CROWDFADE_KEY or CROWDFADE_KEY_FILE",
        ) from error
