"""Helpers of these tests: read everything that some inputs name, and write small files to read."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.read_exports.read_exports import OpenExport, read_exports
from pipeline.response import Reject, Response

FIXTURES = Path(__file__).parents[2] / "fixtures"


@dataclass
class Whole:
    """An export with all that came out of it."""

    export: OpenExport
    responses: list[Response]
    rejects: list[Reject]

    @property
    def texts(self) -> list[str]:
        return [response.text for response in self.responses]

    @property
    def reasons(self) -> list[str]:
        return [reject.reason for reject in self.rejects]


def read_all(*inputs: str | Path, **options: Any) -> list[Whole]:
    whole = []
    for export in read_exports([str(given) for given in inputs], **options):
        items = list(export.items())
        responses = [item for item in items if isinstance(item, Response)]
        rejects = [item for item in items if isinstance(item, Reject)]
        for response in responses:
            for answer in response.answers:
                assert 0 <= answer.start < answer.end <= len(response.text)
        whole.append(Whole(export, responses, rejects))
    return whole


def read_one(given: str | Path, **options: Any) -> Whole:
    (whole,) = read_all(given, **options)
    return whole


def read_text(folder: Path, text: str | bytes, name: str = "export.csv", **options: Any) -> Whole:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_one(path, **options)


def answers_of(response: Response) -> dict[str, tuple[str, str | None]]:
    """Field -> (words of the answer, unit)."""
    return {answer.field: (response.text[answer.start : answer.end], answer.unit) for answer in response.answers}


def zip_of(files: Mapping[str, bytes], **options: Any) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data, **options)
    return packed.getvalue()


THREAD = """comment_id,reply_to,author,published_at,like_count,comment
a1,,pebblewick,2025-03-14T06:00:00Z,3,"Tern from 2022, 81,400 km, down 2.6 %"
a2,a1,mossy_stone,2025-03-14T06:10:00Z,0,Mine has 60k miles and 94 % health
a3,a1,Skerry,2025-03-14T07:00:00Z,1,"I charge to 80, full on Sundays"
"""
