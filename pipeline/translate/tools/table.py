"""Every command that is followed, but for the shell's own and the ROM tools."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.translate.tools.answers import (
    basename,
    compare,
    digest,
    dirname,
    failure,
    looked,
    nothing,
    pwd,
    seq,
    stat,
    wc,
)
from pipeline.translate.tools.blocks import dd
from pipeline.translate.tools.bytes_replaced import tr
from pipeline.translate.tools.call import Answer, Call
from pipeline.translate.tools.folder import cp, mkdir, mktemp, mv, rm, rmdir, touch, truncate
from pipeline.translate.tools.streams import cat, echo, head, printf, split, tail, tee, xxd

TOOLS: dict[str, Callable[[Call], Answer]] = {
    "cat": cat, "dd": dd, "head": head, "tail": tail, "truncate": truncate, "tr": tr, "xxd": xxd, "cp": cp, "mv": mv,
    "rm": rm, "unlink": rm, "mkdir": mkdir, "rmdir": rmdir, "touch": touch, "cmp": compare, "diff": compare,
    "split": split, "tee": tee, "printf": printf, "echo": echo, "basename": basename, "dirname": dirname, "seq": seq,
    "wc": wc, "stat": stat, "mktemp": mktemp, "pwd": pwd, "true": nothing, ":": nothing, "sleep": nothing,
    "sync": nothing, "chmod": nothing, "umask": nothing, "clear": nothing, "wait": nothing, "false": failure,
    **dict.fromkeys(("md5sum", "sha1sum", "sha224sum", "sha256sum", "sha384sum", "sha512sum"), digest),
    **dict.fromkeys(("ls", "file", "hexdump", "od", "grep", "cksum", "sum", "strings", "du", "df", "date", "which",
                     "uname", "id", "whoami", "hostname", "nproc", "less", "more", "tty", "type"), looked),
}  # fmt: skip
"""Every command that is followed, but for the shell's own and the ROM tools."""
