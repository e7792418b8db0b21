"""The operations as JSON Schema, for editors: made from the table of operations, so that each is described once.

``python schemas/make.py`` writes them into the schemas of titles and cores.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from pipeline.model.text import counted, listed
from pipeline.roms.operations.arguments import Argument
from pipeline.roms.operations.operation import SLOT_NAMES, Operation
from pipeline.roms.operations.table import CHANGES, PIECES

Schema = dict[str, Any]

WIDTH = 120
"""Characters of a line; a value that fits into one is written in one."""

JSON_TYPES: Mapping[type, str] = {int: "integer", str: "string", list: "array"}

THEN: Schema = {
    "$ref": "#/$defs/then",
    "title": "Then",
    "description": "What is done to the piece, in order, before it is used.",
    "examples": [[{"take": {"from": 0, "size": "2 KiB"}}, {"mirror": "8 KiB"}]],
}
AT: Schema = {
    "$ref": "#/$defs/address",
    "title": "At",
    "description": "The address at which the piece begins in the ROM file.",
    "examples": [0, 4096],
}
OVER: Schema = {
    "title": "true or false",
    "type": "boolean",
    "description": "Whether it may replace bytes that earlier steps placed.",
    "default": False,
    "examples": [True],
}
NAME: Schema = {
    "$ref": "#/$defs/slot-name",
    "title": "Name",
    "description": "The name of the slot it fills in a container.",
    "examples": ["PROGRAM"],
}
ID: Schema = {
    "$ref": "#/$defs/word",
    "title": "Id",
    "description": "A name for the step, by which a title with layout or like puts another in its place.",
    "examples": ["sound"],
}
NO_ADDRESS: Schema = {"title": "no address inside a piece", "not": {}}
NO_OVERLAP: Schema = {"title": "no overlap inside a piece", "not": {}}
NO_ID: Schema = {"title": "no id inside a piece", "not": {}}
NO_NAME: Schema = {"title": "no name outside a container", "not": {}}


def with_operations(text: str) -> str:
    """Return the text of a schema with its definitions of steps, pieces and changes made anew: the last of its $defs.

    What stands before them is written by hand, and stays as it is.
    """
    start = text.index('    "step": {')
    return text[:start] + json_text(definitions(), indent=2).removeprefix("{\n") + "\n}\n"


def definitions() -> Schema:
    """Return the definitions of a step, a piece, a slot of a container, a change, and each operation that makes one."""
    pieces = [{"$ref": f"#/$defs/piece-{name}"} for name in PIECES]
    listed = [{"$ref": "#/$defs/chip-name"}, *pieces]
    return {
        "step": {
            "title": "a step",
            "description": "Puts one piece at an address.",
            "type": "object",
            "properties": {"at": AT, "name": NO_NAME},
            "required": ["at"],
            "oneOf": pieces,
        },
        "piece": {
            "title": "a piece: a chip's name or a table",
            "description": "The name of a chip, or a table that says how the piece is made.",
            "type": ["string", "object"],
            "properties": {"at": NO_ADDRESS, "over": NO_OVERLAP, "id": NO_ID, "name": NO_NAME},
            "oneOf": listed,
            "examples": ["4t", {"chip": "4t", "then": [{"mirror": "8 KiB"}]}],
        },
        "slot": {
            "title": "a piece: a chip's name or a table",
            "description": "The name of a chip, or a table that says how it is made and what its slot is called.",
            "type": ["string", "object"],
            "properties": {"at": NO_ADDRESS, "over": NO_OVERLAP, "id": NO_ID},
            "oneOf": listed,
            "examples": ["4t", {"name": "PROGRAM", "chip": "4t"}],
        },
        "then": {
            "title": "a list of changes",
            "description": "Each a table with one key: what is done, and with what.",
            "type": "array",
            "items": {"$ref": "#/$defs/change"},
        },
        **{f"piece-{name}": _piece(operation) for name, operation in PIECES.items()},
        "change": {
            "title": "a change: a table with one key",
            "description": "One thing done to a piece, or to a whole ROM file.",
            "type": "object",
            "properties": {name: _change(operation) for name, operation in CHANGES.items()},
            "minProperties": 1,
            "maxProperties": 1,
            "additionalProperties": False,
            "examples": [{"mirror": "8 KiB"}],
        },
    }


def _piece(operation: Operation) -> Schema:
    name = operation.name
    arguments = {key: _argument(key, argument) for key, argument in operation.arguments.items() if key != SLOT_NAMES}
    main = {} if name in arguments else {name: _parts(operation)}
    return {
        "title": f"a piece: {name}",
        "description": operation.description,
        "type": "object",
        "properties": {**main, **arguments, "then": THEN, "at": AT, "over": OVER, "id": ID, "name": NAME},
        "required": [*main, *(key for key in arguments if operation.arguments[key].required)],
        "additionalProperties": False,
    }


def _parts(operation: Operation) -> Schema:
    """Return the schema of the list of an operation's parts."""
    least, most = min(operation.parts), max(operation.parts)
    bounded = most < 256
    between = [count for count in range(least, most) if bounded and count not in operation.parts]
    unfit = [{"minItems": count, "maxItems": count} for count in between]
    counts = listed(map(str, operation.parts), "or") if unfit or most == least else f"{least} to {most}"
    title = f"{counts} pieces" if bounded else f"{counted(least, 'piece')} or more"
    return {
        "title": title,
        "description": operation.parts_description,
        "type": "array",
        "items": {"$ref": "#/$defs/slot" if SLOT_NAMES in operation.arguments else "#/$defs/piece"},
        "minItems": least,
        **({"maxItems": most} if bounded else {}),
        **({"not": {"anyOf": unfit}} if unfit else {}),
        "examples": [operation.example],
    }


