"""Reads the project's YAML files the one way: `on`, `off`, `yes` and `no` are words, since word lists hold them."""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from pipeline.problems import RuleProblem


@cache
def _loader() -> Any:
    import yaml

    base = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
    loader = type("WordLoader", (base,), {})
    resolvers = {
        first: [
            (tag, pattern)
            for tag, pattern in entries
            if tag not in ("tag:yaml.org,2002:bool", "tag:yaml.org,2002:timestamp")
        ]
        for first, entries in base.yaml_implicit_resolvers.items()
    }
    loader.yaml_implicit_resolvers = resolvers  # type: ignore[attr-defined]
    loader.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile(r"^(?:true|false)$"), ["t", "f"])  # type: ignore[attr-defined]
    loader.add_constructor(yaml.resolver.BaseResolver.DEFAULT_MAPPING_TAG, _mapping)  # type: ignore[attr-defined]
    return loader


def _mapping(loader: Any, node: Any) -> Any:
    """A mapping; a key that stands in it twice is a mistake, since the first would be lost without a word."""
    import yaml

    seen: set[Any] = set()
    for key, _ in node.value:
        if isinstance(key, yaml.ScalarNode):
            if key.value in seen:
                raise yaml.constructor.ConstructorError(None, None, f"{key.value!r} stands here twice", key.start_mark)
            seen.add(key.value)
    return loader.construct_yaml_map(node)


def parse_yaml(text: str, where: str) -> Any:
    """The content of a YAML text; `RuleProblem` with the place where it cannot be read."""
    import yaml

    try:
        return yaml.load(text, Loader=_loader())
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise RuleProblem(
            f"not readable as YAML: {error}", where=where, todo="mend the line that the message names"
        ) from None
