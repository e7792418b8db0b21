"""The tasks of Cardkiln, by name; ``doit list`` shows them."""

from pipeline.tasks import (
    DOIT_CONFIG,
    task__roms_of,
    task_check,
    task_config,
    task_image,
    task_plan,
    task_record,
    task_rom,
    task_sheet,
)

__all__ = [
    "DOIT_CONFIG",
    "task__roms_of",
    "task_check",
    "task_config",
    "task_image",
    "task_plan",
    "task_record",
    "task_rom",
    "task_sheet",
]