def _change(operation: Operation) -> Schema:
    arguments = operation.arguments
    shown = {"description": operation.description, "examples": [operation.example]}
    if not arguments:
        return {"$ref": "#/$defs/true", "title": _title(operation.name), **shown, "examples": [True]}
    if set(arguments) == {operation.main}:
        return _titled(operation.name, arguments[operation.main].schema, operation.title) | shown
    required = [key for key, argument in arguments.items() if argument.required]
    table = {
        "title": operation.title,
        "description": operation.description,
        "type": "object",
        "properties": {key: _argument(key, argument) for key, argument in arguments.items()},
        **({"required": required} if required else {}),
        "additionalProperties": False,
        **operation.limits,
    }
    if not operation.main:
        return table | shown
    types = [JSON_TYPES[type(operation.example)], "object"]
    bare = dict(arguments[operation.main].schema)
    return {"title": operation.title, "type": types, "oneOf": [bare, table], **shown}


def _argument(key: str, argument: Argument) -> Schema:
    default = {} if argument.default is None else {"default": _plain(argument.default)}
    shown = {"description": argument.description, **default, "examples": [argument.example]}
    return _titled(key, argument.schema, argument.title) | shown


def _titled(key: str, schema: Mapping[str, object], title: str) -> Schema:
    """Return a schema with the title given, its own, or, where it only refers to another, that of its key."""
    return {**schema, "title": title or schema.get("title") or _title(key)}


def _title(key: str) -> str:
    return key.replace("-", " ").capitalize()


def _plain(value: object) -> object:
    return list(value) if isinstance(value, tuple) else value


def json_text(value: object, indent: int = 0) -> str:
    """Return JSON text, each table and list in one line where it fits."""
    flat = json.dumps(value, ensure_ascii=False)
    if not isinstance(value, dict | list) or indent + len(flat) < WIDTH - indent:
        return flat
    inner = indent + 2
    if isinstance(value, dict):
        items = [f"{json.dumps(key)}: {json_text(item, inner)}" for key, item in value.items()]
    else:
        items = [json_text(item, inner) for item in value]
    start, end = "{}" if isinstance(value, dict) else "[]"
    return f"{start}\n{' ' * inner}" + f",\n{' ' * inner}".join(items) + f"\n{' ' * indent}{end}"
