"""The house's order: imports run one way, few modules print, none is endless, and what is imported is declared."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PIPELINE = ROOT / "pipeline"

FOUNDATION = ("problems", "declarative_files", "dataset_columns", "response")
"""Modules that every stage may import; they import one another in this order only."""

STAGES = (
    "read_exports",
    "read_text",
    "find_values",
    "group_reports",
    "join_copies",
    "check_reports",
    "keep_ledger",
    "sum_up",
    "correct_readings",
    "run_partitions",
    "take_in",
    "finish_run",
    "take_back",
    "build",
    "collect_exports",
    "score_readings",
    "check_rules",
    "compare_runs",
    "trace_figures",
    "publish_release",
    "write_report",
    "guard_publication",
    "command_line",
    "commands",
)
"""Packages and modules in the data's order: each may import those before it."""

AGAINST_THE_STREAM: dict[tuple[str, str], str] = {
    ("find_values.reader", "group_reports"): "the entrance to extraction: it runs both stages on one text",
    ("find_values.spacy_pipeline", "group_reports"): "extraction as one spaCy pipeline: components of both stages",
    ("find_values.report_features", "group_reports"): "what the report model sees of a vehicle's values",
    ("find_values.survey_answers", "group_reports"): "answers are settled by the policies of free text",
    ("find_values.merge_answers", "group_reports"): "answers and free text are joined report by report",
    ("find_values.train_judge", "group_reports"): "the judge learns which possible report is one",
    ("find_values.train_judge", "score_readings"): "training pairs readings with labels as scoring does",
    ("find_values.train_names", "group_reports"): "the name model learns what the name finder proposes",
    ("find_values.train_roles", "group_reports"): "training runs extraction whole",
    ("find_values.train_roles", "score_readings"): "training pairs readings with labels as scoring does",
    ("command_line", "commands"): "each command is imported when it is called",
}
"""(module, what it imports) -> why it may look ahead."""

TRAINING = "find_values/train_"
"""How the modules begin that are started by themselves to train a model, and are not needed to read."""

PRINTS = ("command_line.py", "commands/", TRAINING)
"""What writes to the terminal."""

LONG_MODULES: dict[str, str] = {
    "read_text/quantities.py": "one scanner: the kinds of quantities meet in one pass over the text",
}
"""Modules of more than 400 lines -> why they are."""

HEAVY = ("spacy", "pandas", "prefect", "pyarrow", "numpy", "rich")

TOP_LEVEL = {
    ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "README.md", "fixtures", "flows", "pipeline", "pyproject.toml",
    "tests",
}  # fmt: skip
"""All that may stand at the top of the project, besides what tools leave behind and .gitignore names."""

IMPORT_NAMES = {
    "text2num": "text_to_num",
    "markdown-it-py": "markdown_it",
    "pyyaml": "yaml",
    "odfpy": "odf",
    "python-calamine": "python_calamine",
    "vl-convert-python": "vl_convert",
    "charset-normalizer": "charset_normalizer",
}
"""Distribution -> the name that it is imported by, where the two differ."""

EXTRA_ROOMS: dict[str, tuple[str, ...]] = {
    "dask": ("run_partitions/dask_cluster.py",),
    "report": ("write_report/", "sum_up/"),
    "release": ("publish_release/",),
    "train": (TRAINING,),
}
"""Extra -> how the modules begin that may import what it adds."""

MODULES = sorted(PIPELINE.rglob("*.py"))


