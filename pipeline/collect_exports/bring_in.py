"""Brings exports into a ledger: those that are new, or all that it holds once the rules have changed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.build import Built, build, rerun
from pipeline.collect_exports.inbox import Found, Inbox
from pipeline.keep_ledger.ledger import LATEST, open_ledger
from pipeline.keep_ledger.run_record import read_run_record
from pipeline.problems import ExportProblem
from pipeline.run_partitions.partition import Runner
from pipeline.take_in import Watch


def bring_in(
    found: Sequence[Found],
    ledger: Path,
    *,
    vehicles: Path | None = None,
    rules: Sequence[Path] = (),
    lang: str | None = None,
    watch: Watch | None = None,
    runner: Runner | None = None,
) -> Built | None:
    """A new run of the ledger with the exports added, or with all read again where rules have changed; else None.

    What became of each export is noted only after the run is in place: a program that dies in between finds the
    exports again, and the ledger, which knows them by their content, leaves them out.  Raises `ExportProblem` where
    not one of them could be read (they are noted, and tried again when they change), and any other `Problem`.
    """
    if not found:
        if not rules_changed(ledger, rules):
            return None
        return rerun(ledger, rules=rules or None, vehicles=vehicles, lang=lang, watch=watch, runner=runner)
    paths = [one.path for one in found]
    inbox = Inbox(ledger)
    try:
        built = build(
            paths, ledger, vehicles=vehicles, rules=rules, lang=lang, add=True, watch=watch, runner=runner
        )  # fmt: skip
    except ExportProblem as problem:
        if (ledger / LATEST).exists():
            inbox.failed(found, problem.what)
            inbox.keep()
        raise
    inbox.taken(found, built.record.inputs, built.folder.name)
    inbox.keep()
    return built


def anything_to_do(inbox: str, ledger: Path, rules: Sequence[Path] = ()) -> bool:
    """Whether an inbox has anything new or changed for a ledger, at rest or not, or the rules are others by now.

    Looks at the files' marks alone.  Raises as `listing` does.
    """
    look = Inbox(ledger).look(inbox, settle_seconds=0)
    return bool(look.candidates) or rules_changed(ledger, rules)


def rules_changed(ledger: Path, rules: Sequence[Path]) -> bool:
    """Whether the program's rules, or the packs named, are other than those that the latest run was read by."""
    from pipeline.find_values.rule_files import BUILT_IN, pack_info

    if not (ledger / LATEST).exists():
        return False
    read_by = {pack["sha256"] for pack in read_run_record(open_ledger(ledger).latest())["rules"]}
    return any(pack_info(folder).sha256 not in read_by for folder in (BUILT_IN, *rules))
