"""Connected components against an independent implementation (scipy.sparse.csgraph)."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from pipeline.join_copies.components import Components


@pytest.mark.parametrize("seed", range(40))
def test_components_of_random_graphs_are_those_of_scipy(seed: int) -> None:
    dice = random.Random(seed)
    nodes = dice.choice([1, 2, 10, 50, 400])
    count = dice.choice([0, 1, nodes // 3, nodes, 3 * nodes])
    edges = [(dice.randrange(nodes), dice.randrange(nodes)) for _ in range(count)]
    components = Components(nodes)
    for left, right in edges:
        components.join(left, right)
    rows, columns = zip(*edges, strict=True) if edges else ((), ())
    graph = coo_matrix((np.ones(len(edges)), (rows, columns)), shape=(nodes, nodes))
    _, labels = connected_components(graph, directed=False)
    theirs: dict[int, list[int]] = {}
    for node, label in enumerate(labels.tolist()):
        theirs.setdefault(label, []).append(node)
    assert components.groups() == sorted(group for group in theirs.values() if len(group) > 1)
    assert [components.find(node) for node in range(nodes)] == [min(theirs[label]) for label in labels.tolist()]


def test_a_long_chain_is_one_component() -> None:
    components = Components(20_000)
    for place in range(19_999, 0, -1):
        components.join(place, place - 1)
    assert components.groups() == [list(range(20_000))]
