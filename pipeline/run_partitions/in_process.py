"""The plain runner: partitions are read here, one after the other."""

from __future__ import annotations

from collections.abc import Generator, Iterable

from pipeline.run_partitions.partition import P, Reader, Readings, Timed, read_each


class InProcess:
    """Reads partitions in this process."""

    def read(self, reader: Reader, partitions: Iterable[P], timed: Timed) -> Generator[tuple[P, Readings], None, None]:
        """As `Runner.read` says; nothing is taken ahead."""
        for partition in partitions:
            with timed():
                readings = read_each(reader, partition.responses)
            yield partition, readings
