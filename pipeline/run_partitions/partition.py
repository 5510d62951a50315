"""The unit of work: some responses of one export go out, one reading each comes back; and what does it in a worker."""

from __future__ import annotations

import hashlib
import pickle
import threading
from collections.abc import Callable, Generator, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any, Protocol, TypeVar

import pipeline
from pipeline.problems import Problem, WorkersProblem
from pipeline.response import Reading, Reject, Response

SAME_EVERYWHERE = ("numpy", "spacy")
"""Libraries whose version can change a reading; a worker must have the one that the build has."""

Readings = Sequence[Reading | Reject]
Timed = Callable[[], AbstractContextManager[None]]


class Pack(Protocol):
    """A rule pack that readings were made with."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def version(self) -> str: ...  # noqa: D102
    @property
    def sha256(self) -> str: ...  # noqa: D102


class Reader(Protocol):
    """What makes readings of responses, one each, in the order given; `packs` are the rules that it reads by.

    To read in other processes it must be picklable, and its unpickled copy must read the same.
    """

    @property
    def packs(self) -> Sequence[Pack]: ...  # noqa: D102
    def read(self, responses: Sequence[Response]) -> list[Reading]: ...  # noqa: D102


class Partition(Protocol):
    """Some responses of one export, in its order; what else it carries stays here and never travels."""

    @property
    def responses(self) -> Sequence[Response]: ...  # noqa: D102


P = TypeVar("P", bound=Partition)


class Runner(Protocol):
    """Where partitions are read.  Whichever runner: the same partitions in the same order, with equal readings."""

    def read(self, reader: Reader, partitions: Iterable[P], timed: Timed) -> Generator[tuple[P, Readings], None, None]:
        """Each partition with its readings (one a response); `timed()` surrounds what is spent on reading.

        Takes only a few partitions ahead of those it has given.  Raises `WorkersProblem` where workers cannot be had.
        """


@dataclass(frozen=True, slots=True)
class Recipe:
    """A reader as a worker makes it for itself, and what has to be the same there for its readings to be the same."""

    reader: bytes
    name: str
    same: tuple[str, ...]

    @classmethod
    def of(cls, reader: Reader) -> Recipe:
        """The recipe of a reader."""
        packed = pickle.dumps(reader, protocol=5)
        same = _what_decides(reader)
        return cls(packed, hashlib.sha256(packed + repr(same).encode()).hexdigest(), same)


def read_each(reader: Reader, responses: Sequence[Response]) -> Readings:
    """One reading a response; a response that the program fails on is a reject and costs no other its reading."""
    try:
        return reader.read(responses)
    except Problem:
        raise
    except Exception:
        return [_read_alone(reader, response) for response in responses]


def _read_alone(reader: Reader, response: Response) -> Reading | Reject:
    try:
        (reading,) = reader.read([response])
    except Problem:
        raise
    except Exception as error:
        what = f"{type(error).__name__}: {error}"
        hint = "please report it with the response's text"
        return Reject(response.source, response.source_response_id, "reading_failed", what, hint)
    return reading


_held: dict[str, Reader] = {}
_one_at_a_time = threading.Lock()


def read_partition(recipe: Recipe, responses: Sequence[Response]) -> Readings:
    """Runs in a worker: makes the reader once and keeps it for the partitions that follow.

    Raises `WorkersProblem` where the worker's program, rules or libraries would read otherwise than the build's.
    """
    with _one_at_a_time:  # a Dask worker may have threads, a reader is for one
        if recipe.name not in _held:
            reader = pickle.loads(recipe.reader)
            here = _what_decides(reader)
            if here != recipe.same:
                others = ", ".join(sorted({*recipe.same} ^ {*here}))
                raise WorkersProblem(
                    f"a worker has another program, other rules or libraries than this machine ({others})",
                    todo="install the same crowdfade, with the same libraries and rule packs, on every worker",
                )
            _held.clear()
            _held[recipe.name] = reader
        return read_each(_held[recipe.name], responses)


def _what_decides(reader: Any) -> tuple[str, ...]:
    packs = [f"rules {pack.name} {pack.version} {pack.sha256[:12]}" for pack in reader.packs]
    return (f"crowdfade {pipeline.__version__}", *packs, *(f"{name} {version(name)}" for name in SAME_EVERYWHERE))
