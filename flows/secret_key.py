"""The pseudonym key from a Prefect Secret block, for as long as a run is made; it is written nowhere."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

from prefect.blocks.system import Secret

from pipeline.problems import KeyProblem


@contextmanager
def pseudonym_key(block: str | None) -> Iterator[None]:
    """Sets the key that the Secret block of that name holds; without one the key is looked up as always.

    Raises `KeyProblem` where there is no such block; what a block holds is never in the message.
    """
    if block is None:
        yield
        return
    try:
        key = str(Secret.load(block).get())
    except ValueError as error:
        raise KeyProblem(
            "there is no such Secret block", where=block, todo="make it on the server's page Blocks, of type Secret"
        ) from error
    before = os.environ.get("CROWDFADE_KEY")
    os.environ["CROWDFADE_KEY"] = key
    try:
        yield
    finally:
        if before is None:
            del os.environ["CROWDFADE_KEY"]
        else:
            os.environ["CROWDFADE_KEY"] = before
