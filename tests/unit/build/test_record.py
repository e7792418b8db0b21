"""Stage ``record``: what may fail without stopping a build."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from pipeline.build import record
from pipeline.build.build import Build
from pipeline.build.flow import build_card
from pipeline.build.inputs import Inputs
from tests.support.building import workspace_in
from tests.support.small import small_project


def test_a_build_that_cannot_be_added_to_the_history_is_complete_and_warned_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(record, "keep_build", full)
    workspace = workspace_in(small_project(tmp_path))
    build = Build(Inputs.of(workspace))
    build_card(build, "desk", lambda _: None)
    assert [str(warning) for warning in workspace.take_warnings() if "history" in warning.what] == [
        "build/state/builds: this build cannot be added to the history of builds: No space left on device\n"
        "  hint: the card is complete; once it is rebuilt, doit verify cannot name this build"
    ]
    assert record.reason(Build(Inputs.of(workspace)).card("desk")) is None
