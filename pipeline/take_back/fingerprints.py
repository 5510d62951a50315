"""What the readings of a run hang on, written beside it, so that a later run can tell what has changed since.

    program    every file that reading uses, the libraries, the model
    languages  for each language that was read: its word classes, and each rule with its hash and the words it needs
    fields     what rule packs declare; vehicles: the vehicle list

With the words that a rule needs kept too, the reach of a change is known without the old rule files.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields, is_dataclass, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.keep_ledger.tables import file_sha256, ledger_errors
from pipeline.problems import LedgerProblem

if TYPE_CHECKING:
    from pipeline.find_values.reader import ResponseReader
    from pipeline.find_values.rule_files import Rule

FORMAT = 1
FILE = "readings.json"
PIPELINE = Path(__file__).parents[1]

READING = ("find_values", "group_reports", "read_text", "run_partitions", "keep_ledger/rows.py", "response.py")
"""The folders and files of the program that a reading, and the rows made of it, can hang on."""
RULES = "find_values/rules"
LIBRARIES = ("spacy", "quantulum3", "regex", "numpy", "scipy")
"""Libraries whose version can change a reading."""
NO_MATTER = frozenset(("file", "line", "examples", "look_alikes", "known_misses", "absent", "off"))
"""What a rule holds and reading does not look at: where it stands, and its tests."""


@dataclass(slots=True)
class RulePrint:
    """One rule: hash, the roles it speaks of, and for each pattern the parts that it cannot match without.

    The parts are numbers of `LanguagePrint.parts`.  `everywhere` says that the rule can touch a text without matching.
    """

    sha256: str
    pack: str
    gate: bool
    roles: list[str]
    needs: list[list[int]]
    everywhere: bool = False


@dataclass(slots=True)
class LanguagePrint:
    """What reading one language hangs on: hashes, the rules in order, and the kinds that may make a report.

    `parts` are the parts of patterns as (expression, whether it begins and ends where a word does).
    """

    lexicon: str
    telling: list[str]
    parts: list[tuple[str, bool]] = field(default_factory=list)
    rules: dict[str, RulePrint] = field(default_factory=dict)


@dataclass(slots=True)
class Readings:
    """What the readings of a run hang on.

    `reader_of` leads from each language that a response has (or "") to the one that it was read as; `orders` says
    that people's decisions took part in the joining; `told` is the hash of what tells languages.
    """

    program: dict[str, str]
    packs: list[dict[str, str]]
    languages: dict[str, LanguagePrint]
    reader_of: dict[str, str]
    fields: dict[str, str] = field(default_factory=dict)
    vehicles: dict[str, str] | None = None
    orders: bool = False

    def write(self, folder: Path) -> None:
        """Writes it into a run's subfolder.  Raises `LedgerProblem`."""
        path = folder / FILE
        with ledger_errors(path, "writing what readings hang on"):
            folder.mkdir(exist_ok=True)
            path.write_text(json.dumps({"format": FORMAT, **asdict(self)}, ensure_ascii=False) + "\n", "utf-8")


def read_readings(folder: Path) -> Readings | None:
    """What `Readings.write` wrote; None where there is none, or one of another format (then nothing is known)."""
    path = folder / FILE
    try:
        said = json.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        raise LedgerProblem(f"cannot be read ({error})", where=str(path), todo="rerun with --full") from error
    if said.pop("format", None) != FORMAT:
        return None
    languages = {
        code: LanguagePrint(
            one["lexicon"],
            one["telling"],
            [(expression, whole) for expression, whole in one["parts"]],
            {name: RulePrint(**rule) for name, rule in one["rules"].items()},
        )
        for code, one in said.pop("languages").items()
    }
    return Readings(languages=languages, **said)


def readings_of(reader: Any, langs: Iterable[str | None], vehicles: tuple[str, str] | None) -> Readings:
    """What readings by `reader` of responses in `langs` hang on; `vehicles` are the vehicle list's name and SHA-256.

    A reader that is not the program's own (a stand-in) is known by its packs alone.
    """
    from pipeline.find_values.reader import ResponseReader

    packs = [
        {name: str(getattr(pack, name, "")) for name in ("name", "version", "sha256", "folder")}
        for pack in reader.packs
    ]
    listed = None if vehicles is None else {"name": vehicles[0], "sha256": vehicles[1]}
    found = sorted({lang or "" for lang in langs})
    if not isinstance(reader, ResponseReader):
        program = {"reader": f"{type(reader).__module__}.{type(reader).__qualname__}"}
        program |= {f"pack {pack['name']} {pack['version']}": pack["sha256"] for pack in packs}
        return Readings(program, packs, {}, dict.fromkeys(found, ""), vehicles=listed)
    reader_of = {lang: reader.language_of(lang or None) for lang in found}
    languages = {code: _language(reader, code) for code in sorted(set(reader_of.values()))}
    declared = {one.name: _digest(one) for one in reader.declared}
    program = {"code": code_sha256(), "python": platform.python_version(), "model": reader.model_name, **_libraries()}
    program["built-in"] = f"{packs[0]['name']} {packs[0]['version']}"
    return Readings(program, packs, languages, reader_of, declared, listed)


def _language(reader: ResponseReader, code: str) -> LanguagePrint:
    rules, telling = reader.rules_of(code)
    parts: dict[tuple[str, bool], int] = {}
    prints = {rule.id: _rule_print(rule, parts, gate=False) for rule in rules.rules}
    prints |= {rule.id: _rule_print(rule, parts, gate=True) for rule in rules.gates}
    return LanguagePrint(_digest(rules.lexicon), sorted(telling), list(parts), prints)


def _rule_print(rule: Rule, parts: dict[tuple[str, bool], int], *, gate: bool) -> RulePrint:
    needs = [
        [
            parts.setdefault((piece.expression, piece.whole), len(parts))
            for piece in pattern.pieces
            if not piece.free and not piece.optional
        ]
        for pattern in rule.patterns
    ]
    roles = {role for pattern in rule.patterns for role in pattern.roles}
    roles |= {str(role) for role, _ in rule.set} | set(rule.roles)
    plain = {one.name: getattr(rule, one.name) for one in fields(rule) if one.name not in NO_MATTER}
    for name in ("patterns", "unless"):  # the parts say nothing that the expression does not
        plain[name] = [replace(pattern, pieces=(), source="") for pattern in plain[name]]
    # a question gate closes what asks, whether or not one of its openers stands there
    return RulePrint(_digest(plain), rule.pack, gate, sorted(roles), needs, everywhere=rule.scope == "question")


def _digest(value: Any) -> str:
    return hashlib.sha256(json.dumps(_plain(value), sort_keys=True).encode()).hexdigest()


def _plain(value: Any) -> Any:
    """A value in a form that is the same in every process (sets sorted, objects as their parts)."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, Mapping):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, set | frozenset):
        return sorted((_plain(one) for one in value), key=json.dumps)
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    return getattr(value, "pattern", None) or repr(value)


@cache
def code_sha256() -> str:
    """The hash of every file of the program that reading uses; rules, which have hashes of their own, left out."""
    digest = hashlib.sha256()
    for name in READING:
        place = PIPELINE / name
        files = [place] if place.is_file() else sorted(path for path in place.rglob("*") if path.is_file())
        for path in files:
            inside = path.relative_to(PIPELINE).as_posix()
            if "__pycache__" not in inside and not inside.startswith(RULES + "/"):
                digest.update(f"{inside}\0{file_sha256(path)}\0".encode())
    return digest.hexdigest()


def _libraries() -> dict[str, str]:
    found = {}
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
