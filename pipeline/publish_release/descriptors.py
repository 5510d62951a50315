"""The machine-readable descriptions of a release: Data Package v2, Croissant 1.0, DataCite 4, CITATION.cff."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.publish_release.licences import Licence
from pipeline.publish_release.published_tables import Table, Told
from pipeline.publish_release.write_tables import DATA

PACKAGE_NAME = "battery-answers"
MEDIA = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


@dataclass(frozen=True, slots=True)
class About:
    """What the publisher says of the release; "" where nothing was said."""

    title: str
    creator: str
    publisher: str
    issued: date
    licence: Licence
    question: str = ""
    sponsor: str = ""
    contact: str = ""
    address: str = ""

    @property
    def abstract(self) -> str:
        """Two sentences that stand in every description."""
        return (
            "Anonymised answers of people who chose to write about their electric vehicles' batteries: distance, "
            "capacity or range lost, cell chemistry and charging. Values are what people said, generalised so that "
            "nobody can be found; they are no measurement and no random sample."
        )

    @property
    def version(self) -> str:
        """The version of a release is its day."""
        return self.issued.isoformat()


def data_package(about: About, tables: Sequence[Table], folder: Path) -> dict[str, Any]:
    """datapackage.json (Data Package v2): every table as CSV and as Parquet with its schema."""
    resources = [_resource(table, kind, folder) for table in tables for kind in ("csv", "parquet")]
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": PACKAGE_NAME,
        "title": about.title,
        "description": about.abstract,
        "version": about.version,
        "created": f"{about.issued.isoformat()}T00:00:00Z",
        "licenses": [{"name": about.licence.spdx, "path": about.licence.address, "title": about.licence.name}],
        "contributors": [{"title": about.creator, "roles": ["creator"]}],
        "keywords": ["electric vehicles", "traction battery", "capacity loss", "self-reported", "anonymised"],
        **({"homepage": about.address} if about.address else {}),
        "resources": resources,
    }


def _resource(table: Table, kind: str, folder: Path) -> dict[str, Any]:
    path = f"{DATA}/{table.name}.{kind}"
    content = (folder / path).read_bytes()
    return {
        "name": table.name if kind == "csv" else f"{table.name}-{kind}",
        "type": "table",
        "path": path,
        "title": table.title,
        "description": f"One row is {table.one_row}.",
        "format": kind,
        "mediatype": MEDIA[kind],
        **({"encoding": "utf-8"} if kind == "csv" else {}),
        # Validators read Parquet through a library that does not show them the bytes: SHA256SUMS has those files' sums.
        **({"bytes": len(content), "hash": f"sha256:{hashlib.sha256(content).hexdigest()}"} if kind == "csv" else {}),
        "schema": {
            "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
            "fieldsMatch": "exact",
            "missingValues": [""],
            "fields": [_field(column, kind) for column in table.columns],
            "primaryKey": list(table.key),
            **(
                {
                    "foreignKeys": [
                        {"fields": [own], "reference": {"resource": other, "fields": [its]}}
                        for own, (other, its) in table.refers.items()
                    ]
                }
                if table.refers
                else {}
            ),
        },
    }


def _field(column: Told, kind: str) -> dict[str, Any]:
    # Data frames read a whole number that may be missing as a number with a fraction, and the gap as no number at all.
    holed = kind == "parquet" and column.kind == "integer" and not column.required
    limits: dict[str, Any] = {"required": True} if column.required else {}
    limits |= {"unique": True} if column.unique else {}
    limits |= {"minimum": column.least} if column.least is not None and not holed else {}
    limits |= {"maximum": column.most} if column.most is not None else {}
    limits |= {"enum": list(column.values)} if column.values else {}
    return {
        "name": column.name,
        "type": "number" if holed else column.kind,
        "description": column.meaning,
        **({"unit": column.unit} if column.unit else {}),
        **({"role": column.role} if column.role else {}),
        **({"constraints": limits} if limits else {}),
    }


CONTEXT: dict[str, Any] = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "citeAs": "cr:citeAs",
    "column": "cr:column",
    "conformsTo": "dct:conformsTo",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "dct": "http://purl.org/dc/terms/",
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract",
    "field": "cr:field",
    "fileProperty": "cr:fileProperty",
    "fileObject": "cr:fileObject",
    "fileSet": "cr:fileSet",
    "format": "cr:format",
    "includes": "cr:includes",
    "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath",
    "key": "cr:key",
    "md5": "cr:md5",
    "parentField": "cr:parentField",
    "path": "cr:path",
    "recordSet": "cr:recordSet",
    "references": "cr:references",
    "regex": "cr:regex",
    "repeated": "cr:repeated",
    "replace": "cr:replace",
    "sc": "https://schema.org/",
    "separator": "cr:separator",
    "source": "cr:source",
    "subField": "cr:subField",
    "transform": "cr:transform",
}
"""The context that the Croissant 1.0 specification asks for."""

_CROISSANT_TYPES = {"integer": "sc:Integer", "number": "sc:Float", "string": "sc:Text", "boolean": "sc:Boolean"}


def croissant(about: About, tables: Sequence[Table], folder: Path) -> dict[str, Any]:
    """croissant.json (Croissant 1.0): both files of each table, and its columns read from the CSV file."""
    return {
        "@context": CONTEXT,
        "@type": "sc:Dataset",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "name": PACKAGE_NAME,
        "description": about.abstract,
        "license": about.licence.address,
        "url": about.address or f"https://example.org/{PACKAGE_NAME}",
        "version": f"{about.issued.year}.{about.issued.month}.{about.issued.day}",
        "datePublished": about.issued.isoformat(),
        "creator": {"@type": "sc:Organization", "name": about.creator},
        "publisher": {"@type": "sc:Organization", "name": about.publisher},
        "citeAs": citation_line(about),
        "distribution": [_file_object(table, kind, folder) for table in tables for kind in ("csv", "parquet")],
        "recordSet": [_record_set(table) for table in tables],
    }


def _file_object(table: Table, kind: str, folder: Path) -> dict[str, Any]:
    path = f"{DATA}/{table.name}.{kind}"
    content = (folder / path).read_bytes()
    return {
        "@type": "cr:FileObject",
        "@id": f"{table.name}.{kind}",
        "name": f"{table.name}.{kind}",
        "contentUrl": path,
        "contentSize": f"{len(content)} B",
        "encodingFormat": "text/csv" if kind == "csv" else "application/x-parquet",
        "sha256": hashlib.sha256(content).hexdigest(),
    }


def _record_set(table: Table) -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet",
        "@id": table.name,
        "name": table.name,
        "description": f"One row is {table.one_row}.",
        "key": [{"@id": f"{table.name}/{name}"} for name in table.key],
        "field": [
            {
                "@type": "cr:Field",
                "@id": f"{table.name}/{column.name}",
                "name": column.name,
                "description": column.meaning + (f" ({column.unit})" if column.unit else ""),
                "dataType": _CROISSANT_TYPES[column.kind],
                "source": {"fileObject": {"@id": f"{table.name}.csv"}, "extract": {"column": column.name}},
                **(
                    {"references": {"field": {"@id": "/".join(table.refers[column.name])}}}
                    if column.name in table.refers
                    else {}
                ),
            }
            for column in table.columns
        ],
    }


def citation_line(about: About) -> str:
    """The release as a reference list gives it."""
    return (
        f"{about.creator} ({about.issued.year}). {about.title} (version {about.version}) [Data set]. {about.publisher}."
    )


def datacite(about: About, sizes: Sequence[str]) -> dict[str, Any]:
    """datacite.json: every mandatory property of DataCite 4 but the identifier, which the archive gives."""
    return {
        "schemaVersion": "http://datacite.org/schema/kernel-4",
        "types": {"resourceTypeGeneral": "Dataset", "resourceType": "Anonymised answers"},
        "creators": [{"name": about.creator}],
        "titles": [{"title": about.title, "lang": "en"}],
        "publisher": {"name": about.publisher},
        "publicationYear": str(about.issued.year),
        "dates": [{"date": about.issued.isoformat(), "dateType": "Issued"}],
        "language": "en",
        "version": about.version,
        "rightsList": [
            {
                "rights": about.licence.name,
                "rightsUri": about.licence.address,
                "rightsIdentifier": about.licence.spdx,
                "rightsIdentifierScheme": "SPDX",
                "schemeUri": "https://spdx.org/licenses/",
            }
        ],
        "descriptions": [{"description": about.abstract, "descriptionType": "Abstract", "lang": "en"}],
        "subjects": [
            {"subject": "electric vehicles"},
            {"subject": "lithium-ion batteries"},
            {"subject": "self-reports"},
        ],
        "formats": [MEDIA["csv"], MEDIA["parquet"]],
        "sizes": list(sizes),
    }


def citation_cff(about: About) -> str:
    """CITATION.cff (Citation File Format 1.2.0); JSON strings are YAML strings."""
    lines = {
        "cff-version": "1.2.0",
        "message": "If you use this dataset, please cite it as below.",
        "type": "dataset",
        "title": about.title,
        "version": about.version,
        "date-released": about.version,
        "license": about.licence.spdx,
        "abstract": about.abstract,
    }
    told = [f"{key}: {json.dumps(value, ensure_ascii=False)}" for key, value in lines.items()]
    return "\n".join([*told, "authors:", f"  - name: {json.dumps(about.creator, ensure_ascii=False)}", ""])
