"""`crowdfade verify`: is a release what it says, and is nobody in it?"""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.command_line import debug_option
from pipeline.commands.console import print_json, safe


@click.command(name="verify")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--ledger", type=click.Path(path_type=Path), metavar="LEDGER", help="Look for words of its texts too.")
@click.option("--exports", multiple=True, metavar="EXPORT", help="Look for the authors of this export too; repeatable.")
@click.option("--json", "as_json", is_flag=True, help="Print the checks as JSON.")
@debug_option
def command(folder: Path, ledger: Path | None, exports: tuple[str, ...], as_json: bool) -> int:
    """Check the release in FOLDER: checksums, schema, k, l, and that nobody's words are in it (--ledger, --exports).

    Handles are not kept in a ledger: those that texts name with @ are looked for, and with --exports all authors.
    Exits with 8 where a check fails.
    """
    from pipeline.problems import ReleaseProblem
    from pipeline.publish_release.verify import SHOWN, verify

    checks = verify(folder, ledger=ledger, exports=exports)
    passed = all(check.passed for check in checks)
    if as_json:
        print_json(
            {
                "passed": passed,
                "checks": [{"check": one.name, "passed": one.passed, "faults": one.faults} for one in checks],
            }
        )
    else:
        for one in checks:
            note = f"  ({one.note})" if one.passed and one.note else ""
            click.echo(safe(f"{'pass' if one.passed else 'FAIL'}  {one.name}{note}"))
            for fault in one.faults[:SHOWN]:
                click.echo(safe(f"      {fault}"))
            if len(one.faults) > SHOWN:
                click.echo(f"      ... and {len(one.faults) - SHOWN} more")
        if ledger is None and not exports:
            click.echo("not looked for: handles and words (give --ledger, --exports)")
    return 0 if passed else ReleaseProblem.exit_code
