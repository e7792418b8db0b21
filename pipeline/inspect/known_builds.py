"""The builds a card in the hand can be of: those in the build folder, those published, and the last ones before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline.card.plan_text import plan_from_text
from pipeline.errors import CheckError, MachineError
from pipeline.model.plan import Plan
from pipeline.record.snapshot import side_of_record
from pipeline.workspace.build_history import kept_builds
from pipeline.workspace.versions import CardVersion, received_versions
from pipeline.workspace.workspace import Workspace


@dataclass(frozen=True, kw_only=True)
class KnownBuild:
    """Record and plan of one build, which belong together.

    ``origin``: "built" (in the build folder now), "published", "received", "earlier" (built before), or "named" by a
    person. ``image``: the image as built, where it should be at hand.
    """

    origin: str
    record: Mapping[str, Any]
    plan_text: bytes
    image: Path | None = None

    @cached_property
    def plan(self) -> Plan:
        """The plan as a value; raises ValueError when the text is none."""
        return plan_from_text(self.plan_text.decode("ascii"))

    @property
    def card(self) -> str:
        """The card's id."""
        return str(self.record["card"]["id"])

    @property
    def version(self) -> str:
        """The card's version."""
        return str(self.record["card"]["version"])

    def __str__(self) -> str:
        """Return "desk as published in version 1" or the like."""
        how = {
            "published": "as published in",
            "received": "as received in",
            "earlier": "as built earlier,",
            "built": "as built now,",
        }
        return f"{self.card} {how.get(self.origin, 'of the record,')} version {self.version}"


def known_builds(workspace: Workspace) -> tuple[KnownBuild, ...]:
    """Return the builds that are known: those in the build folder, published, received, and the last ones of each card.

    Each plan comes once. What is half built, half published or damaged is left out.
    """
    found: dict[str, KnownBuild] = {}
    for build in _all(workspace):
        found.setdefault(str(build.record["plan"]["sha256"]), build)
    return tuple(found.values())


def _all(workspace: Workspace) -> Iterator[KnownBuild]:
    for origin, folder in (("built", workspace.build / "cards"), ("published", workspace.base / "dist")):
        for path in sorted(folder.glob("[!.]*/record.json"), reverse=origin == "published"):
            try:
                build = build_of_record(path, origin)
            except (OSError, MachineError):
                continue
            if build is not None:
                yield build
    for version in received_versions(workspace):
        with suppress(OSError, CheckError):
            yield build_of_version(version)
    for listed in sorted((workspace.build / "state" / "builds").glob("*.json")):
        for record, plan in kept_builds(workspace, listed.stem):
            build = _build(record, plan, "earlier", None)
            if build is not None:
                yield build


def build_of_version(version: CardVersion) -> KnownBuild:
    """Return the build of a published or received version; raises CheckError when its plan is another one."""
    plan = version.plan_text()
    if hashlib.sha256(plan).hexdigest() != version.record["plan"]["sha256"]:
        what, hint = "is not the plan that its record names", f"restore {version.folder.name}"
        raise CheckError.one(what, hint, file=str(version.folder / "plan.json"))
    origin = "received" if version.kind in ("received", "kept") else "published"
    return KnownBuild(origin=origin, record=version.record, plan_text=plan, image=version.folder / "card.img")


def build_of_record(path: Path, origin: str) -> KnownBuild | None:
    """Return the build whose record a file is, None when record and the plan beside it do not belong together.

    Raises OSError, FileNotFoundError where there is no plan.
    """
    record, plan = path.read_bytes(), path.with_name("plan.json").read_bytes()
    return _build(record, plan, origin, path.with_name("card.img"))


def _build(text: bytes, plan: bytes, origin: str, image: Path | None) -> KnownBuild | None:
    try:
        record = json.loads(text)
        side_of_record(record)
        build = KnownBuild(origin=origin, record=record, plan_text=plan, image=image)
        if record["cardkiln-record"] == 1 and record["plan"]["sha256"] == hashlib.sha256(plan).hexdigest():
            _ = build.plan
            return build
    except (ValueError, LookupError, TypeError):
        pass
    return None