def imports_of(path: Path) -> Iterator[tuple[int, str]]:
    """Line and dotted name of every import in a file, those inside functions and for type checking included."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: a relative import"
            yield node.lineno, node.module or ""
            if node.module == "pipeline":
                yield from ((node.lineno, f"pipeline.{alias.name}") for alias in node.names)


def dotted(path: Path) -> str:
    """ "find_values.reader" for pipeline/find_values/reader.py; "find_values" for its __init__.py."""
    parts = path.relative_to(PIPELINE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def relative(path: Path) -> str:
    return path.relative_to(PIPELINE).as_posix()


def test_every_package_and_module_has_its_place_in_the_order() -> None:
    there = {dotted(path).split(".")[0] for path in MODULES} - {""}
    assert there == {*FOUNDATION, *STAGES}


def test_imports_run_one_way() -> None:
    order = (*FOUNDATION, *STAGES)
    against = {}
    for path in MODULES:
        name = dotted(path)
        here = name.split(".")[0]
        for line, imported in imports_of(path):
            if not imported.startswith("pipeline."):
                continue
            there = imported.split(".")[1]
            if there not in order:  # `from pipeline import __version__`
                assert there.startswith("__"), f"{path}:{line}"
                continue
            assert here, f"pipeline/__init__.py:{line} imports a stage"
            if order.index(there) > order.index(here):
                against.setdefault((name, there), f"{relative(path)}:{line}")
    assert against.keys() == AGAINST_THE_STREAM.keys(), {
        "against the order": {pair: where for pair, where in against.items() if pair not in AGAINST_THE_STREAM},
        "listed but not so": AGAINST_THE_STREAM.keys() - against.keys(),
    }


def test_the_library_knows_nothing_of_flows_and_schedules() -> None:
    found = [
        f"{relative(path)}:{line}"
        for path in MODULES
        for line, imported in imports_of(path)
        if imported.split(".")[0] in ("prefect", "flows")
    ]
    assert not found


def test_only_the_command_line_prints() -> None:
    found = []
    for path in MODULES:
        if relative(path).startswith(PRINTS):
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            prints = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
            writes = isinstance(node, ast.Attribute) and ast.unparse(node) in ("sys.stdout", "sys.stderr", "click.echo")
            if prints or writes:
                found.append(f"{relative(path)}:{node.lineno}")
    assert not found


def test_no_module_is_endless() -> None:
    long = {relative(path) for path in MODULES if len(path.read_text("utf-8").splitlines()) > 400}
    assert long == LONG_MODULES.keys(), "split it, or list it with its reason"


@pytest.mark.parametrize(
    "words",
    [
        ["--help"],
        ["queue", "--help"],
        ["correct", "--help"],
        ["build", "--help"],
        ["show", "--help"],
        ["score", "--help"],
        ["claim", "--help"],
        ["claim", "add", "--help"],
        ["correction", "--help"],
        ["rules", "--help"],
        ["rules", "check", "--help"],
        ["report", "--help"],
        ["rerun", "--help"],
        ["runs", "--help"],
        ["compare", "--help"],
        ["trace", "--help"],
        ["once", "--help"],
        ["schedule", "--help"],
        ["release", "--help"],
        ["verify", "--help"],
        ["forget", "--help"],
    ],
)
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    script = (
        f"import sys\nsys.path.insert(0, {str(ROOT)!r})\nfrom pipeline.command_line import main\n"
        f"try: main({words!r})\nexcept SystemExit as end: assert not end.code\n"
        f"print('LOADED', sorted(name for name in {HEAVY!r} if name in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.rstrip().endswith("LOADED []")


def test_the_top_level_holds_only_what_it_should() -> None:
    ignored = [line.rstrip("/") for line in (ROOT / ".gitignore").read_text("utf-8").split()]
    left_behind = {".git", *ignored}
    there = {path.name for path in ROOT.iterdir() if not path.name.endswith(".egg-info")}
    assert there - left_behind <= TOP_LEVEL


def names_of(requirements: list[str]) -> set[str]:
    """The import names of some requirements."""
    plain = {re.split(r"[<>=!~;\[ ]", requirement)[0].lower() for requirement in requirements}
    return {IMPORT_NAMES.get(name, name.replace("-", "_")) for name in plain}


def all_of(extra: str, extras: dict[str, list[str]]) -> list[str]:
    """The requirements of an extra, with those of the extras that it includes ("crowdfade[report]")."""
    told = []
    for requirement in extras[extra]:
        included = re.fullmatch(r"crowdfade\[([\w,]+)\]", requirement)
        told += [one for name in included[1].split(",") for one in all_of(name, extras)] if included else [requirement]
    return told


def third_party(paths: list[Path]) -> dict[str, str]:
    """Imported name -> one place, of what is neither Python's own nor the project's."""
    own = {"pipeline", "flows", *(path.stem for path in (ROOT / "tests").rglob("*.py"))}
    found = {}
    for path in paths:
        for line, imported in imports_of(path):
            name = imported.split(".")[0]
            if name not in sys.stdlib_module_names and name not in own:
                found.setdefault(name, f"{path.relative_to(ROOT)}:{line}")
    return found


def test_dependencies_are_what_is_imported() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    declared = names_of(project["dependencies"])
    rooms = {room: extra for extra, prefixes in EXTRA_ROOMS.items() for room in prefixes}
    with_extra = {path: rooms[room] for path in MODULES for room in rooms if relative(path).startswith(room)}
    program = third_party([path for path in MODULES if path not in with_extra])
    more = set()
    for extra in EXTRA_ROOMS:
        used = third_party([path for path, its in with_extra.items() if its == extra]).keys()
        allowed = names_of(extras[extra])
        assert used <= declared | allowed, {extra: used - declared - allowed}
        assert allowed <= used, {extra: allowed - used}
        more |= used & declared
    used = program.keys() | more
    assert used == declared, {"not declared": used - declared, "unused": declared - used}
    tested = third_party(sorted((ROOT / "tests").rglob("*.py")))
    assert tested.keys() <= declared | names_of(all_of("test", extras))
    flows = third_party(sorted((ROOT / "flows").rglob("*.py")))
    assert flows.keys() <= declared | names_of(all_of("flows", extras))


def test_every_file_of_the_library_is_in_its_package() -> None:
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
    packed = {path for pattern in tool["package-data"]["pipeline"] for path in PIPELINE.glob(pattern)}
    files = {path for path in PIPELINE.rglob("*") if path.is_file() and "__pycache__" not in path.parts}
    assert not {relative(path) for path in files - packed if path.suffix != ".py"}
    packages = {path.parent for path in MODULES if path.name == "__init__.py"}
    assert {path.parent for path in MODULES} == packages, "a folder of modules without __init__.py"
