"""What the flows are given, with defaults that work on the demo when they are started in the project's folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

Seconds = Annotated[float, Field(ge=0, le=86_400)]
Count = Annotated[int, Field(ge=1, le=1_024)]
RunnerName = Literal["in-process", "processes", "dask"]
Address = Annotated[str, Field(pattern=r"^(tcp|tls|ws|wss)://[^\s/]+:\d+$")]
BlockName = Annotated[str, Field(pattern=r"^[a-z0-9-]+$")]
GateName = Literal["rejects", "score", "headline", "claims"]

INBOX = "fixtures/demo/[ts]*"
LEDGER = Path("demo-ledger")
VEHICLES = Path("fixtures/demo/vehicles.csv")
LABELLED = (Path("fixtures/labelled/en/test"),)
RELEASES = Path("demo-releases")
REPORTS = Path("demo-reports")
