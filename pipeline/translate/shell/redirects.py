"""Redirections and here-documents: what a command reads and where its output goes.

Source: IEEE Std 1003.1-2017, "Shell Command Language", 2.7.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pipeline.model.text import quote, shown
from pipeline.translate.rope import NotFollowedError, Rope, join, literal, unknown
from pipeline.translate.shell.own_commands import Leave, ShellCommands
from pipeline.translate.shell.words import Node, raw_text
from pipeline.translate.tools.call import Call, Feed, RedirectTarget, encoded

NOWHERE = ".mktemp.null"
"""The file that stands for /dev/null, and is none of what the script makes."""


@dataclass(slots=True, kw_only=True)
class Redirecting(ShellCommands):
    """A shell that follows redirections."""

    def redirected(self, redirects: Sequence[Node], do: Callable[[], Rope]) -> Rope:
        """Follow a command whose input or output is a file; return what it prints."""
        feed, line = self.feed, self.machine.line
        output = self._opened(redirects)
        left: Leave | None = None
        try:
            try:
                printed = do()
            except Leave as leave:
                printed, leave.out, left = leave.out, (), leave
            if output.lost:
                printed = ()
            elif output.path:
                self._write(output, printed, line)
                printed = ()
        except NotFollowedError as error:
            self.machine.opened(output.path, self.machine.not_followed(output.path, error))
            return ()
        finally:
            self.feed = feed
        if left is not None:
            left.out = printed
            raise left
        return printed

    def _opened(self, redirects: Sequence[Node]) -> RedirectTarget:
        """Take the input that is named, and return where the output goes."""
        output = RedirectTarget()
        try:
            for redirect in redirects:
                if redirect.type == "herestring_redirect":
                    text = self.words.text(redirect.children[-1])
                    self.feed = Feed(rope=literal(encoded(f"{text}\n"), self.machine.line))
                elif redirect.type == "heredoc_redirect":
                    self.feed = Feed(rope=self._heredoc(redirect))
                    for inner in redirect.children_by_field_name("redirect"):
                        self._target(inner, output)
                else:
                    self._open(redirect, output)
        except (NotFollowedError, ValueError) as error:
            self.machine.remark(f"{shown(raw_text(redirects[0]))}: {error}")
            self.feed = Feed(rope=unknown(f"line {self.machine.line}: {error}", self.machine.line))
            output.lost = True
        return output

    def _open(self, redirect: Node, output: RedirectTarget) -> None:
        descriptor = redirect.child_by_field_name("descriptor")
        number = raw_text(descriptor) if descriptor is not None else ""
        sign = next(child.type for child in redirect.children if child.type != "file_descriptor")
        (word,) = self.words.fields(redirect.child_by_field_name("destination"))
        if sign == "<" and number in ("", "0"):
            call = Call(machine=self.machine, name="", words=[], feed=self.feed, bash=self.words.bash)
            self.feed = Feed(rope=call.read(word))
        elif sign in (">&", "<&") and word in ("1", "2", "-"):
            output.lost |= number in ("", "1") and word != "1"
        elif number == "2":
            self._messages(word)
        elif sign in (">", ">>", ">|", "&>", "&>>", ">&") and number in ("", "1"):
            output.lost = False
            self._target(redirect, output)
        else:
            raise NotFollowedError(f"the redirection {quote(raw_text(redirect))}")

    def _write(self, output: RedirectTarget, printed: Rope, line: int) -> None:
        target = output.path
        if not output.adds and target in self.machine.used:
            raise NotFollowedError(f"{quote(target)} is read while it is written")
        self.machine.line = line
        old = self.machine.peek(target) if self.machine.exists(target) else ()
        if output.adds and old and target not in self.machine.written:
            self.machine.remark(f"adds to {quote(target)}, which the folder holds already", "note")
        self.machine.write(target, join(old, printed) if old else printed)

    def _messages(self, word: str) -> None:
        """Note a file of messages, whose bytes are not known."""
        if not word.startswith("/dev/"):
            path = self.machine.path(word)
            self.machine.suspects[path] = f"it holds the messages of line {self.machine.line}, which are not known"

    def _target(self, redirect: Node, output: RedirectTarget) -> None:
        """Note the file that a redirection writes to; without ``>>`` it is emptied."""
        (word,) = self.words.fields(redirect.child_by_field_name("destination"))
        if word in ("/dev/stdout", "/dev/fd/1"):
            return
        if word.startswith("/dev/"):
            if word not in ("/dev/null", "/dev/stderr", "/dev/tty"):
                raise NotFollowedError(f"{quote(word)} leaves the folder")
            self.machine.write(NOWHERE, ())
            output.path, output.adds = NOWHERE, True
            return
        output.path, output.adds = self.machine.path(word), ">>" in raw_text(redirect)
        if not output.adds:
            self.machine.write(output.path, ())

    def _heredoc(self, node: Node) -> Rope:
        root = node
        while root.parent is not None:
            root = root.parent
        start = next(child for child in node.children if child.type == "heredoc_start")
        end = next(child for child in node.children if child.type == "heredoc_end")
        lines = root.text.split(b"\n")[start.start_point.row + 1 : end.start_point.row]
        if node.children[0].type == "<<-" or raw_text(node.children[0]).startswith("<<-"):
            lines = [line.lstrip(b"\t") for line in lines]
        text = b"".join(line + b"\n" for line in lines).decode("utf-8", "surrogateescape")
        if not set("'\"\\") & set(raw_text(start)):
            text = self.words.expanded(text)
        return literal(encoded(text), self.machine.line)
