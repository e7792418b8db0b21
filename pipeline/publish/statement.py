"""The provenance statement: which image was built, by what, from which contents."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.publish.rights import made_of

STATEMENT = "https://in-toto.io/Statement/v1"
PROVENANCE = "https://slsa.dev/provenance/v1"
BUILD_TYPE = "urn:cardkiln:build:1"
"""One card, built from manifests and contents known by hash; the record holds its parameters in full."""


def statement(record: Mapping[str, Any], record_sha256: str) -> dict[str, Any]:
    """Return an in-toto statement over the raw image, with an SLSA provenance predicate.

    Times and run ids, which the predicate would allow, are left out: they would differ from build to build.
    Source: in-toto Attestation Framework, Statement v1; SLSA v1.0, "Build: Provenance".
    """
    program, _, release = record["made-by"]["program"].partition(" ")
    return {
        "_type": STATEMENT,
        "subject": [_resource(record["image"]["file"], record["image"]["sha256"])],
        "predicateType": PROVENANCE,
        "predicate": {
            "buildDefinition": {
                "buildType": BUILD_TYPE,
                "externalParameters": {
                    "board": record["board"]["id"],
                    "card": record["card"]["id"],
                    "version": record["card"]["version"],
                },
                "internalParameters": {"plan-sha256": record["plan"]["sha256"]},
                "resolvedDependencies": _dependencies(record),
            },
            "runDetails": {
                "builder": {
                    "id": f"urn:cardkiln:builder:{program}",
                    "version": {program: release, "read-back": record["made-by"]["read-back"]},
                },
                "byproducts": [_resource("record.json", record_sha256)],
            },
        },
    }


def _dependencies(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return every content that went into the card, once, by name: the roles it has."""
    roles: dict[str, set[str]] = {}
    for file in record["files"]:
        for content in made_of(file):
            owner = content.get("owner", file["made-from"]["owner"])
            roles.setdefault(content["sha256"], set()).add(f"{owner}: {content['role']}")
    return [
        _resource(name, sha256)
        for name, sha256 in sorted((", ".join(sorted(names)), content) for content, names in roles.items())
    ]


def _resource(name: str, sha256: str) -> dict[str, Any]:
    return {"name": name, "digest": {"sha256": sha256}}
