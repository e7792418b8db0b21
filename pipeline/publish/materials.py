"""The bill of materials: everything on the card, its licences, and what each file was made from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.publish.rights import holder_of, stated

Record = Mapping[str, Any]


def materials(record: Record) -> dict[str, Any]:
    """Return a CycloneDX bill: the image, its files, the contents they were made of, and cores and titles.

    It has no serial number and no time, which would differ from build to build.
    Source: CycloneDX 1.6 (ECMA-424), JSON form.
    """
    contents: dict[str, dict[str, Any]] = {}
    files = [_file(record, file) for file in record["files"]]
    depends: dict[str, list[str]] = {"image": sorted(file["bom-ref"] for file in files)}
    for file in record["files"]:
        origin = file["made-from"]
        made_of = [content for content in origin["contents"] if content["sha256"] != file["sha256"]]
        for content in made_of:
            contents.setdefault(content["sha256"], _content(content.get("owner", origin["owner"]), content))
        depends[f"file:{file['path']}"] = sorted({f"content:{content['sha256']}" for content in made_of})
    program, _, release = record["made-by"]["program"].partition(" ")
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "tools": {"components": [{"type": "application", "name": program, "version": release}]},
            "component": {
                "type": "file",
                "bom-ref": "image",
                "name": record["image"]["file"],
                "version": record["card"]["version"] or "0",
                "description": record["card"]["name"],
                "hashes": _hashes(record["image"]["sha256"]),
            },
        },
        "components": [
            *(_part(record, "core", core, core["release"]) for core in record["cores"]),
            *(_part(record, "title", title, "") for title in record["titles"]),
            *files,
            *(contents[sha256] for sha256 in sorted(contents)),
        ],
        "dependencies": [{"ref": ref, "dependsOn": depends[ref]} for ref in sorted(depends)],
    }


def _file(record: Record, file: Mapping[str, Any]) -> dict[str, Any]:
    holder = holder_of(record, file)
    return {
        "type": "file",
        "bom-ref": f"file:{file['path']}",
        "name": file["path"],
        "hashes": _hashes(file["sha256"]),
        **(_licensed(stated(record, *holder)) if holder else {}),
    }


def _content(owner: str, content: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "data",
        "bom-ref": f"content:{content['sha256']}",
        "name": f"{owner}: {content['role']}",
        "hashes": _hashes(content["sha256"]),
    }


def _part(record: Record, kind: str, part: Mapping[str, Any], release: str) -> dict[str, Any]:
    return {
        "type": "firmware" if kind == "core" else "application",
        "bom-ref": f"{kind}:{part['id']}",
        "name": part["name"],
        **({"version": release} if release else {}),
        **_licensed(stated(record, kind, part["id"])),
    }


def _licensed(rights: Mapping[str, str]) -> dict[str, Any]:
    return {
        **({"licenses": [{"expression": rights["licence"]}]} if rights.get("licence") else {}),
        **({"copyright": rights["holder"]} if rights.get("holder") else {}),
    }


def _hashes(sha256: str) -> list[dict[str, str]]:
    return [{"alg": "SHA-256", "content": sha256}]
