"""Connected components by union-find with path halving (Tarjan and van Leeuwen, 1984)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np


class Components:
    """Numbers 0 to n - 1 in sets that grow together; the least number of a set stands for it."""

    def __init__(self, count: int) -> None:
        self._parent = list(range(count))

    def find(self, item: int) -> int:
        """The least number of the item's set."""
        parent = self._parent
        while parent[item] != item:
            parent[item] = parent[parent[item]]
            item = parent[item]
        return item

    def join(self, left: int, right: int) -> None:
        """Makes the sets of two items one."""
        left, right = self.find(left), self.find(right)
        if left != right:
            self._parent[max(left, right)] = min(left, right)

    def groups(self) -> list[list[int]]:
        """The sets of two and more, each in order, by their least number."""
        roots = np.fromiter((self.find(item) for item in range(len(self._parent))), np.int64, len(self._parent))
        order = np.argsort(roots, kind="stable")
        ends = np.flatnonzero(np.diff(roots[order])) + 1
        bounds = [0, *ends.tolist(), len(order)]
        return [order[start:end].tolist() for start, end in pairwise(bounds) if end - start > 1]
