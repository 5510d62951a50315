"""Which column is what, as a person says it: `--columns text=...,author=...`, or a small YAML file that can be kept.

columns:            # for every file
  text: What would you like to add?
  author: Nickname
files:              # for files of these names only; they win over `columns`
  "autumn*.xlsx":
    text: Comments
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from pipeline.problems import UsageProblem
from pipeline.read_exports.column_names import plain_words
from pipeline.read_exports.raw_table import ROLES

_NEXT_ROLE = re.compile(r",(?=\s*[A-Za-z_]+\s*=)")


@dataclass(frozen=True, slots=True)
class ColumnMapping:
    """Role -> column name, for every file (`columns`) and for files whose name fits a pattern (`files`)."""

    columns: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @classmethod
    def from_option(cls, option: str) -> ColumnMapping:
        """Reads `text=Your comment,author=Nickname`; a name may hold commas, and stand in quotation marks.

        Raises `UsageProblem` for a role that does not exist, a role said twice, or a part without `=`.
        """
        columns: dict[str, str] = {}
        for part in _NEXT_ROLE.split(option):
            role, equals, name = part.partition("=")
            role, name = role.strip(), name.strip()
            if len(name) > 1 and name[0] == name[-1] and name[0] in "\"'":
                name = name[1:-1]
            if not equals or not name:
                raise UsageProblem(
                    f"{part.strip()!r} does not say which column it means",
                    where="--columns",
                    todo='write it like --columns text="Your comment",author=Nickname',
                )
            if role in columns:
                raise UsageProblem(f"{role} is said twice", where="--columns", todo="name one column for each role")
            columns[_role(role, "--columns")] = name
        return cls(columns)

    @classmethod
    def from_file(cls, path: str | Path) -> ColumnMapping:
        """Reads a mapping file.  Raises `UsageProblem` where it is missing, no YAML, or names an unknown role."""
        import yaml

        where = str(path)
        try:
            data = yaml.safe_load(Path(path).read_text(encoding="utf-8"))
        except OSError as error:
            todo = "look at the path"
            raise UsageProblem(f"the mapping file cannot be read ({error.strerror})", where=where, todo=todo) from None
        except (yaml.YAMLError, UnicodeError) as error:
            detail = " ".join(str(error).split())
            todo = "write one `role: column` a line under `columns:`"
            raise UsageProblem(f"the mapping file is no YAML ({detail})", where=where, todo=todo) from None
        if not isinstance(data, dict) or not data:
            todo = "write one `role: column` a line under `columns:`"
            raise UsageProblem("the mapping file holds no mapping", where=where, todo=todo)
        if not {"columns", "files"} & data.keys():
            data = {"columns": data}
        if strange := data.keys() - {"columns", "files"}:
            raise UsageProblem(
                f"unknown part {sorted(map(str, strange))[0]!r}", where=where, todo="use columns and files"
            )
        files = data.get("files") or {}
        if not isinstance(files, dict):
            raise UsageProblem(
                "`files` must name file patterns", where=where, todo='like "autumn*.xlsx": {text: Comments}'
            )
        return cls(
            _checked(data.get("columns") or {}, where),
            {str(pattern): _checked(columns, f"{where}: {pattern}") for pattern, columns in files.items()},
        )

    def save(self, path: str | Path) -> None:
        """Writes the mapping as a file that `from_file` reads."""
        import yaml

        data: dict[str, Any] = {"columns": dict(self.columns)}
        if self.files:
            data["files"] = {pattern: dict(columns) for pattern, columns in self.files.items()}
        Path(path).write_text(yaml.safe_dump(data, allow_unicode=True, sort_keys=False), encoding="utf-8")

    def for_file(self, name: str) -> dict[str, str]:
        """Role -> column name for the file of that name."""
        found = dict(self.columns)
        for pattern, columns in self.files.items():
            if fnmatch(name.lower(), pattern.lower()) or fnmatch(name.lower().rsplit("/", 1)[-1], pattern.lower()):
                found.update(columns)
        return found

    def __str__(self) -> str:
        parts = [f"{role}={name}" for role, name in self.columns.items()]
        for pattern, columns in self.files.items():
            parts.extend(f"{pattern}: {role}={name}" for role, name in columns.items())
        return ", ".join(parts)


def find_column(name: str, columns: Sequence[str]) -> int | None:
    """The place of the column that a person means by `name`: as it is, else without regard to case and punctuation."""
    if name in columns:
        return list(columns).index(name)
    plain = plain_words(name)
    close = [place for place, column in enumerate(columns) if plain_words(column) == plain]
    return close[0] if len(close) == 1 else None


def missing_column(role: str, name: str, columns: Sequence[str], where: str) -> UsageProblem:
    """The problem for a column that is not there; it lists those that are."""
    return UsageProblem(
        f"there is no column {name!r} (for {role}); the columns are: {listed(columns)}",
        where=where,
        todo=f'name one of them: --columns {role}="..."',
    )


def listed(columns: Sequence[str], most: int = 40) -> str:
    """Column names in one line, for messages."""
    shown = ", ".join(repr(name if len(name) <= 60 else name[:57] + "...") for name in columns[:most])
    return shown + (f" and {len(columns) - most} more" if len(columns) > most else "")


def _role(role: str, where: str) -> str:
    if role not in ROLES:
        raise UsageProblem(f"there is no role {role!r}", where=where, todo=f"the roles are: {', '.join(ROLES)}")
    return role


def _checked(columns: object, where: str) -> dict[str, str]:
    if not isinstance(columns, dict) or not all(isinstance(name, (str, int)) for name in columns.values()):
        raise UsageProblem("a mapping must be `role: column` lines", where=where, todo="write `text: Your comment`")
    return {_role(str(role), where): str(name) for role, name in columns.items()}
