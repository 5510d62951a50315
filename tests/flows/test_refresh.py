"""The flow against a real, temporary Prefect server; needs the extra `flows` (`pip install crowdfade[flows]`)."""

import json
from pathlib import Path

import pytest

pytest.importorskip("prefect", reason="the extra `flows` is not installed")


def test_the_flow_builds_a_ledger_and_leaves_its_counts(tmp_path: Path) -> None:
    from prefect.client.orchestration import get_client
    from prefect.client.schemas.filters import ArtifactFilter, ArtifactFilterKey
    from prefect.testing.utilities import prefect_test_harness

    from flows.refresh import refresh

    export = tmp_path / "thread.csv"
    rows = ["id,author,comment", '1,ada_of_the_hill,"2022 Tern, 74,000 km on it, down 2.1 %"', "2,bo,lovely show"]
    export.write_text("\n".join(rows) + "\n")
    with prefect_test_harness(server_startup_timeout=120):
        run = refresh([str(export)], tmp_path / "ledger")
        with get_client(sync_client=True) as client:
            found = client.read_artifacts(artifact_filter=ArtifactFilter(key=ArtifactFilterKey(any_=["counts"])))
    assert (tmp_path / "ledger" / "latest").resolve().name == run
    assert {"what": "responses", "count": 2} in json.loads(found[0].data)
