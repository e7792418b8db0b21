"""The command ``doit info``: doit's own, which is told one task that there is."""

from __future__ import annotations

import functools
from typing import Any

from doit import cmd_info

from pipeline.engine.loader import refuse_unknown
from pipeline.errors import ManifestError


class Info(cmd_info.Info):  # type: ignore[misc]  # doit has no type information
    """Shows what doit knows of one task."""

    @functools.wraps(cmd_info.Info._execute)
    def _execute(self, **options: Any) -> int:
        words = options["pos_args"]
        if len(words) != 1:
            raise ManifestError.one(
                f"found {len(words)} names, expected that of one task", "doit list --all shows them"
            )
        refuse_unknown(self.task_list, words)
        return int(super()._execute(**options))
