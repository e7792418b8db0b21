"""Writes a config file from lines, or from keys and values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.configs.template import FieldError, fill_in
from pipeline.errors import ManifestError, Place, Problem
from pipeline.model.encodings import encodings_with, lacking
from pipeline.model.manifest import ConfigFile

LINE_ENDINGS = {"lf": "\n", "crlf": "\r\n", "cr": "\r"}


def write_config(config: ConfigFile, fields: Mapping[str, str], file: str = "") -> bytes:
    """Return the bytes of a config file, with the fields of its lines and values filled in: see ``write_for_each``."""
    return write_for_each(config, (fields,), file)


def write_for_each(config: ConfigFile, each: Sequence[Mapping[str, str]], file: str = "") -> bytes:
    """Return the bytes of a config file: its head, then its lines and values once for each mapping of fields.

    Values are written as ``key = value`` with the file's separator; a section begins with its head ``[section]``.
    The last line ends like the others unless ``final_line_ending`` is false. No byte-order mark is written.

    Raises ManifestError with every line that has an unknown field, a character the encoding lacks, or that would not
    read as it is meant; ``file`` is the manifest the problems are placed in.
    """
    writer = _Writer(config, each, file)
    lines = [text for key, text in writer.texts() if writer.fits(key, text)]
    if writer.problems:
        raise ManifestError(writer.problems)
    ending = LINE_ENDINGS[config.line_ending]
    final = ending if lines and config.final_line_ending else ""
    return (ending.join(lines) + final).encode(config.encoding)


@dataclass(frozen=True, slots=True)
class _Writer:
    config: ConfigFile
    each: Sequence[Mapping[str, str]]
    file: str
    problems: list[Problem] = field(default_factory=list)

    def texts(self) -> Iterator[tuple[str, str]]:
        """Yield each line of the file with the manifest key it comes from."""
        for number, line in enumerate(self.config.head, 1):
            yield f"{self.config.key}.head.{number}", line
        for fields in self.each:
            yield from self._texts_with(fields)

    def _texts_with(self, fields: Mapping[str, str]) -> Iterator[tuple[str, str]]:
        for number, line in enumerate(self.config.lines, 1):
            key = f"{self.config.key}.lines.{number}"
            yield key, self._filled(key, line, fields)
        written = ""
        for section, name, value in self.config.values:
            table = f"{self.config.key}.sections.{section}" if section else f"{self.config.key}.values"
            if section != written:
                self._check_section(table, section)
                yield table, f"[{section}]"
                written = section
            key = f"{table}.{name}"
            self._check_name(key, name)
            yield key, f"{name}{self.config.separator}{self._filled(key, value, fields)}"

    def fits(self, key: str, text: str) -> bool:
        """Return whether the text is one line whose characters the encoding has; what is wrong is taken down."""
        mark = lacking(text, self.config.encoding)
        if mark:
            what = f'"{mark}" (U+{ord(mark):04X}) is not a character of {self.config.encoding}'
            encodings = ", ".join(encodings_with(mark))
            self._say(key, what, f"replace it, or choose an encoding that has it: {encodings}")
        elif "\n" in text or "\r" in text:
            self._say(key, "has a line break; expected one line", "write a line of its own for each")
            return False
        return not mark

    def _filled(self, key: str, text: str, fields: Mapping[str, str]) -> str:
        try:
            return fill_in(text, fields)
        except FieldError as error:
            self._say(key, str(error), error.hint)
            return ""

    def _check_section(self, key: str, section: str) -> None:
        if "]" in section or section != section.strip():
            self._say(key, f'"{section}" cannot be a section: its head [{section}] would be read differently')

    def _check_name(self, key: str, name: str) -> None:
        mark = self.config.separator.strip() or " "
        if not name or mark in name or name[0] in "[;#" or name != name.strip():
            line = f"{name}{self.config.separator}..."
            self._say(key, f'"{name}" cannot be a key: the line "{line}" would be read differently')

    def _say(self, key: str, what: str, hint: str = "") -> None:
        problem = Problem(Place(file=self.file, key=key), what, hint)
        if problem not in self.problems:  # one line stands for each core
            self.problems.append(problem)
